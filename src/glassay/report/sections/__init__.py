"""The sections of the report, in order. A new one is one file here and one line in `SECTIONS`."""

from glassay.report.parts import Section
from glassay.report.sections import (
    assumptions,
    by_eye,
    comparison,
    instruments,
    magnification,
    methods,
    needs,
    same_chip,
    shots,
    teardown,
)

SECTIONS: tuple[Section, ...] = (
    comparison.SECTION,
    needs.SECTION,
    magnification.SECTION,
    by_eye.SECTION,
    same_chip.SECTION,
    instruments.SECTION,
    teardown.SECTION,
    shots.SECTION,
    methods.SECTION,
    assumptions.SECTION,
)
