"""What is told about each instrument, in order. A new chapter is one file here and one line."""

from glassay.report.instrument import about, captures, claims, measured
from glassay.report.parts import Chapter

CHAPTERS: tuple[Chapter, ...] = (
    about.CHAPTER,
    claims.CHAPTER,
    measured.CHAPTER,
    captures.CHAPTER,
)
