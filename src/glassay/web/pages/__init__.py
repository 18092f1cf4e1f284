"""The pages, one module for each thing a person comes to do."""

from glassay.web.pages import (
    capture,
    captures,
    compare,
    data,
    die,
    die_layers,
    edit,
    export,
    instrument,
    live,
    live_mosaic,
    marks,
    mosaic,
    overview,
    phone,
    run,
)

ROUTERS = (
    overview.router, instrument.router, captures.router, capture.router, marks.router, die.router,
    die_layers.router, compare.router, edit.router, export.router, live.router, live_mosaic.router,
    mosaic.router, run.router, data.router, phone.router,
)  # fmt: skip
"""Every page of the workbench."""
