"""Runs and histories as pandas tables: readings by job, run, regime and sensor or blade; sheets as frames."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from trackbal.base.csv_table import CsvTable
from trackbal.base.errors import InputError
from trackbal.base.phasor import phase_deg
from trackbal.runs.rotor import Rotor

if TYPE_CHECKING:
    import pandas as pd


class Readings(Protocol):
    """Vibration (..., R, S), heights (..., R, B) and how often each was read."""

    @property
    def vibration(self) -> Any: ...  # noqa: D102
    @property
    def vibration_count(self) -> Any: ...  # noqa: D102
    @property
    def height(self) -> Any: ...  # noqa: D102
    @property
    def height_count(self) -> Any: ...  # noqa: D102


def vibration_frame(rotor: Rotor, readings: Readings, outer: tuple[list[str], list[tuple[Any, ...]]]) -> pd.DataFrame:
    """Return the vibration readings taken: amplitude, phase (degrees, the rotor's sense), phasor and count.

    `outer` are names and keys of what comes before regime and sensor: (["job", "run"], one key a run), or ([], [()]).
    Units stand in ``attrs["units"]``: by sensor.
    """
    import pandas as pd

    names, keys = outer
    regimes, sensors = [r.name for r in rotor.regimes], [s.name for s in rotor.sensors]
    shape = (len(keys), len(regimes), len(sensors))
    value, count = readings.vibration.reshape(shape), readings.vibration_count.reshape(shape)
    index = [(*key, r, s) for key in keys for r in regimes for s in sensors]
    frame = pd.DataFrame(
        {
            "amplitude": np.abs(value).ravel(),
            "phase_deg": phase_deg(value, rotor.phase_sense).ravel(),
            "phasor": value.ravel(),
            "count": count.ravel(),
        },
        index=pd.MultiIndex.from_tuples(index, names=[*names, "regime", "sensor"]),
    )
    frame.attrs["units"] = {s.name: s.unit for s in rotor.sensors}
    return frame[frame["count"] > 0]


def height_frame(rotor: Rotor, readings: Readings, outer: tuple[list[str], list[tuple[Any, ...]]]) -> pd.DataFrame:
    """Return the tip heights read, relative to the mean tip of their regime, and their count; as `vibration_frame`."""
    import pandas as pd

    names, keys = outer
    regimes = [r.name for r in rotor.regimes]
    shape = (len(keys), len(regimes), len(rotor.blades))
    count = np.repeat(readings.height_count.reshape(shape[:2])[..., None], shape[2], axis=2)
    index = [(*key, r, b) for key in keys for r in regimes for b in rotor.blades]
    frame = pd.DataFrame(
        {"height": readings.height.reshape(shape).ravel(), "count": count.ravel()},
        index=pd.MultiIndex.from_tuples(index, names=[*names, "regime", "blade"]),
    )
    frame.attrs["units"] = {"height": rotor.height_unit}
    return frame[frame["count"] > 0]


def change_frame(rotor: Rotor, change: Any, outer: tuple[list[str], list[tuple[Any, ...]]], value: str) -> pd.DataFrame:
    """Return changes (n, A, B) that are not zero, by what `outer` names, blade and adjuster; as `vibration_frame`."""
    import pandas as pd

    names, keys = outer
    blades, adjusters = rotor.blades, [a.name for a in rotor.adjusters]
    rows = [
        (*keys[n], blades[b], adjusters[a], float(change[n, a, b]))
        for n, b, a in np.argwhere(change.swapaxes(1, 2) != 0)
    ]
    frame = pd.DataFrame(rows, columns=[*names, "blade", "adjuster", value])
    frame = frame.set_index([*names, "blade", "adjuster"])
    frame.attrs["units"] = {a.name: a.unit for a in rotor.adjusters}
    return frame


def table_of_frame(frame: pd.DataFrame, source: str) -> CsvTable:
    """Return a frame as a sheet: its index and columns by name, cells as they would be typed, empty for missing ones.

    Raises
    ------
    InputError
        If it is no frame, or a heading is no text or stands twice.
    """
    if not hasattr(frame, "reset_index"):
        raise InputError(source, type(frame).__name__, "a pandas DataFrame")
    named = [name for name in frame.index.names if name is not None]
    flat = frame.reset_index(level=named) if named else frame
    headings = list(flat.columns)
    for i, heading in enumerate(headings):
        if not isinstance(heading, str) or heading in headings[:i]:
            raise InputError(source, str(heading), "every column a text, and once", row=1)
    columns = tuple(tuple(map(_cell, flat[heading].tolist())) for heading in headings)
    return CsvTable(source, tuple(headings), columns, tuple(range(2, len(flat) + 2)))


def _cell(value: Any) -> str:
    if value is None or value != value:  # nan and NaT
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).removesuffix("T00:00:00")
    return str(value).strip()
