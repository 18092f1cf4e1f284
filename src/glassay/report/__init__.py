"""The comparison as one page to publish, and its table as data.

`write.write_report` writes them, `page.render_page` makes the page alone, and each `evidence_*`
module draws what one method saw, over the photo, for a page or into a file of its own.
"""
