"""The readings of one run, and of many, as arrays.

Axes follow the rotor: regimes (R), sensors (S), blades (B), adjusters (A); n runs,
J jobs. Vibration is complex in the lag convention and the sensor's unit; heights are
relative to the mean tip of their regime, up positive, in the rotor's height unit.
Not read is nan; a regime in which any tip is missing has nan for all its tips.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.csv_table import CsvTable
from trackbal.base.summary import Summarised
from trackbal.runs.frames import change_frame, height_frame, table_of_frame, vibration_frame
from trackbal.runs.rotor import Rotor

if TYPE_CHECKING:
    import pandas as pd

from trackbal.base.contracts import check_finite, check_shape

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Counts = NDArray[np.int_]
Dates = NDArray[np.datetime64]
Texts = NDArray[Any]  # of str objects


@dataclass(frozen=True)
class Without:
    """Mean, count, squares of a repeated reading without what its repeats contradict; `sensor` HEIGHTS: tips."""

    sensor: int
    mean: Any
    count: int
    squares: float


@dataclass(frozen=True)
class OddRepeat:
    """Something about what was read more than once (repeats.py, copies.py); it is in the means but for copied rows.

    Parameters
    ----------
    job : str
        "" of a run by itself.
    run : int
    regime : int
        -1 where no single one is meant.
    text : str
        Which rows, and what was probably written wrongly.
    gain : float
        How much more probable its readings are without it, in log-likelihood.
    without : tuple of Without
        Of a "repeat"; else none.
    kind : {"repeat", "two_in_job", "copied_rows", "copied_job"}
        A reading that its repeats contradict; a job of two aircraft; rows that stand in their run again; a job that
        stands in the history under another name too.
    """

    job: str
    run: int
    regime: int
    text: str
    gain: float
    without: tuple[Without, ...]
    kind: Literal["repeat", "two_in_job", "copied_rows", "copied_job"]

    @property
    def whole_job(self) -> bool:
        """Whether nothing of the job is to be relied upon."""
        return self.kind in ("two_in_job", "copied_job")


@dataclass(frozen=True)
class ResumedRow:
    """A row of a sheet that goes on with a run after a later one of the job had begun (resumed.py).

    Parameters
    ----------
    job : str
    run, row : int
        The row counts from the heading, row 1.
    """

    job: str
    run: int
    row: int


@dataclass(frozen=True)
class Singles:
    """The single readings of a run as entered, before repeats are averaged.

    A limit is one of every reading: two readings of 1.9 at opposite phases have a mean of
    nothing, and are two readings of 1.9.

    Parameters
    ----------
    vibration : ndarray, shape (R, S)
        Largest amplitude read; nan where not read.
    spread : ndarray, shape (R,)
        Largest distance between two tips of one row, of the tips that were read, whether the row
        has them all or not, and whether the regime takes heights or not; nan where no row has two.
    tips : ndarray of int, shape (R,)
        Most tips given in one row.
    converted : ndarray of bool, shape (R, S)
        Where a reading would be another had it been converted from its unit at the regime's usual speed.
    rpm_low, rpm_high : ndarray, shape (R,)
        Slowest and fastest row; nan where the regime was not run.
    at_usual : ndarray, shape (R, S)
        Largest amplitude, had all been converted at the regime's usual speed.
    line : ndarray of int, shape (R,)
        Line of the sheet on which the row stands whose speed is farthest from the usual; 0 where there is none.
    """

    vibration: Reals
    spread: Reals
    tips: Counts
    converted: NDArray[np.bool_]
    rpm_low: Reals
    rpm_high: Reals
    at_usual: Reals
    line: Counts


@dataclass(frozen=True, repr=False)
class Run(Summarised):
    """One run: the mean of the readings of each regime, and their scatter.

    Parameters
    ----------
    vibration : ndarray of complex, shape (R, S)
        Mean phasor of the repeated readings.
    height : ndarray, shape (R, B)
        Mean over the complete rows of heights.
    vibration_count, height_count : ndarray of int, shape (R, S) and (R,)
        Readings averaged; 0 where not read.
    vibration_squares : ndarray, shape (R, S)
        Sum over the repeats of |reading - mean|^2 (both parts together).
    height_squares : ndarray, shape (R,)
        Sum over the repeats and blades of (height - mean)^2.
    height_taken : ndarray of bool, shape (R, B)
        Tips for which any height was given, complete row or not.
    rpm : ndarray, shape (R,)
        Mean rotor speed of the regime's rows; nan where the regime was not run.
    notes, info : tuple of (regime, text), tuple of (regime, heading, text)
        Kept as written.
    source : str
        Where the readings came from, for messages.
    odd : tuple of OddRepeat
        Repeats that contradict one another.
    entered : Singles or None
        The single readings; None where the means are all there is.

    Raises
    ------
    ValueError
        If shapes do not go together, or a reading that is counted is not finite.
    """

    vibration: Complexes
    height: Reals
    vibration_count: Counts
    height_count: Counts
    vibration_squares: Reals
    height_squares: Reals
    height_taken: NDArray[np.bool_]
    rpm: Reals
    notes: tuple[tuple[str, str], ...] = ()
    info: tuple[tuple[str, str, str], ...] = ()
    source: str = ""
    odd: tuple[OddRepeat, ...] = ()
    entered: Singles | None = None

    @property
    def single(self) -> Singles:
        """The single readings as entered; the means themselves where nothing else is known."""
        if self.entered is not None:
            return self.entered
        none = np.zeros(self.vibration.shape, dtype=bool)
        tips = self.height_taken.sum(axis=1)
        size = np.abs(self.vibration)
        return Singles(size, self.spread, tips, none, self.rpm, self.rpm, size, np.zeros(len(tips), dtype=int))

    def __post_init__(self) -> None:
        """Check shapes, and that what is counted as read is finite."""
        (regimes, _), blades = self.vibration.shape, self.height.shape[-1]
        for name in ("vibration_count", "vibration_squares"):
            check_shape(name, getattr(self, name), self.vibration.shape)
        for name in ("height", "height_taken"):
            check_shape(name, getattr(self, name), (regimes, blades))
        for name in ("height_count", "height_squares", "rpm"):
            check_shape(name, getattr(self, name), (regimes,))
        check_finite("vibration", self.vibration, self.vibration_count > 0)
        check_finite("height", self.height, self.height_count[:, None] > 0)

    def summary(self) -> dict[str, object]:
        """Return how much was read, and where it came from."""
        return {
            "regimes read": int(self.regime_read.sum()),
            "vibration readings": int(self.vibration_read.sum()),
            "heights": int(self.height_read.sum()),
            "source": self.source,
        }

    def to_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the vibration readings as a table by regime and sensor; see `vibration_frame`."""
        return vibration_frame(rotor, self, ([], [()]))

    def height_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the tip heights as a table by regime and blade; see `trackbal.runs.frames.height_frame`."""
        return height_frame(rotor, self, ([], [()]))

    @property
    def vibration_read(self) -> NDArray[np.bool_]:
        """Which vibration readings were taken, shape (R, S)."""
        return self.vibration_count > 0

    @property
    def height_read(self) -> NDArray[np.bool_]:
        """Which regimes have the height of every tip, shape (R,)."""
        return self.height_count > 0

    @property
    def regime_read(self) -> NDArray[np.bool_]:
        """Regimes in which anything counts: a vibration reading or all heights, shape (R,)."""
        return self.vibration_read.any(axis=1) | self.height_read

    @property
    def spread(self) -> Reals:
        """Highest minus lowest tip of each regime, shape (R,); nan where not read."""
        spread: Reals = np.ptp(self.height, axis=1)
        return spread


@dataclass(frozen=True, repr=False)
class History(Summarised):
    """Past runs, sorted by job and by run within the job.

    Parameters
    ----------
    jobs : tuple of str
        Names of the J jobs.
    job : ndarray of int, shape (n,)
        Index into `jobs` of each run, never falling.
    run : ndarray of int, shape (n,)
        Number of the run within its job, 1, 2, 3 ...
    vibration, vibration_count, vibration_squares : ndarray, shape (n, R, S)
    height : ndarray, shape (n, R, B)
    height_count, height_squares : ndarray, shape (n, R)
        As in Run.
    change : ndarray, shape (n, A, B)
        Adjustments made since the job's first run, summed, in the adjusters' units.
    aircraft : tuple of str, optional
        Whose runs each of the J jobs holds; left out, each job is its own aircraft, by the job's name.
    date : ndarray of datetime64[s], shape (n,), optional
        When each run was made (UTC where a zone was given); NaT where not said.
    groups : tuple of str, optional
        Names of G ways to sort runs: configuration, season, base.
    group : ndarray of str objects, shape (n, G), optional
        To what each run belongs; "" where not said.
    odd : tuple of OddRepeat
        Repeats that contradict one another, and copies; but for copied rows they are in the means (without_odd in
        repeats.py leaves them out).
    resumed : tuple of ResumedRow
        Rows of the sheet that go on with a run after a later one of the job had begun.

    Raises
    ------
    ValueError
        If shapes do not go together, aircraft and jobs differ in number, or what is counted as read or was
        changed is not finite.
    """

    jobs: tuple[str, ...]
    job: Counts
    run: Counts
    vibration: Complexes
    vibration_count: Counts
    vibration_squares: Reals
    height: Reals
    height_count: Counts
    height_squares: Reals
    change: Reals
    source: str = field(default="", compare=False)
    aircraft: tuple[str, ...] = ()
    date: Dates = field(default_factory=lambda: np.empty(0, dtype="datetime64[s]"))
    groups: tuple[str, ...] = ()
    group: Texts = field(default_factory=lambda: np.empty((0, 0), dtype=object))
    odd: tuple[OddRepeat, ...] = field(default=(), compare=False)
    resumed: tuple[ResumedRow, ...] = field(default=(), compare=False)

    #: What reads two sheets, set by sheets.py, which knows this class.
    _read: ClassVar[Callable[[Rotor, CsvTable, CsvTable], History]]

    def __post_init__(self) -> None:
        """Fill in what was left out; check shapes, and that what is counted as read is finite."""
        self._check()
        fill = object.__setattr__  # the class is frozen to others
        if not self.aircraft:
            fill(self, "aircraft", self.jobs)
        if len(self.aircraft) != len(self.jobs):
            raise ValueError(f"{len(self.aircraft)} aircraft named for {len(self.jobs)} jobs: one for each")
        runs = len(self.run)
        if not len(self.date):
            fill(self, "date", np.full(runs, "NaT", dtype="datetime64[s]"))
        if not self.groups:
            fill(self, "group", np.empty((runs, 0), dtype=object))

    def _check(self) -> None:
        (runs, regimes, _), blades = self.vibration.shape, self.height.shape[-1]
        for name in ("vibration_count", "vibration_squares"):
            check_shape(name, getattr(self, name), self.vibration.shape)
        check_shape("height", self.height, (runs, regimes, blades))
        for name in ("height_count", "height_squares"):
            check_shape(name, getattr(self, name), (runs, regimes))
        for name in ("job", "run"):
            check_shape(name, getattr(self, name), (runs,))
        check_shape("change", self.change, (runs, self.change.shape[1], blades))
        check_finite("change", self.change)
        check_finite("vibration", self.vibration, self.vibration_count > 0)
        check_finite("height", self.height, self.height_count[..., None] > 0)

    @classmethod
    def from_frame(cls, rotor: Rotor, runs: pd.DataFrame, adjustments: pd.DataFrame) -> History:
        """Return the history of two frames with the headings of the sheets, as columns or index.

        Parameters
        ----------
        runs : DataFrame
            As a history sheet: job, run, regime, <sensor>.amp ...; a missing value was not read.
        adjustments : DataFrame
            As its adjustments sheet: job, after_run, blade, adjuster, amount.

        Raises
        ------
        InputError
            As for the sheets; rows are counted as there, the first being row 2.
        """
        return cls._read(rotor, table_of_frame(runs, "runs"), table_of_frame(adjustments, "adjustments"))

    def to_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the vibration readings as a table by job, run, regime and sensor; see `vibration_frame`."""
        return vibration_frame(rotor, self, (["job", "run"], self._keys))

    def height_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the tip heights as a table by job, run, regime and blade; see `trackbal.runs.frames.height_frame`."""
        return height_frame(rotor, self, (["job", "run"], self._keys))

    def change_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return what was changed since each job's first run, by job, run, blade and adjuster; zeros left out."""
        return change_frame(rotor, self.change, (["job", "run"], self._keys), "change")

    def whose_frame(self) -> pd.DataFrame:
        """Return aircraft, date and groups of every run, by job and run."""
        import pandas as pd

        index = pd.MultiIndex.from_tuples(self._keys, names=["job", "run"])
        whose = {"aircraft": [self.aircraft[j] for j in self.job.tolist()], "date": self.date}
        return pd.DataFrame({**whose, **dict(zip(self.groups, self.group.T, strict=True))}, index=index)

    @property
    def _keys(self) -> list[tuple[Any, ...]]:
        return [(self.jobs[j], n) for j, n in zip(self.job.tolist(), self.run.tolist(), strict=True)]

    def summary(self) -> dict[str, object]:
        """Return how much there is, and where it came from."""
        dated = self.date[~np.isnat(self.date)]
        return {
            "jobs": len(np.unique(self.job)),
            "aircraft": len(set(self.aircraft)),
            "runs": len(self.run),
            "readings": int((self.vibration_count > 0).sum() + (self.height_count > 0).sum()),
            "dates": f"{dated.min()} to {dated.max()}" if len(dated) else "none",
            "groups": ", ".join(self.groups) or "none",
            "repeats that disagree, copies": len(self.odd),
            "rows that resume a run": len(self.resumed),
            "source": self.source,
        }

    @property
    def aircraft_of_job(self) -> Counts:
        """The aircraft of each job, by number in the order of their first jobs, shape (J,)."""
        number = {name: i for i, name in enumerate(dict.fromkeys(self.aircraft))}
        return np.array([number[name] for name in self.aircraft], dtype=int)

    def of_runs(self, rows: Counts) -> History:
        """Return some of the runs, by growing index, shape (K,); names and numbers of jobs stay."""
        apart = ("jobs", "source", "aircraft", "groups", "odd", "resumed")
        names = [f.name for f in fields(self) if f.name not in apart]
        return replace(self, **{name: getattr(self, name)[rows] for name in names})

    def of_jobs(self, chosen: Counts) -> History:
        """Return some of the jobs, by growing index, shape (K,), numbered anew."""
        part = self.of_runs(np.flatnonzero(np.isin(self.job, chosen)))
        jobs, aircraft = (tuple(names[j] for j in chosen) for names in (self.jobs, self.aircraft))
        return replace(part, jobs=jobs, aircraft=aircraft, job=np.searchsorted(chosen, part.job))
