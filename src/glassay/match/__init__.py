"""Registration of photos of one chip across instruments, magnifications and lighting."""

from glassay.match.measure import METHOD_VERSION, MOST_APART, MatchResult, match

__all__ = ["METHOD_VERSION", "MOST_APART", "MatchResult", "match"]
