"""Typesetting by a compiler that fetches nothing: layouts of `report/templates/*.typ`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from glassay.errors import Unusable
from glassay.report.characters import to_set
from glassay.report.templating import source

Form = Literal["pdf", "svg", "png"]


def typeset(
    folder: Path, layout: str, content: Mapping[str, Any], form: Form,
    timestamp: datetime | None = None,
) -> bytes:  # fmt: skip
    """A layout of `report/templates/` filled with `content`; pictures are files in `folder`.

    `form` is "pdf", "png" or "svg" (of one page). The fonts are the compiler's own and those that
    the plotting library brings, so that every machine sets the same; one of the machine's only for
    characters that those lack (see `glassay.report.characters`).
    """
    import typst

    fonts = folder / "fonts"
    (folder / "content.json").write_text(json.dumps(to_set(content, fonts)), encoding="utf-8")
    (folder / layout).write_text(str(source(layout)), encoding="utf-8")
    try:
        made = typst.compile(
            str(folder / layout), root=str(folder), format=form, timestamp=timestamp,
            font_paths=[str(fonts)], ignore_system_fonts=True, ppi=150.0,
        )  # fmt: skip
    except typst.TypstError as error:  # a fault of ours, or a picture it cannot read
        raise Unusable(f"the print could not be set: {error}") from error
    return bytes(made[0] if isinstance(made, list) else made)
