"""The comparison as one page to publish, and its table as data.

`write.write_report` writes them, `page.render_page` makes the page alone, and each `evidence_*`
module describes what one method saw, over the photo, for the page, print and a file of its own.
"""
