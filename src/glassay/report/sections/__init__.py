"""The sections of the report, in order. A new one is one file here and one line in `SECTIONS`."""

from glassay.report.parts import Section
from glassay.report.sections import (
    answer,
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
    answer.SECTION,
    comparison.SECTION,
    needs.SECTION,
    instruments.SECTION,
    magnification.SECTION,
    by_eye.SECTION,
    same_chip.SECTION,
    teardown.SECTION,
    shots.SECTION,
    methods.SECTION,
    assumptions.SECTION,
)
