"""The workbench in the browser: a local web application over one bench.

`create_app` makes the application (ASGI), `serve` runs it on the loopback address. It is a face: it
reads the bench, shows it, and hands what the person does to `glassay.bench`. Pages are rendered
here and work without script; the modules in `static/` add the viewer, pointing and the camera.
"""

from glassay.web.app import create_app
from glassay.web.serve import serve

__all__ = ["create_app", "serve"]
