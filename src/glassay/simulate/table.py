"""A smooth function of one number, looked up at many places."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def between(
    table: npt.NDArray[np.floating], place: npt.NDArray[np.floating]
) -> npt.NDArray[np.floating]:
    """Linear interpolation in `table` at `place`, in steps of the table from its first value.

    The result has the shape and the type of `place`, whose values lie within the table.
    """
    index = np.minimum(place.astype(np.int32), table.size - 2)
    slope = np.diff(table).astype(place.dtype)
    beyond = np.subtract(place, index, dtype=place.dtype, casting="same_kind")
    beyond *= slope[index]
    beyond += table.astype(place.dtype)[index]
    return np.asarray(beyond)
