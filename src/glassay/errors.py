"""The two ways a measurement can end without a number.

`Unusable` is about the request: a file that cannot be read, a mistake in `bench.toml`, an option
without a unit. `NotMeasurable` is about the photo: it can be read, but it holds nothing that the
method can measure. Faces turn the first into exit status 2 and the second into exit status 3.
"""


class GlassayError(Exception):
    """Base of every error that is meant to be read by a person; `str()` is one clear sentence."""


class Unusable(GlassayError):
    """The file or the request cannot be used; the message says what was wrong and where."""


class NotMeasurable(GlassayError):
    """The capture is readable but holds nothing this method can measure; the message says why."""
