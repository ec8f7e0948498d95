"""What arrays must be where data enters: of one shape, finite, not below 0."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def check_shape(name: str, array: NDArray[Any] | None, shape: tuple[int, ...]) -> None:
    """Return if an array has a shape, or is None where it may be left out.

    Raises
    ------
    ValueError
        Naming the array, its shape and the one expected.
    """
    if array is not None and array.shape != shape:
        raise ValueError(f"{name} has the shape {array.shape}, not {shape}")


def check_finite(name: str, array: NDArray[Any] | None, where: NDArray[np.bool_] | bool = True) -> None:
    """Return if an array of any shape is finite, wherever `where` (broadcast against it) says it must be, or is None.

    Raises
    ------
    ValueError
        Naming the array and the first place that is not finite.
    """
    if array is None:
        return
    bad = where & ~np.isfinite(array)
    if bad.any():
        place = tuple(int(i) for i in np.argwhere(bad)[0])
        raise ValueError(f"{name} is not finite at {place}")


def check_not_negative(name: str, array: NDArray[Any]) -> None:
    """Return if no number of an array of any shape is below 0.

    Raises
    ------
    ValueError
        Naming the array and its least number.
    """
    if array.size and array.min() < 0:
        raise ValueError(f"{name} is {array.min():g} where nothing below 0 can be")
