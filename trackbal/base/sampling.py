"""Samples of many like things, the same every time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def evenly_spaced(count: int, most: int) -> NDArray[np.int_]:
    """Return at most `most` of the indices 0 ... count - 1, shape (k,), evenly spaced, the ends among them."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(int))
