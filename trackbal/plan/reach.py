"""What adjusters can do at all, and whether coefficients that are not known stand in the way.

A plan that leaves readings over their limits has one of two reasons: the adjusters are too
weak, which only work on the aircraft changes, or the influence of some of them is not known,
which a trial changes. To tell which, both are asked for the lowest worst reading they could
come to, whole steps and the number of adjustments left aside: what is known as it is, and
what is not known as favourable as could be (readings it acts upon are taken to be curable).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.phasor import blade_harmonic
from trackbal.check.review import Review, check_run
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Run
from trackbal.runs.words import chance_words

ROUGH = 0.5  # a coefficient uncertain by this part of itself is known roughly
EVEN = 0.5  # chance of a plan that takes as many runs as a trial first: 1 + 2 (1 - chance), against a trial and a plan
CURE = 0.5  # a plan must bring the worst reading below this part of today's, or inside

_ROUNDS, _SWEEPS, _SETTLED = 60, 40, 1e-4  # of Lawson's weights, of coordinate descent, and steps that settle it
_SURE = 1.05  # times what is enough: a bound beyond it is beyond it, whatever coordinate descent has left to do


@dataclass(frozen=True)
class Gap:
    """An adjuster that may be changed but whose influence on readings taken is not known.

    Parameters
    ----------
    adjuster : int
    regimes : tuple of int
        Regimes read in which it is not known.
    everywhere : bool
        It is not known in any regime, read or not.
    roughly : bool
        It is known there, but so roughly that plans cannot rely upon it.
    """

    adjuster: int
    regimes: tuple[int, ...]
    everywhere: bool
    roughly: bool = False


def gaps(rotor: Rotor, run: Run, influence: Influence, movable: Sequence[bool]) -> tuple[Gap, ...]:
    """Return what is not known of the adjusters that could be changed; `movable`: of each, whether there is room."""
    found = []
    for a in np.flatnonzero(movable).tolist():
        unknown = (influence.unknown_vibration[a] & run.vibration_read).any(axis=1)
        unknown |= influence.unknown_height[a] & run.height_read
        everywhere = (
            influence.unknown_vibration[a].all()
            and (influence.unknown_height[a] | np.array([not regime.heights for regime in rotor.regimes])).all()
        )
        if unknown.any():
            found.append(Gap(a, tuple(np.flatnonzero(unknown).tolist()), bool(everywhere)))
    return tuple(found)


def unknown_that_could_do(rotor: Rotor, run: Run, influence: Influence, setting: Reals) -> tuple[Gap, ...]:
    """Return what is not known of adjusters that have room, where knowing all of it might bring the readings inside."""
    low, high = open_bounds(rotor, run, setting)
    found = gaps(rotor, run, influence, [bool((high[a] > low[a]).any()) for a in range(len(high))])
    return found if found and _might(rotor, run, influence, low, high, found, 1.0) else ()


def missing_knowledge(
    rotor: Rotor, run: Run, influence: Influence, setting: Reals, now: float | None
) -> tuple[Gap, ...]:
    """Return what stands between the adjusters and the limits by not being known; empty if nothing does.

    Parameters
    ----------
    setting : ndarray, shape (A, B)
        What is installed.
    now : float or None
        Today's worst reading over its limit, where a plan that brings it below the part CURE of that would do
        too; None: only inside the limits will do.
    """
    low, high = open_bounds(rotor, run, setting)
    found = gaps(rotor, run, influence, [bool((high[a] > low[a]).any()) for a in range(len(high))])
    for enough in (1.0,) if now is None else (1.0, CURE * now):
        if enough >= 1.0 and knowing_more_would_do(rotor, run, influence, low, high, found, enough):
            return found
    first = influence.source.get("jobs") == 0  # no past jobs: what is known, a trial or two have told
    rough = roughly_known(rotor, run, influence, low, high) if now is not None and first else ()
    if rough and least_worst(rotor, run, influence, *_without(found, low, high)) <= max(1.0, CURE * (now or 0.0)):
        return (*found, *rough)
    return ()


def open_bounds(rotor: Rotor, run: Run, setting: Reals) -> tuple[Counts, Counts]:
    """Return the bounds in steps, (A, B) each, shut for adjusters that wait for other readings (`waiting`).

    `setting`, shape (A, B): what is installed, in the adjusters' units.
    """
    low, high = rotor.step_bounds(setting)
    for a in waiting(rotor, run, check_run(rotor, run)):
        low[a] = high[a] = 0
    return low, high


def waiting(rotor: Rotor, run: Run, review: Review) -> dict[int, str]:
    """Return the adjusters that may not be advised on before other readings are taken, or inside, and why."""
    read = {regime.name for regime, taken in zip(rotor.regimes, run.regime_read, strict=True) if taken}
    inside = read - {reading.regime for reading in review.readings if not reading.inside}
    found = {}
    for a, adjuster in enumerate(rotor.adjusters):
        if outside := [name for name in adjuster.inside_first if name not in inside]:
            found[a] = f"{' and '.join(outside)} must be read and inside first"
        elif adjuster.needs and not read & set(adjuster.needs):
            found[a] = f"it needs a reading in {' or '.join(adjuster.needs)}"
    return found


def roughly_known(rotor: Rotor, run: Run, influence: Influence, low: Counts, high: Counts) -> tuple[Gap, ...]:
    """Return the adjusters whose coefficients, over all readings taken, are uncertain by ROUGH of their size or more.

    As after a trial that was lost in the noise: plans shy away from what cannot be relied upon. Of the tips only where
    that is much beside all it does: nobody need know how little a weight lifts them.
    """
    read, tall = run.vibration_read, run.height_read
    variance = np.moveaxis(np.einsum("rsaa->rsa", influence.hermitian_cov()).real, -1, 0)
    tips = np.einsum("raa->ar", influence.height_cov)
    limit, spread = rotor.vibration_limit[read], rotor.height_limit[tall]
    found = []
    for a in np.flatnonzero((high > low).any(axis=1)).tolist():
        size, error = _mean_square(influence.alpha[a][read] / limit), _mean(variance[a][read] / limit**2)
        rise, doubt = _mean_square(influence.tau[a, tall] / spread), _mean(tips[a, tall] / spread**2)
        if error >= ROUGH**2 * size > 0.0 or doubt >= ROUGH**2 * max(rise, size) > 0.0:
            found.append(Gap(a, tuple(np.flatnonzero(run.regime_read).tolist()), everywhere=False, roughly=True))
    return tuple(found)


def _mean(values: Reals) -> float:
    return float(values.mean()) if values.size else 0.0


def _mean_square(values: Reals | Complexes) -> float:
    return _mean(np.abs(values) ** 2)


def _without(found: Sequence[Gap], low: Counts, high: Counts) -> tuple[Counts, Counts]:
    """Return the bounds with those of the adjusters not known shut."""
    unknown = [gap.adjuster for gap in found]
    low, high = low.copy(), high.copy()
    low[unknown] = high[unknown] = 0
    return low, high


def learn_cautions(rotor: Rotor, found: Sequence[Gap], worst: float, chance: float) -> tuple[str, ...]:
    """Return what to say of an aircraft whose answer is not known enough.

    `worst`, `chance`: the worst reading that a plan by what is known would leave, and the best chance of one.
    """
    lines = []
    for gap in found:
        regimes = ", ".join(rotor.regimes[r].label for r in gap.regimes)
        where = (
            "in no regime" if gap.everywhere else f"only roughly in {regimes}" if gap.roughly else f"not in {regimes}"
        )
        lines.append(f"What {rotor.adjusters[gap.adjuster].name} does is known {where}.")
    known = [a.name for i, a in enumerate(rotor.adjusters) if i not in {gap.adjuster for gap in found}]
    likely = f" (chance {chance_words(chance)} that the next run is inside)" if worst <= 1.0 else ""
    if all(gap.roughly for gap in found):
        alone = "By what is known a plan would leave"
    elif known:
        alone = f"{' and '.join(known)} alone would leave"
    else:
        alone = "Without them nothing can be planned, which leaves"
    return (
        *lines,
        f"{alone} the worst reading at {worst:.2f} of its limit{likely}.",
        "That says nothing of a mechanical fault, neither that there is one nor that there is none. A trial tells "
        "what an adjuster does here: a change of known size, and the run again (trackbal trial; in a logbook "
        "trackbal log trial).",
    )


def knowing_more_would_do(
    rotor: Rotor, run: Run, influence: Influence, low: Counts, high: Counts, found: Sequence[Gap], enough: float
) -> bool:
    """Return whether what is known cannot bring the worst reading to `enough` of its limit, and the rest might.

    Parameters
    ----------
    low, high : ndarray of int, shape (A, B)
        Bounds in steps of the adjusters that may be advised on or would be, were they known.
    found : sequence of Gap
        Of those.
    """
    if not found or least_worst(rotor, run, influence, *_without(found, low, high)) <= enough:
        return False
    return _might(rotor, run, influence, low, high, found, enough)


def _might(
    rotor: Rotor, run: Run, influence: Influence, low: Counts, high: Counts, found: Sequence[Gap], enough: float
) -> bool:
    """Return whether readings could be brought to `enough` if what is not known were as favourable as could be."""
    unknown = [gap.adjuster for gap in found]
    read = ~influence.unknown_vibration[unknown].any(axis=0) & run.vibration_read
    tips = ~influence.unknown_height[unknown].any(axis=0) & run.height_read
    certain = replace(
        run, vibration_count=np.where(read, run.vibration_count, 0), height_count=np.where(tips, run.height_count, 0)
    )
    return least_worst(rotor, certain, influence, low, high) <= enough


def least_worst(rotor: Rotor, run: Run, influence: Influence, low: Counts, high: Counts) -> float:
    """Return the lowest worst reading, in limits, that changes in bounds are expected to come to; whole steps aside.

    By C. L. Lawson's weights (1961 thesis, UCLA; J. R. Rice, The Approximation of Functions, vol. 2 (1969); from
    memory): least squares within the bounds, again and again, each reading weighted by the product of its sizes so
    far. The best of these points counts, so the answer is never below the true one.
    """
    start, effect = ratios(rotor, run, influence)
    return _least(start, effect, low, high)[0]


def reaches(start: Complexes, effect: Complexes, low: Counts, high: Counts) -> bool:
    """Return whether readings of `ratios` can be brought to 1 at most; whole steps aside."""
    return _least(start, effect, low, high, enough=1.0)[0] <= 1.0


def best_change(start: Complexes, effect: Complexes, low: Counts, high: Counts) -> Reals:
    """Return the change, in steps, (A B,), that makes the worst of the readings of `ratios` least.

    It need not be of whole steps; `low`, `high`, (A, B), in steps.
    """
    return _least(start, effect, low, high)[1]


def _least(
    start: Complexes, effect: Complexes, low: Counts, high: Counts, enough: float | None = None
) -> tuple[float, Reals]:
    """Return the lowest worst size found and its change; with `enough`, only as far as it takes to tell."""
    free = (high > low).ravel()
    effect = effect[:, free]
    best, at = float(np.abs(start).max(initial=0.0)), np.zeros(free.size)
    lowest, highest = low.ravel()[free].astype(float), high.ravel()[free].astype(float)
    x, weight = np.zeros(lowest.size), np.full(len(start), 1.0 / max(len(start), 1))
    for _ in range(_ROUNDS if x.size and len(start) else 0):
        heavy = effect.conj().T * weight
        x = _box_minimum((heavy @ effect).real, (heavy @ start).real, x, lowest, highest)
        size = np.abs(start + effect @ x)
        if size.max() < best:
            best, at[free] = float(size.max()), x
        bound = float(np.sqrt(weight @ size**2))  # no change does better than the least weighted mean square
        if enough is not None and (best <= enough or bound > _SURE * enough):
            break
        weight = weight * size
        total = weight.sum()
        if total <= 1e-12 * best:
            break
        weight = weight / total
    return best, at


def _box_minimum(quad: Reals, lin: Reals, x: Reals, low: Reals, high: Reals) -> Reals:
    """Return a point near the minimum of ``x'Gx + 2g'x`` in a box, by coordinate descent from x."""
    x = x.copy()
    slope = quad @ x + lin
    diagonal = np.maximum(np.diag(quad), 1e-300)
    for _ in range(_SWEEPS):
        moved = 0.0
        for j in range(x.size):
            step = min(max(x[j] - slope[j] / diagonal[j], low[j]), high[j]) - x[j]
            if step:
                slope += quad[:, j] * step
                x[j] += step
                moved = max(moved, abs(step))
        if moved < _SETTLED:
            break
    return x


def ratios(rotor: Rotor, run: Run, influence: Influence) -> tuple[Complexes, Complexes]:
    """Return readings over their limits, (K,), and what a step of each adjuster on each blade makes of them, (K, A B).

    A tip spread is as many readings as there are pairs of blades.
    """
    blades, adjusters = len(rotor.blades), len(rotor.adjusters)
    each = np.zeros((adjusters * blades, adjusters, blades))
    for a, adjuster in enumerate(rotor.adjusters):
        for b in range(blades):
            each[a * blades + b, a, b] = adjuster.step
    read, limit = run.vibration_read, rotor.vibration_limit
    z = blade_harmonic(each, rotor.azimuth_deg, rotor.harmonics)
    moved = np.einsum("ars,nas->nrs", influence.alpha, z)[:, read] / limit[read]
    one, other = np.triu_indices(blades, 1)
    tall = run.height_read
    lift = influence.height_change(each)[:, tall]
    over = rotor.height_limit[tall, None]
    apart = (lift[..., one] - lift[..., other]) / over
    start = (run.height[tall][:, one] - run.height[tall][:, other]) / over
    effect = np.concatenate([moved, apart.reshape(len(each), -1)], axis=1).T
    return np.concatenate([run.vibration[read] / limit[read], start.ravel()]), effect
