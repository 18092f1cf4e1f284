from .mapping import Mapping
from .measure import MOST_APART, match
from .result import MatchResult

__all__ = ["MOST_APART", "Mapping", "MatchResult", "match"]
