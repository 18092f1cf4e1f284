from .app import create_app
from .serve import serve

__all__ = ["create_app", "serve"]
