"""The viewer's files beside a page that is looked at without the workbench."""

from __future__ import annotations

import importlib.resources
from pathlib import Path

from glassay.disk import write_atomically


def write_viewer(folder: Path) -> None:
    """Write the viewer, its licence and the script that opens it on a page."""
    here = importlib.resources.files("glassay")
    viewer = here / "web/static/vendor/openseadragon"
    for name, kept in (("openseadragon.min.js", viewer / "openseadragon.min.js"),
                       ("openseadragon-LICENSE.txt", viewer / "LICENSE.txt"),
                       ("look_closer.js", here / "report/templates/look_closer.js")):  # fmt: skip
        write_atomically(folder / name, kept.read_bytes())
