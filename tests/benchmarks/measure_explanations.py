"""How often a recording mistake is noticed and named, and how often a clean run is called surprising.

Every figure comes from virtual aircraft (trackbal.virtual), whose physics trackbal's own
model does not share. The influence is fitted to a simulated fleet's past; every job is one
further aircraft: first run, the best three adjustments made with their setting errors, second run,
and one mistake in what is written down. A history of twelve jobs is lucky or not, and all aircraft judged
by it with it: every few aircraft a new history is drawn.

    python tests/benchmarks/measure_explanations.py clean [histories] [aircraft of each] [seed]
    python tests/benchmarks/measure_explanations.py mistakes [histories] [aircraft of each] [seed]

print the tables of docs/logbook_evidence.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from scipy import stats

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import ALARM, surprise
from trackbal.base.phasor import VIBRATION_UNITS, unit_factor
from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.plan.quadratic import build_quadratic
from trackbal.records.explanations import explain
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run
from trackbal.search.search import search
from trackbal.virtual import Aircraft, VirtualType

TYPES = ("main3", "main4", "main5", "main7", "tail2", "uneven4")
FLEET_JOBS, FLEET_RUNS = 12, 4
MOST_STEPS = 10

#: A mistake: rotor, the true job, rng -> what is written down, or None where it cannot be made.
Spoil = Callable[[Rotor, JobArrays, np.random.Generator], JobArrays | None]


def random_change(rotor: Rotor, setting: Reals, rng: np.random.Generator, items: int = 3) -> Reals:
    """Return a random feasible change, shape (A, B), of a few items."""
    change = np.zeros(setting.shape)
    low, high = rotor.step_bounds(setting)
    for _ in range(items):
        a, b = int(rng.integers(change.shape[0])), int(rng.integers(change.shape[1]))
        steps = rng.integers(max(low[a, b], -MOST_STEPS), min(high[a, b], MOST_STEPS) + 1)
        change[a, b] = rotor.adjusters[a].step * steps
    return change


def fleet_influence(kind: VirtualType, rng: np.random.Generator, first: int = 10_000) -> Influence:
    """Return the influence fitted to a simulated fleet's past jobs; `first`: number of the first of its aircraft."""
    runs, change, job = [], [], []
    for j in range(FLEET_JOBS):
        aircraft = kind.aircraft(first + j)
        total = np.zeros_like(aircraft.setting)
        for k in range(FLEET_RUNS):
            if k:
                made = random_change(kind.rotor, aircraft.setting, rng)
                aircraft, total = aircraft.adjust(made, rng), total + made
            runs.append(aircraft.fly(rng))
            change.append(total)
            job.append(j)
    history = History(
        jobs=tuple(f"fleet-{j}" for j in range(FLEET_JOBS)),
        job=np.array(job),
        run=np.tile(np.arange(1, FLEET_RUNS + 1), FLEET_JOBS),
        vibration=np.array([r.vibration for r in runs]),
        vibration_count=np.array([r.vibration_count for r in runs]),
        vibration_squares=np.array([r.vibration_squares for r in runs]),
        height=np.array([r.height for r in runs]),
        height_count=np.array([r.height_count for r in runs]),
        height_squares=np.array([r.height_squares for r in runs]),
        change=np.array(change),
    )
    return fit(kind.rotor, history).influence


def best_of_three(rotor: Rotor, run: Run, influence: Influence, setting: Reals) -> Reals:
    """Return the plan of at most three adjustments with the least expected cost, shape (A, B)."""
    quadratic = build_quadratic(rotor, run, influence)
    low, high = (bound.ravel() for bound in rotor.step_bounds(setting))
    group = np.repeat(np.arange(setting.shape[0]), setting.shape[1])
    quad = quadratic.quad + quadratic.quad_spread
    found = search(quad, quadratic.lin, quadratic.constant, low, high, group, 3)
    return found[-1].x.reshape(setting.shape) * np.array([a.step for a in rotor.adjusters])[:, None]


def true_job(
    kind: VirtualType, influence: Influence, aircraft: Aircraft, rng: np.random.Generator, runs: int
) -> tuple[JobArrays, Reals]:
    """Return a job as it truly went, and what was installed before the last adjustments."""
    flown, change = [aircraft.fly(rng)], [np.zeros_like(aircraft.setting)]
    for _ in range(runs - 1):
        setting = aircraft.setting
        made = best_of_three(kind.rotor, flown[-1], influence, setting)
        if not made.any():
            made = random_change(kind.rotor, setting, rng, 2)
        aircraft = aircraft.adjust(made, rng)
        change.append(change[-1] + made)
        flown.append(aircraft.fly(rng))
    return JobArrays.of(flown, np.array(change)), setting


# ------------------------------------------------------------------------------ mistakes in what is written


def _recorded(job: JobArrays, change: Reals) -> JobArrays:
    total = job.change.copy()
    total[-1] = total[-2] + change
    return replace(job, change=total)


def _item(job: JobArrays, rng: np.random.Generator) -> tuple[Reals, int, int]:
    made = job.change[-1] - job.change[-2]
    entries = np.argwhere(made)
    a, b = entries[rng.integers(len(entries))]
    return made.copy(), int(a), int(b)


def _times(factor: float) -> Spoil:
    def spoil(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
        made, a, b = _item(job, rng)
        made[a, b] *= factor
        return _recorded(job, made)

    return spoil


def _recorded_though_not_done(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays | None:
    made, _, _ = _item(job, rng)
    free = np.argwhere(made == 0.0)
    a, b = free[rng.integers(len(free))]
    made[a, b] = rotor.adjusters[a].step * rng.integers(3, 7) * rng.choice([-1, 1])
    return _recorded(job, made)


def _on_neighbour(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays | None:
    made, a, b = _item(job, rng)
    amount, made[a, b] = made[a, b], 0.0
    side = (b + rng.choice([-1, 1])) % made.shape[1]
    if made[a, side]:
        return None  # two entries for one adjuster and blade would have been refused
    made[a, side] = amount
    return _recorded(job, made)


def _on_other_adjuster(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays | None:
    made, a, b = _item(job, rng)
    others = [c for c in range(len(rotor.adjusters)) if c != a and made[c, b] == 0.0]
    if not others:
        return None
    c = others[rng.integers(len(others))]
    made[c, b], made[a, b] = made[a, b] / rotor.adjusters[a].step * rotor.adjusters[c].step, 0.0
    return _recorded(job, made)


def _numbering_of_adjustments(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
    made = job.change[-1] - job.change[-2]
    return _recorded(job, np.roll(made, rng.integers(1, made.shape[1]), axis=1))


def _half_turn(t: int) -> Spoil:
    def spoil(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
        vibration = job.vibration.copy()
        vibration[t, :, rng.integers(vibration.shape[2])] *= -1.0
        return replace(job, vibration=vibration)

    return spoil


def _phase_sense(t: int) -> Spoil:
    def spoil(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
        vibration = job.vibration.copy()
        s = rng.integers(vibration.shape[2])
        vibration[t, :, s] = vibration[t, :, s].conj()
        return replace(job, vibration=vibration)

    return spoil


def _phase_sense_always(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
    return replace(job, vibration=job.vibration.conj())


def _unit(t: int) -> Spoil:
    def spoil(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
        vibration = job.vibration.copy()
        s = int(rng.integers(vibration.shape[2]))
        sensor = rotor.sensors[s]
        read_in = [unit for unit in VIBRATION_UNITS if unit != sensor.unit]
        unit = read_in[rng.integers(len(read_in))]
        vibration[t, :, s] *= abs(unit_factor(sensor.unit, unit, sensor.harmonic * rotor.rpm / 60.0))
        return replace(job, vibration=vibration)

    return spoil


def _height_unit(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays | None:
    if not job.height_count[-1].any():
        return None
    height = job.height.copy()
    height[-1] *= 25.4 if rotor.height_unit == "in" else 1.0 / 25.4
    return replace(job, height=height)


def _numbering_of_readings(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
    k = int(rng.integers(1, len(rotor.blades)))
    vibration, height = job.vibration.copy(), job.height.copy()
    vibration[-1] *= np.exp(1j * rotor.harmonics * np.deg2rad(rotor.azimuth_deg[k]))
    height[-1] = np.roll(height[-1], -k, axis=-1)
    return replace(job, vibration=vibration, height=height)


def _one_decimal(rotor: Rotor, job: JobArrays, rng: np.random.Generator) -> JobArrays:
    vibration = job.vibration.copy()
    r, s = rng.integers(vibration.shape[1]), rng.integers(vibration.shape[2])
    vibration[-1, r, s] *= rng.choice([10.0, 0.1])
    return replace(job, vibration=vibration)


UNRECORDED = "adjustment advised and done but not recorded"
MISTAKES: dict[str, Spoil] = {
    "adjustment with the wrong sign": _times(-1.0),
    UNRECORDED: _times(0.0),
    "adjustment recorded but not done": _recorded_though_not_done,
    "adjustment recorded doubled": _times(2.0),
    "adjustment recorded halved": _times(0.5),
    "adjustment recorded on the neighbouring blade": _on_neighbour,
    "adjustment recorded on another adjuster": _on_other_adjuster,
    "adjustments recorded with the numbering shifted": _numbering_of_adjustments,
    "one sensor's phase off by 180 degrees, first run": _half_turn(0),
    "one sensor's phase off by 180 degrees, second run": _half_turn(1),
    "one sensor's phase in the other sense, first run": _phase_sense(0),
    "one sensor's phase in the other sense, second run": _phase_sense(1),
    "all phases in the other sense, in both runs": _phase_sense_always,
    "one sensor in another unit, first run": _unit(0),
    "one sensor in another unit, second run": _unit(1),
    "heights in another unit": _height_unit,
    "readings counted from another blade": _numbering_of_readings,
    "one amplitude with a slipped decimal point": _one_decimal,
}


def _is_true(truth: JobArrays, supposed: JobArrays) -> bool:
    """Return whether a supposed record is the true one."""
    return all(
        np.allclose(getattr(truth, name), getattr(supposed, name), rtol=1e-6, atol=1e-9, equal_nan=True)
        for name in ("vibration", "height", "change")
    )


def _same_but_run(one: str, other: str) -> bool:
    """Return whether two explanations say the same of the same run or of different ones."""
    return one.rsplit(" in ", 1)[0] == other.rsplit(" in ", 1)[0]


def _histories(name: str, histories: int, seed: int) -> Iterator[tuple[VirtualType, Influence, np.random.Generator]]:
    """Yield a type, what each of its histories says, and random numbers for aircraft judged by it."""
    kind = VirtualType.shipped(name)
    for h in range(histories):
        rng = np.random.default_rng([seed, TYPES.index(name), h])
        yield kind, fleet_influence(kind, rng, int(rng.integers(10**6, 10**9))), rng


def measure_clean(histories: int, aircraft: int, seed: int) -> None:
    """Print how p falls on runs recorded without mistake, and how often one is called surprising."""
    print("| rotor | runs | by p, in fifths | chance of fifths so uneven | below 0.01 | called surprising |")
    print("|---|---|---|---|---|---|")
    every: list[list[list[float]]] = []
    for name in TYPES:
        found: list[list[list[float]]] = []
        for kind, influence, rng in _histories(name, histories, seed):
            of_history = []
            for _ in range(aircraft):
                one = kind.aircraft(int(rng.integers(10**9)), float(rng.uniform(0.5, 1.5)))
                job, _ = true_job(kind, influence, one, rng, 3)
                seen = [surprise(kind.rotor, job.first(n), influence) for n in (2, 3)]
                of_history.append([run.p for run in seen if run is not None])
            found.append(of_history)
        _clean_row(name, np.array(found))
        every += found
    _clean_row("all", np.array(every))


def _clean_row(name: str, p: Reals) -> None:
    """Print a row of p, shape (histories, aircraft, runs).

    What is drawn by chance is a history with all that is judged by it, so the evenness of the fifths is judged by how
    their parts vary from history to history: Hotelling's T^2 of the first four (Ann. Math. Stat. 2, 1931).
    """
    by_history = np.array([np.histogram(one, 5, (0.0, 1.0))[0] for one in p])
    off = (by_history / p[0].size - 0.2)[:, :4]
    count, parts = off.shape
    mean = off.mean(axis=0)
    squared = count * mean @ np.linalg.solve(np.cov(off.T), mean) if count > parts else np.nan
    chance = stats.f.sf(squared * (count - parts) / (parts * (count - 1.0)), parts, count - parts)
    told = " ".join(map(str, by_history.sum(axis=0)))
    print(f"| {name} | {p.size} | {told} | {chance:.3f} | {(p < 0.01).sum()} | {(p < ALARM).sum()} |", flush=True)


def measure_mistakes(histories: int, aircraft: int, seed: int) -> None:
    """Print how often each mistake is noticed and named."""
    counts = {name: np.zeros(7, dtype=int) for name in MISTAKES}
    for name in TYPES:
        for kind, influence, rng in _histories(name, histories, seed):
            for _ in range(aircraft):
                one = kind.aircraft(int(rng.integers(10**9)), float(rng.uniform(0.5, 1.5)))
                truth, setting = true_job(kind, influence, one, rng, 2)
                for what, spoil in MISTAKES.items():
                    written = spoil(kind.rotor, truth, rng)
                    if written is not None and not _is_true(truth, written):
                        counts[what] += _judged(kind.rotor, truth, written, influence, setting, what)
    columns = (
        "jobs | noticed | as a whole alone | true one first | first but for the run | among the first three | none"
    )
    print(f"| mistake | {columns} |")
    print("|---" * 8 + "|")
    for what, (made, noticed, whole, *parts) in [*counts.items(), ("all", sum(counts.values()))]:
        shares = " | ".join(f"{100.0 * n / max(noticed, 1):.0f} %" for n in parts)
        both = " | ".join(f"{100.0 * n / max(made, 1):.0f} %" for n in (noticed, whole))
        print(f"| {what} | {made} | {both} | {shares} |")


def _judged(
    rotor: Rotor, truth: JobArrays, written: JobArrays, influence: Influence, setting: Reals, what: str
) -> list[int]:
    """Return 1 or 0 for: made, noticed, noticed by all readings as a whole, and how the true one was listed."""
    seen = surprise(rotor, written, influence)
    whole = seen is not None and seen.p_as_whole < ALARM
    if seen is None or not seen.surprising:
        return [1, 0, whole, 0, 0, 0, 0]
    advised = truth.change[-1] if what == UNRECORDED else None
    found = explain(rotor, written, influence, advised, setting)
    right = [_is_true(truth, e.job) for e in found]
    named = any(r and _same_but_run(e.text, found[0].text) for r, e in zip(right, found, strict=True))
    return [1, 1, whole, right[:1] == [True], named, any(right[:3]), not found]


if __name__ == "__main__":
    which, *numbers = sys.argv[1:] or ["clean"]
    wanted = [int(n) for n in numbers] + [16, 8, 1][len(numbers) :]
    {"clean": measure_clean, "mistakes": measure_mistakes}[which](*wanted)
