"""Numbers as JSON has them: it knows neither nan nor infinity."""

from __future__ import annotations

import math


def finite_or_none(value: float) -> float | None:
    """Return a number as a float; None (null) for one that is not finite."""
    return float(value) if math.isfinite(value) else None
