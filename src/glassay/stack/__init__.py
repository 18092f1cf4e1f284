"""Focus stacks: photos focused at different heights become one sharp picture and a map of depth."""

from glassay.stack.blend import Plan, blend
from glassay.stack.measure import StackResult, measure_stack

__all__ = ["Plan", "StackResult", "blend", "measure_stack"]
