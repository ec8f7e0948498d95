"""Plans that go beyond what was ever done, or act where nothing was read: said, and less sure the farther they go.

Coefficients come from the changes that past jobs made. A larger one rests on their being the same
out there, which play, deflection and what the change itself does to the blade may spoil.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trackbal.base.cautions import Caution
from trackbal.influence.coefficients import Influence
from trackbal.plan.forecast import Forecast
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run
from trackbal.runs.words import adjustment_words

#: What an effect may err by for each length of the record that a change goes beyond it, part of the effect
#: (our own choice; no published source).
LESS_SURE = 0.05
_FAR_BLADE = 2.0  # times the usual difference between blades of the type


def largest_changes(rotor: Rotor, influence: Influence) -> Reals:
    """Return the largest single change that past jobs made with each adjuster, (A,); nan where not known."""
    known = influence.source.get("largest_past_change")
    named = known if isinstance(known, dict) else {}
    values = [named.get(a.name) for a in rotor.adjusters]
    return np.array([float(v) if isinstance(v, int | float) and v > 0 else np.nan for v in values])


def less_sure(rotor: Rotor, influence: Influence, change: Reals) -> Influence:
    """Return the influence with what a change, shape (A, B), beyond the record adds to its covariance.

    The same influence where nothing goes beyond it.
    """
    far = np.nan_to_num(np.abs(change).max(axis=1) / largest_changes(rotor, influence)) - 1.0
    if not (far > 0.0).any():
        return influence
    part = LESS_SURE * np.maximum(far, 0.0)
    vibration_cov, height_cov = influence.vibration_cov.copy(), influence.height_cov.copy()
    for a in np.flatnonzero(part):
        added = (part[a] * np.abs(influence.alpha[a])) ** 2 / 2.0
        for k in (2 * a, 2 * a + 1):
            vibration_cov[:, :, k, k] += added
        height_cov[:, a, a] += (part[a] * influence.tau[a]) ** 2
    return replace(influence, vibration_cov=vibration_cov, height_cov=height_cov)


def net_link_words(rotor: Rotor, change: Reals) -> list[Caution]:
    """Return what to say of pitch links whose changes do not add up to nothing: they shift the pitch of all blades.

    On a main rotor that moves the rotor speed in autorotation (common practice, no published source).
    """
    said = []
    for adjuster, row in zip(rotor.adjusters, change, strict=True):
        net = float(row.sum())
        if adjuster.kind == "pitch_link" and abs(net) > 0.5 * adjuster.step:
            what = "autorotation rpm and rigging" if rotor.place == "main" else "pedal and pitch rigging"
            name = adjuster.name.replace("_", " ")
            shifted = f"{name}: net {net:+.10g} {adjuster.unit} over all blades"
            said.append(
                Caution(
                    f"{shifted} shifts blade pitch as a whole: check {what} "
                    "as the manual asks (--links-sum-to-zero plans without).",
                    f"{shifted}: check {what}.",
                )
            )
    return said


def beyond_words(rotor: Rotor, influence: Influence, change: Reals) -> list[Caution]:
    """Return what to say of single changes larger than any past one, or than blades of the type usually differ."""
    largest = largest_changes(rotor, influence)
    usual = None if influence.departures is None else influence.departures.blade_differences
    large: list[tuple[str, int]] = []
    for b, a in np.argwhere(change.T != 0.0):
        amount, unit, step = float(change[a, b]), rotor.adjusters[a].unit, rotor.adjusters[a].step
        past = abs(amount) > largest[a] * (1.0 + 1e-9)
        far = usual is not None and usual[a] > 0.0 and abs(amount) > _FAR_BLADE * max(usual[a], step)
        if not past and not far:
            continue
        why = [f"beyond any past change ({largest[a]:.10g} {unit})"] if past else []
        if far and usual is not None:
            rounded = float(f"{usual[a]:.2g}")
            why.append(f"more than twice what blades of the type usually differ by ({rounded:.10g} {unit})")
        record = "balance" if rotor.adjusters[a].kind == "weight" else "rigging"
        words = adjustment_words(rotor, int(a), int(b), amount)
        large.append((f"{words}: {' and '.join(why)}. Look at the blade's own {record} record; do part, run again.", b))
    blades = list(dict.fromkeys(rotor.blades[b] for _, b in large))
    whose = (
        f"blade {blades[0]}: look at its own record" if len(blades) == 1 else f"blades {', '.join(blades)}: see records"
    )
    short = f"Unusually large on {whose}; do part, run again."
    return [Caution(text, short) for text, _ in large]


def _worst_there(rotor: Rotor, likely: Forecast, unread: list[int]) -> tuple[float, str, int, float, float] | None:
    """Return the largest likely reading of some regimes over its limit, what and where it is, and its range."""
    found = [
        (
            likely.amplitude[r, s] / rotor.vibration_limit[r, s],
            rotor.sensors[s].name,
            r,
            likely.amplitude_low[r, s] / rotor.vibration_limit[r, s],
            likely.amplitude_high[r, s] / rotor.vibration_limit[r, s],
        )
        for r in unread
        for s in range(len(rotor.sensors))
        if np.isfinite(likely.amplitude[r, s])
    ]
    found += [
        (likely.spread[r] / limit, "tip spread", r, likely.spread_low[r] / limit, likely.spread_high[r] / limit)
        for r, limit in enumerate(rotor.height_limit)
        if r in unread and np.isfinite(likely.spread[r])
    ]
    return max(found, key=lambda part: part[0], default=None)


def _nothing_said_of(rotor: Rotor, influence: Influence, unread: list[int]) -> tuple[str, ...]:
    """Return of which readings wanted in some regimes the influence file says nothing."""
    if influence.blind is None:
        return ()
    here = np.zeros(len(rotor.regimes), dtype=bool)
    here[unread] = True
    return influence.blind.words(rotor, rotor.vibration_wanted & here[:, None], rotor.height_wanted & here)


def unread_words(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    setting: Reals,
    change: Reals,
    likely: tuple[Forecast, Forecast] | None = None,
) -> list[Caution]:
    """Return what a plan does to regimes that were not read, and what it takes of the range they may need.

    The largest movement there, over its limit; and adjusters of which less than half of the range
    that was free in the plan's direction is left.

    Parameters
    ----------
    likely : (Forecast, Forecast), optional
        What is likely to be read there without and with the plan.
    """
    unread = [r for r in range(len(rotor.regimes)) if not run.regime_read[r]]
    if not unread or not change.any():
        return []
    moved = np.abs(influence.vibration_change(rotor, change)) / rotor.vibration_limit
    lifted = np.ptp(influence.height_change(change), axis=1) / rotor.height_limit
    parts = [(float(moved[r, s]), rotor.sensors[s].name, r) for r in unread for s in range(len(rotor.sensors))]
    parts += [(float(lifted[r]), "tip spread", r) for r in unread]
    most, what, r = max(parts, key=lambda part: part[0])
    labels = ", ".join(rotor.regimes[i].label for i in unread)
    said = f"Not read this time, so not weighed: {labels}. "
    short = f"Not read, moved by up to {most:.1f} of limit: {what}, {rotor.regimes[r].name}"
    nothing = _nothing_said_of(rotor, influence, unread)
    if nothing:
        said += f"What the plan does to {'; '.join(nothing)} is not known: the influence file says nothing of it. "
    if most > 0.0 or not nothing:
        said += (
            f"There the plan moves readings by up to {most:.1f} of their limit ({what}, {rotor.regimes[r].label}), "
            "for better or worse"
        )
    else:
        said, short = said.removesuffix(". "), f"Not read, and what the plan does there is not known: {nothing[0]}"
    spent = []
    for b, a in np.argwhere(change.T != 0.0):
        adjuster, amount = rotor.adjusters[a], float(change[a, b])
        free = (adjuster.maximum - setting[a, b]) if amount > 0 else (setting[a, b] - adjuster.minimum)
        if abs(amount) > 0.5 * free:
            spare, name = free - abs(amount), adjuster.name.replace("_", " ")
            spent.append(
                f"{name} of blade {rotor.blades[b]} ({spare:.10g} of {free:.10g} {adjuster.unit} left that way)"
            )
    worst = None if likely is None else _worst_there(rotor, likely[1], unread)
    if likely is not None and worst is not None:
        before = _worst_there(rotor, likely[0], unread)
        said += (
            f". Likely at worst there, by what this aircraft read elsewhere: {worst[0]:.1f} of its limit "
            f"({worst[1]}, {rotor.regimes[worst[2]].label}; roughly {worst[3]:.1f} to {worst[4]:.1f})"
            + ("" if before is None else f", {before[0]:.1f} without the plan")
        )
        short = f"Not read, likely {worst[0]:.1f} of limit at worst: {worst[1]}, {rotor.regimes[worst[2]].name}"
    if spent:
        return [Caution(f"{said}; it spends what they may need of {'; '.join(spent)}.", f"{short}; spends range.")]
    return [Caution(f"{said}.", f"{short}.")]
