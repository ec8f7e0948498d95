"""A trial in words and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from trackbal.base.cautions import IN_SHORT, adjuster_cautions, general_cautions, in_short
from trackbal.base.text_layout import listed, paragraphs, wrap
from trackbal.plan.beyond import net_link_words
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import adjustment_words
from trackbal.trials.trial import Trial, Trials

_WORSE = "A trial that makes a reading worse has taught as much as one that helps: go on from it."
_TWO = (
    "Two at once, on different blades: tips and regimes tell them apart, which saves a run. One adjuster at a time: "
    "--singly."
)
_PLAN = "All of this is known, but roughly: it is the best correction by that, and the run tells the rest."


def chosen_trial(found: Trials, *, singly: bool) -> Trial | None:
    """Return the trial to make; `singly`: the best one of one adjuster."""
    return found.alone if singly else found.best


def trial_json(rotor: Rotor, found: Trials, setting: Reals, *, singly: bool = False) -> dict[str, Any]:
    """Return what to try as plain data; numbers are not rounded. `singly`: the best trial of one adjuster."""
    chosen = chosen_trial(found, singly=singly)
    return {
        "trial": None if chosen is None else _one_json(rotor, chosen, setting),
        "each": [_one_json(rotor, trial, setting) for trial in found.each],
        "alone": None if found.alone is None else _one_json(rotor, found.alone, setting),
        "sequence": [rotor.adjusters[a].name for a in found.sequence],
        "unknown": [
            {
                "adjuster": rotor.adjusters[gap.adjuster].name,
                "regimes": [rotor.regimes[r].name for r in gap.regimes],
                "roughly_known": gap.roughly,
            }
            for gap in found.unknown
        ],
        "rule_of_thumb": {
            a.name: float(amount) for a, amount in zip(rotor.adjusters, found.thumb, strict=True) if np.isfinite(amount)
        },
        "stop": found.stop,
        "cautions": _cautions(rotor, found, chosen),
    }


def _one_json(rotor: Rotor, trial: Trial, setting: Reals) -> dict[str, Any]:
    return {
        "adjustments": [
            {
                "blade": rotor.blades[b],
                "adjuster": rotor.adjusters[a].name,
                "amount": float(trial.change[a, b]),
                "words": adjustment_words(rotor, a, b, float(trial.change[a, b]), float(setting[a, b])),
            }
            for b, a in np.argwhere(trial.change.T).tolist()
        ],
        "information": trial.information,
        "noises": trial.noises,
        "worst_ratio": trial.worst,
        "unknown_effect": trial.effect,
        "within": trial.within,
    }


def trial_text(rotor: Rotor, found: Trials, setting: Reals, *, singly: bool = False) -> str:
    """Return what to try as text for the terminal; `singly`: the best trial of one adjuster."""
    if found.stop:
        said = f"{rotor.name}: STOP. A reading is at or above its stop limit: no trial. Find the cause first."
        return wrap(said) + "\n"
    if not found.unknown:
        said = f"{rotor.name}: no trial is needed; every adjuster that could be used is known where it was read."
        return wrap(said) + "\n"
    unknown = _unknown(rotor, found)
    best = chosen_trial(found, singly=singly)
    if best is None:
        room = "what is kept to leaves the adjusters no room" if rotor.preferences else "the adjusters have no room"
        head = wrap(f"{rotor.name}: no trial can be made: {room}.")
        return paragraphs([listed("Cautions", found.cautions), head, listed("Not known", unknown)]) + "\n"
    around = [wrap(line) for line in _thumb_lines(rotor, found, best)]
    if len(found.sequence) > 1:
        names = ", then ".join(rotor.adjusters[a].name for a in found.sequence)
        around.append(wrap(f"If one trial does not suffice: {names}. Ask again after each run; fewer may do."))
    if len(best.adjusters) > 1:
        around.append(wrap(_PLAN if best.effect == 0.0 else _TWO))
    what = "TRIAL, not a correction" if best.effect else "TRIAL and first correction"
    do = [
        wrap(f"{rotor.name}: {what}. Do this, then run again in the same regimes:"),
        *(wrap(f"[ ] {words}", "  ") for words in _words(rotor, best, setting)),
        wrap(_expected(best)),
        wrap(IN_SHORT),
    ]
    mind = in_short(_particular(rotor, found, best), shortest=True)
    blocks = [listed("Cautions", mind), listed("Not known so far", unknown), "\n".join(around), "\n".join(do)]
    return paragraphs(blocks) + "\n"


def _unknown(rotor: Rotor, found: Trials) -> list[str]:
    """Return what is not known, adjusters of which the same is not known in one line."""
    alike: dict[tuple[bool, tuple[int, ...]], list[str]] = {}
    for gap in found.unknown:
        alike.setdefault((gap.roughly, gap.regimes), []).append(rotor.adjusters[gap.adjuster].name)
    return [
        f"{', '.join(names)}: {'roughly known' if roughly else 'not known'} in "
        f"{', '.join(rotor.regimes[r].name for r in regimes)}"
        for (roughly, regimes), names in alike.items()
    ]


def _words(rotor: Rotor, trial: Trial, setting: Reals) -> list[str]:
    return [
        f"{adjustment_words(rotor, a, b, float(trial.change[a, b]), float(setting[a, b]))} "
        f"(setting {setting[a, b]:.10g} -> {setting[a, b] + trial.change[a, b]:.10g})"
        for b, a in np.argwhere(trial.change.T).tolist()
    ]


def _expected(trial: Trial) -> str:
    size = f"by some {trial.noises:.0f} times their noise" if trial.noises < 1e3 else "far beyond their noise"
    unknown = f"; what is not known may move one by about {trial.effect:.2f} of its limit, either way"
    text = (
        f"It is expected to move readings {size}. The worst reading comes to {trial.worst:.2f} of its limit as far as "
        f"is known{unknown if trial.effect else ''}."
    )
    if not trial.within:
        where = "past its limit, or farther past it" if trial.clear else "TO ITS STOP LIMIT"
        text += (
            f" No smaller step is there: a reading may be taken {where}. Let a licensed "
            "person decide, begin on the ground, and break off early."
        )
    return text


def _thumb_lines(rotor: Rotor, found: Trials, best: Trial) -> list[str]:
    lines = []
    for a in best.adjusters if best.effect else ():  # what a correction takes is no matter of the rule
        if np.isfinite(found.thumb[a]):
            adjuster, made = rotor.adjusters[a], float(np.abs(best.change[a]).max())
            tail = "; gearbox and boom, which it leaves out, are far heavier" if rotor.place == "tail" else ""
            lines.append(
                f"Rule of thumb for {adjuster.name}: {found.thumb[a]:.3g} {adjuster.unit}, whose pull at speed is a "
                f"tenth of the blades' weight (common practice, no published source{tail}); this is {made:.3g}."
            )
    return lines


def _particular(rotor: Rotor, found: Trials, best: Trial) -> list[str]:
    kinds = [rotor.adjusters[a].kind for a in best.adjusters]
    return [*found.cautions, *net_link_words(rotor, best.change), _WORSE, *adjuster_cautions(kinds)]


def _cautions(rotor: Rotor, found: Trials, best: Trial | None) -> list[str]:
    said = list(found.cautions) if best is None else _particular(rotor, found, best)
    return said + general_cautions()
