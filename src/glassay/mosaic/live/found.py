"""The place found again after the track was lost: two views that lie apart must be found, and agree."""

from __future__ import annotations

from glassay.mosaic.live.picture import Place
from glassay.mosaic.live.track import Track

LEAST_SHARE = 0.6
"""Share of a view that must be on the map."""
APART = 0.25
"""The second of two views lies so many heights of a view from the first."""


class FoundAgain:
    """What was found since the track was lost. The movement from the last view that was found counts
    from there on, as it does from a sure place."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._first: Place | None = None
        self._last: Place | None = None
        self._frames = 0

    def forget(self) -> None:
        """The track is lost anew, or the place is sure."""
        self._first = self._last = None
        self._frames = 0

    def count_frame(self) -> None:
        """One more frame of which the place is not sure."""
        self._frames += 1

    def led_to(self, most_frames: int) -> Place | None:
        """Where the movement has led since the last view that was found, if it was followed and no more
        than so many frames have passed."""
        if self._last is None or not self._track.is_followed or self._frames > most_frames:
            return None
        return self._track.led_to(self._last)

    def agree(self, place: Place, share: float, led_to: Place | None, size: tuple[int, int],
              within: float) -> bool:  # fmt: skip
        """Take in a view that was found, with `share` of it on the map, and whether two that lie apart
        are found now. One that is not `within` so many working px of where the movement has led takes
        the other's stead: one of them is wrong. So does one to which the movement was not followed:
        nothing holds the two against each other."""
        if share < LEAST_SHARE:
            return False
        if self._first is None or led_to is None or place.distance(led_to) > within:
            self._first = place
        self._last, self._frames = place, 0
        self._track.begin_anew(place)
        return place.distance(self._first) >= APART * size[1]
