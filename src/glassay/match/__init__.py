"""Registration of photos of one chip across instruments, magnifications and lighting."""

from glassay.match.mapping import Mapping
from glassay.match.measure import METHOD_VERSION, MOST_APART, match
from glassay.match.result import MatchResult

__all__ = ["METHOD_VERSION", "MOST_APART", "Mapping", "MatchResult", "match"]
