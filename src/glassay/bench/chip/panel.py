"""One photo on a plate, and what stands below it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from glassay.bench.chip.same_chip import Route
from glassay.bench.document.model import Capture
from glassay.bench.measuring.resolved import Resolved
from glassay.imaging import Photo
from glassay.optics.readings import Reading
from glassay.quantity import Quantity


@dataclass(frozen=True)
class Caption:
    """What stands below a panel. `pixel_size` is um a px, `reading` the magnification."""

    instrument: str
    setting: str
    pixel_size: Quantity | None
    resolved: Resolved | None
    reading: Reading | None
    native: Quantity | None = None
    """Um for each pixel of the sensor, where it is known that the camera enlarges its pictures."""


@dataclass(frozen=True, eq=False)
class Panel:
    """One photo on the plate. `route` takes px of the reference to px of the photo, whose width and
    height are `size`; `read` decodes it."""

    capture: Capture
    caption: Caption
    size: tuple[int, int]
    read: Callable[[], Photo]
    route: Route

    @cached_property
    def photo(self) -> Photo:
        """The photo, decoded when it is first asked for. Raises `Unusable`."""
        return self.read()
