"""The report in print: set from the same sections and drawings as the page."""

from glassay.report.printed.document import write_pdf, write_summary

__all__ = ["write_pdf", "write_summary"]
