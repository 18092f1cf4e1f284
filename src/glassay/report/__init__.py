"""The comparison as one page to publish, and its table as data."""

from glassay.report.page import Report, render_page
from glassay.report.write import Written, write_report

__all__ = ["Report", "Written", "render_page", "write_report"]
