from .clip import measure_clip
from .clip_result import ClipEvidence, ClipResult, on_object

__all__ = ["ClipEvidence", "ClipResult", "measure_clip", "on_object"]
