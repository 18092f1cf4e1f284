"""What happens in time: the frames of a clip, and runs through focus."""

from glassay.motion.clip import METHOD_VERSION, ClipResult, measure_clip

__all__ = ["METHOD_VERSION", "ClipResult", "measure_clip"]
