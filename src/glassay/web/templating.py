"""The templates of the workbench. Everything is escaped unless it is `Markup`."""

from __future__ import annotations

from collections import OrderedDict
from functools import lru_cache
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from glassay import __version__
from glassay.quantity import Quantity
from glassay.report import numbers
from glassay.report.instrument.measured import budget
from glassay.web import limits
from glassay.web.workbench import Workbench


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The environment, with the report's ways to print numbers."""
    made = Environment(
        loader=PackageLoader("glassay.web"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters.update(
        amount=numbers.amount, times=numbers.times, as_length=numbers.length,
        in_unit=numbers.in_unit, hand=by_hand, shares=shares,
        prose=numbers.prose, sentence=numbers.sentence,
    )  # fmt: skip
    made.globals.update(verdict=numbers.verdict, link=link, version=__version__)
    return made


def link(path: str, **query: object) -> str:
    """An address of the workbench with its query, quoted."""
    return f"{quote(path)}?{urlencode({k: str(v) for k, v in query.items()})}" if query else path


def by_hand(quantity: Quantity) -> Markup:
    """A length, an area or an angle that was measured by hand."""
    if quantity.unit == "um2":
        if abs(quantity.value) >= 1e4:
            return numbers.amount(quantity.scaled(1e-6, "mm2"), " mm²")
        return numbers.amount(quantity, " µm²")
    if quantity.unit == "px2":
        return numbers.amount(quantity, " px²")
    return numbers.in_unit(quantity)


def shares(quantity: Quantity) -> list[tuple[str, float]]:
    """The sources of its uncertainty with their share of the variance, largest first."""
    return [(line.source, line.share) for line in budget(quantity) if line.share >= 0.005]


def workbench_of(request: Request) -> Workbench:
    """The bench that this application shows."""
    found = request.app.state.workbench
    assert isinstance(found, Workbench)
    return found


def page(request: Request, template: str, status: int = 200, **filling: Any) -> HTMLResponse:
    """A whole page. `title` and `here` (the entry of the navigation) are part of the filling."""
    everything = {
        "said": request.app.state.said.pop(_browser(request), ""), "bench_title": "", "here": "",
        "running": request.app.state.runs.is_running, "back": came_from(request), **filling,
    }  # fmt: skip
    text = environment().get_template(template).render(everything)
    return HTMLResponse(text, status)


def came_from(request: Request) -> str:
    """The page of the workbench from which this was asked for, as an address without its host; "" for
    anything else: another site's, none told, or the very page that is being asked for."""
    try:
        told = urlsplit(request.headers.get("referer", ""))
    except ValueError:
        return ""
    if (told.scheme, told.netloc) != ("http", request.headers.get("host", "")):
        return ""
    address = "/" + told.path.lstrip("/") + (f"?{told.query}" if told.query else "")
    asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return "" if address in ("/", asked) else address


def _browser(request: Request) -> str:
    """Which browser asks; what it did is told to it and to no other."""
    return str(getattr(request.state, "browser", ""))


def fragment(template: str, **filling: Any) -> Markup:
    """A part of a page."""
    return Markup(environment().get_template(template).render(filling))


def back_to(request: Request, address: str, said: str = "") -> RedirectResponse:
    """After something was done: on to a page, where it is said what was done."""
    messages: OrderedDict[str, str] = request.app.state.said
    if said:
        messages[_browser(request)] = said
        while len(messages) > limits.SAID_KEPT:
            messages.popitem(last=False)
    return RedirectResponse(address, 303)
