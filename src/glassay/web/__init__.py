"""The workbench in the browser: a local web application over one bench.

`create_app` makes the application (ASGI), `serve` runs it on the loopback address. It is a face: it
reads the bench, shows it, and hands what the person does to `glassay.bench`. Pages are rendered
here and work without script; the modules in `static/` add the viewer, pointing and the camera.
"""

import lazy_loader

# The names stand in `__init__.pyi`; what is behind one is loaded when it is first used: the process
# that measures in the background needs no page.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
