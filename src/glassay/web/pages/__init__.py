"""The pages, one module for each thing a person comes to do."""

from glassay.web.pages import (
    capture,
    captures,
    data,
    edit,
    instrument,
    overview,
    run,
)

ROUTERS = (
    overview.router, instrument.router, captures.router, capture.router, 
    edit.router, run.router, data.router,
)  # fmt: skip
"""Every page of the workbench."""
