"""p values as every report writes them."""

from __future__ import annotations

import math


def p_value_text(p: float) -> str:
    """Return a p value to two digits, "-" for nan."""
    if not math.isfinite(p):
        return "-"
    return "< 0.0001" if p < 1e-4 else f"{p:.2g}"
