"""Influence coefficients as a pandas table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from trackbal.base.phasor import phase_deg
from trackbal.influence.influence_reader import Contents
from trackbal.runs.rotor import HEIGHTS, Rotor

if TYPE_CHECKING:
    import pandas as pd


def influence_frame(rotor: Rotor, influence: Contents) -> pd.DataFrame:
    """Return what one unit of each adjuster on blade 1 does to each reading.

    The index is (adjuster, regime, reading), a reading being a sensor or "height". Columns:
    ``coefficient`` (complex, lag convention; real for heights), ``amplitude``, ``phase_deg`` (the rotor's
    sense), ``sd`` for the next aircraft of the type and ``mean_sd`` of the type's mean (of real and of
    imaginary part each, of one tip), ``known``. Units stand in ``attrs["units"]`` by (adjuster, reading).
    """
    import pandas as pd

    rows = [
        ((adjuster.name, regime.name, rotor.reading_name(s)), _row(rotor, influence, a, r, s))
        for a, adjuster in enumerate(rotor.adjusters)
        for r, regime in enumerate(rotor.regimes)
        for s in (*range(len(rotor.sensors)), *([HEIGHTS] if regime.heights else []))
    ]
    index = pd.MultiIndex.from_tuples([key for key, _ in rows], names=["adjuster", "regime", "reading"])
    frame = pd.DataFrame([row for _, row in rows], index=index)
    units = {s.name: s.unit for s in rotor.sensors} | {"height": rotor.height_unit}
    frame.attrs["units"] = {(a.name, n): f"{u}/{a.unit}" for a in rotor.adjusters for n, u in units.items()}
    return frame


def _row(rotor: Rotor, influence: Contents, a: int, r: int, s: int) -> dict[str, Any]:
    covs = (influence.height_cov, influence.mean_height_cov)
    if s == HEIGHTS:
        value, known = complex(influence.tau[a, r]), not influence.unknown_height[a, r]
        sds = [np.nan if cov is None else float(np.sqrt(max(cov[r, a, a], 0.0))) for cov in covs]
    else:
        value, known = complex(influence.alpha[a, r, s]), not influence.unknown_vibration[a, r, s]
        both = (influence.vibration_cov, influence.mean_vibration_cov)
        part = slice(2 * a, 2 * a + 2)
        sds = [np.nan if cov is None else float(np.sqrt(np.trace(cov[r, s, part, part]) / 2.0)) for cov in both]
    return {
        "coefficient": value if known else complex(np.nan, np.nan),
        "amplitude": abs(value) if known else np.nan,
        "phase_deg": float(phase_deg(value, rotor.phase_sense)) if known and s != HEIGHTS else np.nan,
        "sd": sds[0] if known else np.nan,
        "mean_sd": sds[1] if known else np.nan,
        "known": known,
    }
