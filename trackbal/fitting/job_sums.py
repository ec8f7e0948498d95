"""The sums of a fleet's jobs: all a fit needs of them, whatever the number of runs; kept in a file.

A job of any length comes down to a few hundred numbers (job_statistics.py). They add up by
being put side by side, so that a month of new jobs joins years of old ones without the old
sheets.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from os import PathLike
from typing import Any

import numpy as np

from trackbal.aircraft.job_runs import JobRuns
from trackbal.base.covariance import Matrix
from trackbal.base.errors import InputError
from trackbal.base.files import read_bytes, write_whole
from trackbal.base.sampling import evenly_spaced
from trackbal.estimate.job_sample import MOST_JOBS, sample_jobs
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells
from trackbal.records.robust import Record
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run

SCHEMA = 5
LARGEST_FILE = 1024**3  # bytes
_RUN_FIELDS = (
    "vibration",
    "height",
    "vibration_count",
    "height_count",
    "vibration_squares",
    "height_squares",
    "height_taken",
    "rpm",
)


Span = tuple[str, str]


@dataclass(frozen=True)
class JobSums:
    """What a fit needs of the jobs of a fleet.

    Parameters
    ----------
    rotor : Rotor
    jobs : tuple of str
        Names of the jobs; a job parted in two (set_aside.py) is named once.
    runs : int
    vibration_statistics, height_statistics : list of CellStatistics
        R * S and R of them. Cells that see the same changes share arrays.
    largest_change : ndarray, shape (A,)
    sample : tuple of JobRuns
        First runs of some jobs (job_sample.py).
    aircraft : tuple of str
        Whose job each row of the statistics is; a job parted in two has two rows.
    set_aside : tuple of Record
        What is not relied upon; already left out of the sums.
    largest_single : ndarray, shape (A,)
        The largest change made at once with each adjuster on one blade, as recorded.
    dates : tuple of str, or None
        First and last day of the runs, ISO 8601; None where no run is dated.
    """

    rotor: Rotor
    jobs: tuple[str, ...]
    runs: int
    vibration_statistics: list[CellStatistics]
    height_statistics: list[CellStatistics]
    largest_change: Reals
    sample: tuple[JobRuns, ...]
    aircraft: tuple[str, ...]
    set_aside: tuple[Record, ...]
    largest_single: Reals
    dates: Span | None

    @classmethod
    def of(cls, cells: HistoryCells, history: History | None = None, set_aside: tuple[Record, ...] = ()) -> JobSums:
        """Return the sums of the cells of a history; `history` as recorded, where records were set aside."""
        recorded = cells.history if history is None else history
        made = np.diff(recorded.change, axis=0)[np.diff(recorded.job) == 0]
        return cls(
            cells.rotor,
            tuple(recorded.jobs[j] for j in np.unique(recorded.job).tolist()),
            len(recorded.run),
            cells.vibration_statistics,
            cells.height_statistics,
            cells.largest_change,
            tuple(sample_jobs(cells.history)),
            cells.aircraft,
            set_aside,
            np.abs(made).max(axis=(0, 2), initial=0.0),
            days_of(recorded),
        )

    @classmethod
    def joined(cls, parts: Sequence[JobSums]) -> JobSums:
        """Return the sums of several parts of a fleet, which must not share jobs."""
        first = parts[0]
        sample = [job for part in parts for job in part.sample]
        return cls(
            first.rotor,
            tuple(job for part in parts for job in part.jobs),
            sum(part.runs for part in parts),
            _joined([part.vibration_statistics for part in parts]),
            _joined([part.height_statistics for part in parts]),
            np.max([part.largest_change for part in parts], axis=0),
            tuple(sample[i] for i in evenly_spaced(len(sample), MOST_JOBS).tolist()),
            tuple(name for part in parts for name in part.aircraft),
            tuple(record for part in parts for record in part.set_aside),
            np.max([part.largest_single for part in parts], axis=0),
            spanned([part.dates for part in parts]),
        )

    def save(self, file: str | PathLike[str], *, force: bool) -> None:
        """Write the sums whole or not at all. Raises FileExists or InputError as write_whole."""
        write_whole(file, self.content(), force=force)

    def content(self) -> bytes:
        """Return what a file of the sums holds."""
        head = {
            "schema": SCHEMA,
            "kept": _kept(self.rotor),
            "runs": self.runs,
            "dates": self.dates,
            "set_aside": [asdict(record) for record in self.set_aside],
        }
        arrays: dict[str, Any] = {
            "head": np.array(json.dumps(head)),
            "jobs": np.array(self.jobs, dtype=np.str_),
            "aircraft": np.array(self.aircraft, dtype=np.str_),
            "largest_change": self.largest_change,
            "largest_single": self.largest_single,
        }
        arrays["sample_runs"] = np.array([len(job.runs) for job in self.sample], dtype=int)
        shape = len(self.rotor.adjusters), len(self.rotor.blades)
        arrays["sample_change"] = np.concatenate([np.zeros((0, *shape)), *(job.change for job in self.sample)])
        for name in _RUN_FIELDS:
            arrays[f"sample_{name}"] = np.array([getattr(run, name) for job in self.sample for run in job.runs])
        for family, cells in (("v", self.vibration_statistics), ("h", self.height_statistics)):
            arrays |= _as_arrays(family, cells)
        stream = io.BytesIO()
        np.savez(stream, **arrays)
        content = stream.getvalue()
        return content + _mark(content)

    @classmethod
    def load(cls, file: str | PathLike[str], rotor: Rotor) -> JobSums:
        """Read sums that were kept. Raises InputError if they cannot be read or belong to another rotor."""
        try:
            with np.load(io.BytesIO(_unmarked(file)), allow_pickle=False) as arrays:
                head = json.loads(str(arrays["head"]))
                if head.get("schema") != SCHEMA:
                    raise InputError(file, head.get("schema"), f"sums of schema {SCHEMA}", column="schema")
                if head["kept"] != _kept(rotor):
                    raise InputError(file, "sums of another rotor", "those kept with this rotor file")
                return cls(
                    rotor,
                    tuple(arrays["jobs"].tolist()),
                    int(head["runs"]),
                    _as_cells("v", arrays, len(rotor.regimes) * len(rotor.sensors)),
                    _as_cells("h", arrays, len(rotor.regimes)),
                    arrays["largest_change"],
                    _sample(arrays),
                    tuple(arrays["aircraft"].tolist()),
                    tuple(Record(**record | {"sensors": tuple(record["sensors"])}) for record in head["set_aside"]),
                    arrays["largest_single"],
                    spanned([head["dates"]]),
                )
        except OSError as error:
            raise InputError(file, error.strerror or str(error), "sums kept by trackbal fit --keep") from None
        except (ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(file, "something else", "sums kept by trackbal fit --keep") from None


_MARK = b"trackbal sums sha256 "  # followed by the hash of all that stands before it; zip readers pass it over


def _mark(content: bytes) -> bytes:
    return _MARK + hashlib.sha256(content).digest()


def _unmarked(file: str | PathLike[str]) -> bytes:
    """Return the content of a file of sums. Raises InputError where it is not what was written."""
    data = read_bytes(file, "sums kept by trackbal fit --keep", LARGEST_FILE)
    content = data[: -len(_mark(b""))]
    if data[len(content) :] != _mark(content):
        found = "damaged or foreign sums" if _MARK in data else "sums without a checksum"
        raise InputError(file, found, "sums as trackbal fit --keep wrote them; keep them again from the sheets")
    return content


def _kept(rotor: Rotor) -> dict[str, Any]:
    """Return what of a rotor its sums depend upon."""
    return {
        "rotor": rotor.name,
        "blades": list(rotor.blades),
        "azimuth_deg": rotor.azimuth_deg.tolist(),
        "sensors": [[s.name, s.unit, s.harmonic] for s in rotor.sensors],
        "regimes": [[r.name, r.heights] for r in rotor.regimes],
        "adjusters": [[a.name, a.unit] for a in rotor.adjusters],
        "height_unit": rotor.height_unit,
    }


def _joined(parts: Sequence[list[CellStatistics]]) -> list[CellStatistics]:
    """Return cells with the jobs of all parts; cells that share an array in every part share the joined one."""
    shared = _Shared()
    return [
        CellStatistics(
            gram=shared.joined([part[c].gram for part in parts]),
            moment=np.concatenate([part[c].moment for part in parts]),
            squares=np.concatenate([part[c].squares for part in parts]),
            dof=shared.joined([part[c].dof for part in parts]),
            runs=shared.joined([part[c].runs for part in parts]),
            repeat_squares=sum(part[c].repeat_squares for part in parts),
            repeat_dof=sum(part[c].repeat_dof for part in parts),
        )
        for c in range(len(parts[0]))
    ]


class _Shared:
    """Joins arrays once for all cells that hold the same ones."""

    def __init__(self) -> None:
        self.found: dict[tuple[int, ...], Matrix] = {}

    def joined(self, arrays: Sequence[Matrix]) -> Matrix:
        key = tuple(map(id, arrays))
        if key not in self.found:
            self.found[key] = np.concatenate(arrays)
        return self.found[key]


def _as_arrays(family: str, cells: Sequence[CellStatistics]) -> dict[str, Any]:
    """Return cells as arrays by name; those that cells share are written once, with the place they stand at."""
    arrays: dict[str, Any] = {}
    for name in ("gram", "dof", "runs"):
        different: dict[int, int] = {}
        place = []
        for cell in cells:
            value = getattr(cell, name)
            if id(value) not in different:
                different[id(value)] = len(different)
                arrays[f"{family}_{name}_{different[id(value)]}"] = value
            place.append(different[id(value)])
        arrays[f"{family}_{name}_place"] = np.array(place)
    for c, cell in enumerate(cells):
        arrays[f"{family}_moment_{c}"], arrays[f"{family}_squares_{c}"] = cell.moment, cell.squares
    arrays[f"{family}_repeats"] = np.array([[cell.repeat_squares, cell.repeat_dof] for cell in cells])
    return arrays


def _sample(arrays: Any) -> tuple[JobRuns, ...]:
    fields = [arrays[f"sample_{name}"] for name in _RUN_FIELDS]
    runs = [Run(**dict(zip(_RUN_FIELDS, values, strict=True))) for values in zip(*fields, strict=True)]
    change, ends = arrays["sample_change"], np.cumsum(arrays["sample_runs"]).tolist()
    return tuple(JobRuns(runs[a:b], change[a:b]) for a, b in pairwise([0, *ends]))


def _as_cells(family: str, arrays: Any, number: int) -> list[CellStatistics]:
    whole: dict[str, Any] = {}

    def shared(name: str, c: int) -> Any:
        key = f"{family}_{name}_{int(arrays[f'{family}_{name}_place'][c])}"
        if key not in whole:
            whole[key] = arrays[key]
        return whole[key]

    repeats = arrays[f"{family}_repeats"]
    return [
        CellStatistics(
            gram=shared("gram", c),
            moment=arrays[f"{family}_moment_{c}"],
            squares=arrays[f"{family}_squares_{c}"],
            dof=shared("dof", c),
            runs=shared("runs", c),
            repeat_squares=float(repeats[c, 0]),
            repeat_dof=float(repeats[c, 1]),
        )
        for c in range(number)
    ]


def days_of(history: History) -> Span | None:
    """Return the first and the last day of a history's runs, ISO 8601; None where no run is dated."""
    dated = history.date[~np.isnat(history.date)]
    return (str(dated.min())[:10], str(dated.max())[:10]) if len(dated) else None


def spanned(spans: Sequence[Any]) -> Span | None:
    """Return the first and the last day of several spans; what is not two texts, as of a file by hand, is none."""
    dated = [span for span in spans if isinstance(span, list | tuple) and [type(day) for day in span] == [str, str]]
    days = [day for span in dated for day in span]
    return (min(days), max(days)) if days else None


def refuse_known_jobs(known: frozenset[str], jobs: Sequence[str], source: str, where: str = "the kept sums") -> None:
    """Raise InputError if a job is already among what is kept: it would count twice."""
    again = known.intersection(jobs)
    if again:
        raise InputError(source, min(again), f"jobs that {where} do not hold yet", column="job")
