"""What in a run's readings is hard to believe, or worth knowing before they are used.

Every threshold here is common practice, no published source: set wide, so that a finding
is worth a second look and a sound run has none. A finding never changes a reading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.phasor import MM_PER_INCH
from trackbal.base.text_layout import times_words
from trackbal.check.comparisons import median, own_jumps, tip_jumps
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import HEIGHT, Rotor
from trackbal.runs.run import Complexes, Reals, Run
from trackbal.runs.words import chance_words

TIMES_LIMIT, TIMES_STOP = 20.0, 5.0  # a reading beyond either is more likely misread than real
RPM_APART = 0.02  # part of the usual speed, or of the other rows': a row beyond is questioned
RPM_FAR = 0.1  # at this part, what a weight does is a fifth off (it grows with the square of the speed)
RPM_NO_RUN = 2.0  # times the usual speed, or part of it, beyond which no rotor was run: the figure is wrong
SAME_DEG = 1e-6
SAME_PART = 1e-9
STUCK_REGIMES = 3  # equal phases in fewer regimes may be chance;
STUCK_REGIMES_COARSE = 5  # of phases read to half hours of a clock face, in fewer than these
COARSE_DEG = 15.0
UNIT_FACTOR_SLACK = 3.0  # a wrong inch or millimetre shows as 25.4 times or part, to within this factor
USUAL_SIZES = 4.0  # the other regimes' spreads may differ by this factor and still say what is usual
HUGE_VIBRATION, TINY_VIBRATION = 10.0, 1.0 / 20.0  # of the limit, in every regime
TINY_SPREAD = 1.0 / 20.0  # of the limit
TIP_OUTSIDE = 5.0  # times the spread of the other tips
SCATTER_OF_LIMIT = 0.25
SCATTER_CHANCE = 0.001  # repeats this unlikely, given the known noise, are doubted


@dataclass(frozen=True)
class Finding:
    """One finding on a run.

    Parameters
    ----------
    severity : {"doubt", "note"}
        A doubt asks for the reading to be taken again or explained; a note only informs.
    kind : str
        A fixed word for programs, such as "too_large".
    regime : str or None
        None if it concerns every regime.
    place : str or None
        Sensor, HEIGHT, or "height.<blade>"; None if it concerns the whole regime.
    text : str
        One sentence in plain words that names regime and place.
    """

    severity: Literal["doubt", "note"]
    kind: str
    regime: str | None
    place: str | None
    text: str

    def __str__(self) -> str:
        """Return the sentence."""
        return self.text


Findings = Iterator[Finding]


def find_all(rotor: Rotor, run: Run, influence: Influence | None) -> list[Finding]:
    """Return the findings of every check, doubts first."""
    found = [finding for check in _CHECKS for finding in check(rotor, run)]
    found += _odd_repeats(rotor, run)
    found += _scattered_vibration(rotor, run, influence)
    found += _scattered_heights(rotor, run, influence)
    return sorted(found, key=lambda finding: finding.severity)


# ------------------------------------------------------------------------------ single readings


def _too_large(rotor: Rotor, run: Run) -> Findings:
    amplitude, spread = run.single.vibration, run.single.spread
    most = np.minimum(TIMES_LIMIT * rotor.vibration_limit, TIMES_STOP * rotor.vibration_stop_limit)
    for r, s in np.argwhere(amplitude > most):
        regime, sensor = rotor.regimes[r].name, rotor.sensors[s]
        times = amplitude[r, s] / rotor.vibration_limit[r, s]
        yield Finding(
            "doubt",
            "too_large",
            regime,
            sensor.name,
            f"{regime}, {sensor.name}: {amplitude[r, s]:.4g} {sensor.unit} is {times_words(times)} times its limit; "
            "check the reading and its unit",
        )
    most_spread = np.minimum(TIMES_LIMIT * rotor.height_limit, TIMES_STOP * rotor.height_stop_limit)
    for r in np.flatnonzero(spread > most_spread):
        regime = rotor.regimes[r].name
        yield Finding(
            "doubt",
            "too_large",
            regime,
            HEIGHT,
            f"{regime}: tips {spread[r]:.4g} {rotor.height_unit} apart are "
            f"{times_words(spread[r] / rotor.height_limit[r])} times the limit; check the heights and their unit",
        )


def _exactly_zero(rotor: Rotor, run: Run) -> Findings:
    for r, s in np.argwhere(run.single.vibration == 0.0):
        regime, sensor = rotor.regimes[r].name, rotor.sensors[s].name
        yield Finding(
            "doubt",
            "zero",
            regime,
            sensor,
            f"{regime}, {sensor}: exactly zero; a working pick-up reads some vibration, so check its cable, "
            "or leave the cell empty if it was not read",
        )


def _no_spread(rotor: Rotor, run: Run) -> Findings:
    for r in np.flatnonzero(run.spread <= SAME_PART * rotor.height_limit):
        regime = rotor.regimes[r].name
        yield Finding(
            "doubt",
            "no_spread",
            regime,
            HEIGHT,
            f"{regime}: all tips at exactly the same height; leave the cells empty if they were not read",
        )


def speed_far(rotor: Rotor, run: Run) -> NDArray[np.bool_]:
    """Return in which regimes a row's speed is so far from the usual that influence says little there, shape (R,)."""
    return np.asarray(_off(rotor.usual_rpm, run) > RPM_FAR)


def farthest_speed(rotor: Rotor, run: Run) -> Reals:
    """Return the speed of each regime's row that is farthest from the usual, shape (R,); nan where not run."""
    low, high, usual = run.single.rpm_low, run.single.rpm_high, rotor.usual_rpm
    return np.where(usual / low > high / usual, low, high)


def _off(rpm: Reals, run: Run) -> Reals:
    """Return how far the row farthest from a speed is off it, as a part of it, shape (R,); nan where not run."""
    single = run.single
    return np.maximum(np.abs(single.rpm_low / rpm - 1.0), np.abs(single.rpm_high / rpm - 1.0))


def _wrong_speed(rotor: Rotor, run: Run) -> Findings:
    single, usual = run.single, rotor.usual_rpm
    for r in np.flatnonzero(~np.isnan(run.rpm)):
        regime, off = rotor.regimes[r].name, float(_off(usual, run)[r])
        others = np.delete(run.rpm / usual, r)
        others = others[~np.isnan(others)]
        from_others = float(_off(usual * median(others), run)[r]) if len(others) >= 3 else 0.0
        low, high = f"{single.rpm_low[r]:.4g}", f"{single.rpm_high[r]:.4g}"
        speed = low if low == high else f"{low} to {high}"
        if off > RPM_APART:
            whose = "the rotor's" if rotor.regimes[r].rpm is None else "the usual"
            text = (
                f"{regime}: run at {speed} rpm, {100.0 * off:.3g} % off {whose} {usual[r]:.4g}; "
                "check what was typed. Readings at another speed answer otherwise to adjustments"
            )
            if off > RPM_FAR:
                text += (
                    ", which no chance here knows of; a usual speed of its own is the regime's rpm in the rotor file"
                )
        elif from_others > RPM_APART:
            text = (
                f"{regime}: run at {speed} rpm, {100.0 * from_others:.2g} % off the other rows'; check what was typed"
            )
        else:
            continue
        yield Finding("doubt", "speed", regime, None, text)


def _missing_tips(rotor: Rotor, run: Run) -> Findings:
    some = run.height_taken.any(axis=1) & ~run.height_read
    for r in np.flatnonzero(some):
        regime = rotor.regimes[r].name
        missing = [b for b, taken in zip(rotor.blades, run.height_taken[r], strict=True) if not taken]
        who = f"no height of blade {', '.join(missing)}" if missing else "no row has the height of every blade"
        yield Finding(
            "doubt",
            "missing_tip",
            regime,
            f"height.{missing[0]}" if len(missing) == 1 else HEIGHT,
            f"{regime}: {who}; its heights do not count, beyond what those read show",
        )


def _heights_not_wanted(rotor: Rotor, run: Run) -> Findings:
    single = run.single
    for r in np.flatnonzero(~rotor.height_wanted & (single.tips > 0)):
        regime, spread = rotor.regimes[r].name, single.spread[r]
        apart = "" if np.isnan(spread) else f", up to {spread:.4g} {rotor.height_unit} apart"
        yield Finding(
            "doubt",
            "heights_not_wanted",
            regime,
            HEIGHT,
            f"{regime}: tip heights were given{apart}, where the rotor file says none are read; "
            "they are held against no limit",
        )


def _tip_outside(rotor: Rotor, run: Run) -> Findings:
    blades = len(rotor.blades)
    if blades < 4:  # too few others to say what is usual
        return
    for r in np.flatnonzero(run.height_read):
        for b in range(blades):
            others = np.delete(run.height[r], b)
            apart = abs(float(run.height[r, b] - median(others)))
            if apart > TIP_OUTSIDE * np.ptp(others) and apart > rotor.height_limit[r]:
                regime, blade = rotor.regimes[r].name, rotor.blades[b]
                yield Finding(
                    "doubt",
                    "tip_outside",
                    regime,
                    f"height.{blade}",
                    f"{regime}: blade {blade} flies {apart:.4g} {rotor.height_unit} from the others, which are within "
                    f"{np.ptp(others):.3g}; it is misread, or look for a mechanical cause on that blade",
                )


def _tip_elsewhere(rotor: Rotor, run: Run) -> Findings:
    for jump in tip_jumps(run.height, rotor.height_limit):
        regime, blade = rotor.regimes[jump.regime].name, rotor.blades[jump.blade]
        yield Finding(
            "doubt",
            "tip_elsewhere",
            regime,
            f"height.{blade}",
            f"{regime}: blade {blade} flies {jump.here:+.4g} {rotor.height_unit} from the middle tip, and "
            f"{jump.usual:+.4g} in the other conditions, where the other blades keep their places; it may be misread",
        )


def _own_jump(rotor: Rotor, run: Run) -> Findings:
    for jump in own_jumps(np.abs(run.vibration), rotor.vibration_limit):
        regime, sensor = rotor.regimes[jump.regime].name, rotor.sensors[jump.sensor]
        yield Finding(
            "doubt",
            "own_jump",
            regime,
            sensor.name,
            f"{regime}, {sensor.name}: {abs(run.vibration[jump.regime, jump.sensor]):.4g} {sensor.unit} is "
            f"{times_words(jump.times)} times the most it reads elsewhere ({jump.most:.3g}); check the reading",
        )


def same_readings(one: Run, other: Run) -> bool:
    """Return whether two runs hold the same readings to within rounding, two or more of them."""
    both = one.vibration_read & other.vibration_read
    heights = one.height_read & other.height_read
    if both.sum() + heights.sum() < 2 or (one.vibration_read != other.vibration_read).any():
        return False
    if (one.height_read != other.height_read).any():
        return False
    far = np.abs(one.vibration[both] - other.vibration[both]) > SAME_PART * np.abs(one.vibration[both])
    return not far.any() and np.allclose(one.height[heights], other.height[heights], rtol=SAME_PART, atol=SAME_PART)


# ------------------------------------------------------------------------------ several readings together


def _stuck_phase(rotor: Rotor, run: Run) -> Findings:
    for s, sensor in enumerate(rotor.sensors):
        taken = run.vibration[run.vibration_read[:, s], s]
        if len(taken) < STUCK_REGIMES or (taken == 0.0).any():
            continue
        marks = float(np.degrees(np.angle(taken[0]))) / COARSE_DEG
        if abs(marks - round(marks)) < SAME_DEG and len(taken) < STUCK_REGIMES_COARSE:
            continue
        apart = np.degrees(np.abs(np.angle(taken * np.conj(taken[0]))))
        if apart.max() < SAME_DEG:
            yield Finding(
                "doubt",
                "stuck_phase",
                None,
                sensor.name,
                f"{sensor.name}: the same phase in all {len(taken)} regimes; check the tach and the phase reading",
            )


def _copied_regime(rotor: Rotor, run: Run) -> Findings:
    for one, other in _twins(run.vibration, run.vibration_read, [regime.name for regime in rotor.regimes]):
        text = f"{other}: every sensor reads exactly as in {one}; one row may be a copy of the other"
        yield Finding("doubt", "copied", other, None, text)


def _doubled_sensor(rotor: Rotor, run: Run) -> Findings:
    for one, other in _twins(run.vibration.T, run.vibration_read.T, [sensor.name for sensor in rotor.sensors]):
        text = f"{other}: reads exactly as {one} in every regime; both may be wired to one pick-up"
        yield Finding("doubt", "doubled", None, other, text)


def _twins(readings: Complexes, read: NDArray[np.bool_], names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield the names of rows that hold the same readings, two or more, wherever both were read."""
    for r, q in combinations(range(len(names)), 2):
        both = read[r] & read[q]
        if both.sum() >= 2 and _same(readings[r, both], readings[q, both]):
            yield names[r], names[q]


def _same(one: np.ndarray, other: np.ndarray) -> bool:
    """Return whether two sets of phasors are equal to within rounding, and not nothing."""
    size = np.abs(one)
    return bool((size > 0.0).any() and (np.abs(one - other) <= SAME_PART * size).all())


def _height_unit(rotor: Rotor, run: Run) -> Findings:
    """One regime's spread against the others', and all of them against their limits."""
    read = np.flatnonzero(run.height_read & (run.spread > 0.0))
    ratio = run.spread[read] / rotor.height_limit[read]
    for k, r in enumerate(read):
        others = np.delete(ratio, k)
        if len(others) < 2 or others.max() > USUAL_SIZES * others.min():
            continue  # without a usual size there is no unusual one
        times = ratio[k] / median(others)
        if _near_unit_factor(times if times > 1.0 else 1.0 / times):
            regime = rotor.regimes[r].name
            yield Finding(
                "doubt",
                "height_unit",
                regime,
                HEIGHT,
                f"{regime}: tips {times:.3g} times as far apart as in the other regimes; "
                f"were its heights read in {'millimetres' if times > 1.0 else 'inches'}?",
            )
    if len(read) >= 2 and rotor.height_unit == "mm" and ratio.max() < TINY_SPREAD:
        yield Finding(
            "doubt",
            "height_unit",
            None,
            HEIGHT,
            "height: every spread is below a twentieth of its limit; were the heights read in inches?",
        )


def _near_unit_factor(times: float) -> bool:
    return MM_PER_INCH / UNIT_FACTOR_SLACK < times < MM_PER_INCH * UNIT_FACTOR_SLACK


def _vibration_unit(rotor: Rotor, run: Run) -> Findings:
    """A sensor that in every regime reads some 25.4 times, or part, of what the others suggest."""
    ratio = np.abs(run.vibration) / rotor.vibration_limit
    for s, sensor in enumerate(rotor.sensors):
        if sensor.unit not in ("ips", "mm/s"):
            continue
        others = np.delete(ratio, s, axis=1)
        rows = run.vibration_read[:, s] & (np.delete(run.vibration_read, s, axis=1).sum(axis=1) >= 2)
        if rows.sum() < 2 or not (ratio[rows, s] > 0.0).all():
            continue
        usual = median(others[rows])
        if not (usual > 0.0).all():
            continue
        times = ratio[rows, s] / usual
        large = all(map(_near_unit_factor, times)) and ratio[rows, s].min() > HUGE_VIBRATION
        small = all(map(_near_unit_factor, 1.0 / times)) and ratio[rows, s].max() < TINY_VIBRATION and rows.sum() >= 3
        if large or small:
            yield Finding(
                "doubt",
                "vibration_unit",
                None,
                sensor.name,
                f"{sensor.name}: some {median(times):.3g} times what the other sensors suggest in every regime; "
                f"was it read in {'mm/s' if large else 'ips'}?",
            )


# ------------------------------------------------------------------------------ scatter of repeats


def _odd_repeats(rotor: Rotor, run: Run) -> Findings:
    for odd in run.odd:
        places = [rotor.reading_name(one.sensor) for one in odd.without]
        yield Finding("doubt", "repeat", rotor.regimes[odd.regime].name, places[0], odd.text)


def _scattered_vibration(rotor: Rotor, run: Run, influence: Influence | None) -> Findings:
    for r, s in np.argwhere(run.vibration_count >= 2):
        count = int(run.vibration_count[r, s])
        sd = 0.0 if influence is None else float(influence.vibration_noise[r, s])
        squares = float(run.vibration_squares[r, s])
        why = _why_scattered(squares, 2 * (count - 1), sd, float(rotor.vibration_limit[r, s]), count)
        if why:
            regime, sensor = rotor.regimes[r].name, rotor.sensors[s].name
            text = f"{regime}, {sensor}: its {count} readings scatter {why}; read again in steadier conditions"
            yield Finding("doubt", "scatter", regime, sensor, text)


def _scattered_heights(rotor: Rotor, run: Run, influence: Influence | None) -> Findings:
    for r in np.flatnonzero(run.height_count >= 2):
        count = int(run.height_count[r])
        sd = 0.0 if influence is None else float(influence.height_noise[r])
        freedom = (count - 1) * (len(rotor.blades) - 1)  # each row's mean tip is taken out
        squares = float(run.height_squares[r])
        # without known noise the scatter per tip is held against the limit of the spread
        per_tip = squares / len(rotor.blades)
        why = _why_scattered(squares if sd > 0.0 else per_tip, freedom, sd, float(rotor.height_limit[r]), count)
        if why:
            regime = rotor.regimes[r].name
            text = f"{regime}: its {count} rows of heights scatter {why}; read again in steadier conditions"
            yield Finding("doubt", "scatter", regime, HEIGHT, text)


def _why_scattered(squares: float, freedom: int, sd: float, limit: float, count: int) -> str:
    """Return what the scatter of repeats is too large for, or nothing.

    With known noise, sum of squares over its variance is a chi-square of `freedom`
    degrees; without, the scatter about the mean is held against a part of the limit.
    """
    if sd > 0.0:
        from scipy.special import chdtrc

        chance = float(chdtrc(freedom, squares / sd**2))
        seldom = f"more than their known noise ({chance_words(chance)} of sound readings do)"
        return seldom if chance < SCATTER_CHANCE else ""
    scatter = (squares / (count - 1)) ** 0.5
    return f"by {scatter:.3g}, over a quarter of the limit" if scatter > SCATTER_OF_LIMIT * limit else ""


# ------------------------------------------------------------------------------ notes


def _not_read(rotor: Rotor, run: Run) -> Findings:
    for r, regime in enumerate(rotor.regimes):
        wanted = rotor.vibration_wanted[r]
        if not run.regime_read[r] and not run.height_taken[r].any():
            if wanted.any() or regime.heights:
                yield Finding("note", "not_read", regime.name, None, f"{regime.name}: not read")
            continue
        for s in np.flatnonzero(~run.vibration_read[r] & wanted):
            sensor = rotor.sensors[s].name
            yield Finding("note", "not_read", regime.name, sensor, f"{regime.name}, {sensor}: not read")
        if regime.heights and not run.height_taken[r].any():
            yield Finding("note", "not_read", regime.name, HEIGHT, f"{regime.name}: heights not read")


def _no_stop(rotor: Rotor, run: Run) -> Findings:
    missing = without_stop(rotor)
    if missing:
        yield Finding(
            "note",
            "no_stop",
            None,
            None,
            f"{missing}: the rotor file sets no stop limit, so no reading there stops anything however large it is",
        )


def without_stop(rotor: Rotor) -> str:
    """Return what has no stop limit: "every reading", "hover: tip heights; cruise: ..."; nothing if all have one."""
    lacking = np.column_stack(
        [np.isinf(rotor.vibration_stop_limit), rotor.height_wanted & np.isinf(rotor.height_stop_limit)]
    )
    wanted = np.column_stack([np.ones(rotor.vibration_wanted.shape, dtype=bool), rotor.height_wanted])
    if (lacking == wanted).all():
        return "every reading"
    places = [*(s.name for s in rotor.sensors), "tip heights"]
    everywhere = [p for p in range(len(places)) if wanted[:, p].any() and (lacking | ~wanted)[:, p].all()]
    said = [f"{places[p]}" for p in everywhere]
    for r, regime in enumerate(rotor.regimes):
        lacking_here = [places[p] for p in np.flatnonzero(lacking[r]) if p not in everywhere]
        if lacking_here:
            said.append(f"{regime.name}: {', '.join(lacking_here)}")
    return "; ".join(said)


def _blade_multiple(rotor: Rotor, run: Run) -> Findings:
    blades = len(rotor.blades)
    equal: Reals = np.arange(blades) * 360.0 / blades
    if np.abs(rotor.azimuth_deg - equal).max() > SAME_DEG:
        return
    for s, sensor in enumerate(rotor.sensors):
        if sensor.harmonic % blades == 0 and run.vibration_read[:, s].any():
            yield Finding(
                "note",
                "blade_multiple",
                None,
                sensor.name,
                f"{sensor.name}: harmonic {sensor.harmonic} is a multiple of the {blades} blades, which {blades} "
                "equal blades pass on too; it is no adjustment's business",
            )


_CHECKS: tuple[Callable[[Rotor, Run], Findings], ...] = (
    _too_large,
    _exactly_zero,
    _no_spread,
    _wrong_speed,
    _missing_tips,
    _heights_not_wanted,
    _tip_outside,
    _tip_elsewhere,
    _own_jump,
    _stuck_phase,
    _copied_regime,
    _doubled_sensor,
    _height_unit,
    _vibration_unit,
    _not_read,
    _no_stop,
    _blade_multiple,
)
