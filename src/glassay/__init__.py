"""Glassay: a test bench for microscopes used to look at bare silicon."""

__version__ = "0.1.0"
