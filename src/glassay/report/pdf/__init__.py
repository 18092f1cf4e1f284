"""The report in print quality: PDF with embedded fonts, vector drawings, and an appendix."""

from glassay.report.pdf.document import write_pdf, write_summary

__all__ = ["write_pdf", "write_summary"]
