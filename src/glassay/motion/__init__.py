"""What happens in time: the frames of a clip, and runs through focus."""

from glassay.motion.clip import METHOD_VERSION, measure_clip
from glassay.motion.clip_result import ClipEvidence, ClipResult, on_object

__all__ = ["METHOD_VERSION", "ClipEvidence", "ClipResult", "measure_clip", "on_object"]
