"""The phone's page, seen from the workbench: its code, what has come, and ending it."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup

from glassay.errors import Unusable
from glassay.web.phone.serve import PhonePage, code_as_svg
from glassay.web.templating import back_to, page

router = APIRouter(prefix="/phone", include_in_schema=False)


def _open_page(request: Request) -> PhonePage:
    found = request.app.state.phone
    if not isinstance(found, PhonePage) or not found.is_open:
        raise Unusable("the phone's page is not open; `glassay open BENCH --phone` opens it")
    return found


@router.get("")
def show(request: Request) -> Response:
    phone = _open_page(request)
    return page(
        request, "phone_code.html", title="Photos from the phone", here="/captures",
        code=Markup(code_as_svg(phone.url)), address=phone.url, taken=phone.share.taken,
        batch=phone.share.batch, minutes=max(1, round(phone.share.seconds_left / 60)),
    )  # fmt: skip


@router.post("/another")
def another(request: Request) -> Response:
    """A code for one more device; each lets in once."""
    _open_page(request).share.another_entry()
    return back_to(request, "/phone")


@router.post("/end")
def end(request: Request) -> Response:
    _open_page(request).close()
    return back_to(request, "/captures", "The phone's page is closed.")
