"""How often a recording mistake is noticed and named, and how often a clean run is called surprising.

Every figure comes from virtual aircraft (trackbal.virtual), whose physics trackbal's own
model does not share. The influence is fitted to a simulated fleet's past; every job is one
further aircraft: first run, the best three adjustments made with their setting errors, second run,
and one mistake in what is written down.

    python tests/benchmarks/measure_explanations.py [jobs]

prints the tables of docs/logbook.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import surprise
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


def fleet_influence(kind: VirtualType, rng: np.random.Generator) -> Influence:
    """Return the influence fitted to a simulated fleet's past jobs."""
    runs, change, job = [], [], []
    for j in range(FLEET_JOBS):
        aircraft = kind.aircraft(10_000 + j)
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


def measure_clean(jobs: int) -> None:
    """Print how often a run recorded without mistake is called surprising."""
    print("| rotor | second runs | called surprising | third runs | called surprising |")
    print("|---|---|---|---|---|")
    total = np.zeros(2, dtype=int)
    for name in TYPES:
        kind, rng = VirtualType.shipped(name), np.random.default_rng(11)
        influence = fleet_influence(kind, rng)
        alarms = np.zeros(2, dtype=int)
        for k in range(jobs):
            for i, runs in enumerate((2, 3)):
                job, _ = true_job(kind, influence, kind.aircraft(k), rng, runs)
                seen = surprise(kind.rotor, job, influence)
                alarms[i] += seen is not None and seen.surprising
        total += alarms
        cells = [f"{jobs} | {n} ({100.0 * n / jobs:.1f} %)" for n in alarms]
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
    share = 100.0 * total / (jobs * len(TYPES))
    print(f"| all | {jobs * len(TYPES)} | {share[0]:.1f} % | {jobs * len(TYPES)} | {share[1]:.1f} % |")


def measure_mistakes(jobs: int) -> None:
    """Print how often each mistake is noticed and named."""
    counts = {name: np.zeros(6, dtype=int) for name in MISTAKES}
    for name in TYPES:
        kind, rng = VirtualType.shipped(name), np.random.default_rng(12)
        influence = fleet_influence(kind, rng)
        for k in range(jobs):
            truth, setting = true_job(kind, influence, kind.aircraft(5_000 + k), rng, 2)
            for what, spoil in MISTAKES.items():
                written = spoil(kind.rotor, truth, rng)
                if written is None or _is_true(truth, written):
                    continue
                seen = surprise(kind.rotor, written, influence)
                counts[what][0] += 1
                if seen is None or not seen.surprising:
                    continue
                advised = truth.change[-1] if what == UNRECORDED else None
                found = explain(kind.rotor, written, influence, advised, setting)
                right = [_is_true(truth, e.job) for e in found]
                named = any(r and _same_but_run(e.text, found[0].text) for r, e in zip(right, found, strict=True))
                counts[what] += [0, 1, right[:1] == [True], named, any(right[:3]), not found]
    print("| mistake | jobs | noticed | true one first | first but for the run | among the first three | none fits |")
    print("|---|---|---|---|---|---|---|")
    for what, (made, noticed, *parts) in [*counts.items(), ("all", sum(counts.values()))]:
        shares = " | ".join(f"{100.0 * n / max(noticed, 1):.0f} %" for n in parts)
        print(f"| {what} | {made} | {100.0 * noticed / max(made, 1):.0f} % | {shares} |")


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    measure_clean(wanted)
    print()
    measure_mistakes(max(wanted // 4, 1))
