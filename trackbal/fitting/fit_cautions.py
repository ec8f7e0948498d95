"""What a person should know before relying on fitted coefficients, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from trackbal.base.cautions import other_rotor
from trackbal.base.text_layout import count
from trackbal.estimate.estimate import FEW_DOF, LEAST_JOBS, Estimates
from trackbal.influence.coefficients import Influence
from trackbal.runs.reading_noise import ASSUMED_PART
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History

FEW_JOBS = 8  # a spread from fewer is uncertain by over a third of itself (1 / sqrt(2 (n - 1)), n < 5 .. 8)
ILL_CONDITION = 100.0  # errors 10 times those of changes made one by one


def cautions(
    rotor: Rotor, jobs: int, found: Estimates, influence: Influence, prior: Influence | None
) -> tuple[str, ...]:
    """Return the cautions about what was fitted."""
    aircraft = influence.source.get("aircraft", jobs)
    lines = [*_few_jobs(rotor, jobs, jobs if aircraft is None else aircraft, found, prior)]
    lines += _unknown(rotor, found, influence)
    lines += _alike(rotor, found)
    lines += _noise(rotor, found, prior)
    return tuple(lines)


def suspect_cautions(suspects: int, shift: float) -> tuple[str, ...]:
    """Return what to know of suspects that took part; `shift`: what leaving them out moves, in standard errors."""
    if not suspects:
        return ()
    return (
        f"{count(suspects, 'run')} did not fit the others and still took part in this fit; without "
        f"{'it' if suspects == 1 else 'them'} a coefficient moves by up to {shift:.1f} standard errors. "
        "Check the records, correct or delete what is wrong, and fit again.",
    )


def aside_cautions(records: int, shift: float) -> tuple[str, ...]:
    """Return what to know of records set aside; `shift`: what relying on them would move, in standard errors."""
    if not records:
        return ()
    return (
        f"{count(records, 'record')} did not fit the others and {'was' if records == 1 else 'were'} not relied upon; "
        f"with {'it' if records == 1 else 'them'}, and noise and spread found again with that, a coefficient would "
        f"move by up to {shift:.1f} standard errors. Check the records, correct what is wrong, "
        "and fit again (trackbal audit says what probably happened).",
    )


def amount_cautions(rotor: Rotor, history: History) -> tuple[str, ...]:
    """Return, job by job, the first run by which an adjuster was moved by more than there is of it."""
    reach = np.array([a.maximum - a.minimum + 1e-9 * a.step for a in rotor.adjusters])
    beyond = np.abs(history.change) > reach[:, None]
    lines: dict[int, str] = {}
    for i, a, b in np.argwhere(beyond).tolist():
        adjuster, job = rotor.adjusters[a], int(history.job[i])
        lines.setdefault(
            job,
            f"job {history.jobs[job]} run {history.run[i]}: {adjuster.name} of blade {rotor.blades[b]} would by then "
            f"have been changed by {history.change[i, a, b]:+g} {adjuster.unit} since the job's start, more than its "
            f"whole range of {adjuster.maximum - adjuster.minimum:g}. Nothing fitted can be relied upon: check the "
            "amounts recorded before that run, and the range in the rotor file.",
        )
    return tuple(lines.values())


def prior_cautions(rotor_name: str, prior_name: str, contradicted: str) -> tuple[str, ...]:
    """Return what to know of an earlier file; `contradicted`: adjusters in which the runs say otherwise, in words."""
    lines = other_rotor(prior_name, rotor_name)
    if contradicted:
        lines.append(
            f"The earlier file and these runs contradict each other by more than chance in {contradicted}: find out "
            "which is wrong before relying on both together. Fit the runs alone, then trackbal compare shows where."
        )
    return tuple(lines)


def _few_jobs(rotor: Rotor, jobs: int, aircraft: int, found: Estimates, prior: Influence | None) -> Iterator[str]:
    """Yield what rests on too few; what is counted is aircraft, each job being one where nobody says whose it is."""
    names = [a.name for a in rotor.adjusters]
    each = aircraft == jobs
    record = count(jobs, "job") + ("" if each else f" of {aircraft} aircraft")
    for what, part in (("vibration", found.vibration), ("heights", found.height)):
        most = part.jobs.max(axis=0, initial=0)
        known = (~part.identification.unknown).any(axis=0)
        untold = [names[a] for a in np.flatnonzero(known & ~np.isfinite(part.kappa))]
        rough = [names[a] for a in np.flatnonzero(np.isfinite(part.kappa) & (most < FEW_JOBS))]
        if untold and prior is None:
            takes = "that changed the adjuster" if each else "aircraft on which the adjuster was changed,"
            yield (
                f"{what}: the spread between aircraft cannot be told for {_listed(untold)} from {record} (it takes "
                f"{LEAST_JOBS} {takes} and a noise estimate): the covariance is only the error of the mean and too "
                "small for another aircraft."
            )
        elif untold:
            yield (
                f"{what}: the spread between aircraft cannot be told for {_listed(untold)} from {record}; "
                "what the prior says of it was kept."
            )
        if rough:
            of = "jobs" if each else "aircraft"
            yield f"{what}: the spread between aircraft of {_listed(rough)} rests on fewer than {FEW_JOBS} {of}."


def _unknown(rotor: Rotor, found: Estimates, influence: Influence) -> Iterator[str]:
    for a, adjuster in enumerate(rotor.adjusters):
        places = []
        for r, regime in enumerate(rotor.regimes):
            sensors = [s.name for i, s in enumerate(rotor.sensors) if influence.unknown_vibration[a, r, i]]
            height = influence.unknown_height[a, r]
            if len(sensors) == len(rotor.sensors) and (height or not regime.heights):
                places.append(regime.name)
            elif len(sensors) == len(rotor.sensors):
                places.append(f"{regime.name} (vibration)")
            elif sensors or height:
                places.append(f"{regime.name} ({', '.join(sensors + ['heights'] * bool(height))})")
        if not places:
            continue
        everywhere = len(places) == len(rotor.regimes) and all("(" not in p for p in places)
        where = "everywhere" if everywhere else "in " + _listed(places)
        reason = _reason(rotor, found, a)
        yield f"{adjuster.name} is unknown {where}: {reason}. It may not be advised where that is read."


def _reason(rotor: Rotor, found: Estimates, a: int) -> str:
    moved = found.vibration.jobs[:, a].any() or found.height.jobs[:, a].any()
    if not moved:
        return "no job changed it (or only equally on all blades) between two readings"
    partners: set[int] = set()
    for part in (found.vibration, found.height):
        tied = np.abs(part.identification.null[:, a, :]) > 1e-3
        partners |= set(np.flatnonzero((tied & (part.jobs[:, [a]] > 0)).any(axis=0)).tolist()) - {a}
    if partners:
        return "its changes cannot be told apart from those of " + _listed(
            [rotor.adjusters[b].name for b in sorted(partners)]
        )
    return "no job read it there before and after a change"


def _alike(rotor: Rotor, found: Estimates) -> Iterator[str]:
    """Name the pairs that were changed so much alike that they are hard to tell apart."""
    worst: dict[tuple[int, int], float] = {}
    for part in (found.vibration, found.height):
        identified = part.identification
        for c in np.flatnonzero(np.nan_to_num(identified.condition) > ILL_CONDITION):
            alike = np.triu(identified.alike[c], 1)
            alike[identified.unknown[c], :] = alike[:, identified.unknown[c]] = 0.0
            a, b = divmod(int(np.argmax(alike)), len(rotor.adjusters))
            worst[a, b] = max(worst.get((a, b), 0.0), float(identified.condition[c]))
    for (a, b), condition in worst.items():
        yield (
            f"{rotor.adjusters[a].name} and {rotor.adjusters[b].name} were changed so much alike that their effects "
            f"are hard to tell apart (condition number {condition:.0f}); change them in separate runs."
        )


def _noise(rotor: Rotor, found: Estimates, prior: Influence | None) -> Iterator[str]:
    vibration = [f"{r.name} / {s.name}" for r in rotor.regimes for s in rotor.sensors]
    heights = [f"heights of {r.name}" for r in rotor.regimes]
    for part, names in ((found.vibration, vibration), (found.height, heights)):
        read = part.jobs.any(axis=1)
        none = [names[c] for c in np.flatnonzero(read & part.assumed)]
        borrowed = [names[c] for c in np.flatnonzero(read & ~part.assumed & (part.noise_dof <= 0.5))]
        few = [names[c] for c in np.flatnonzero(read & (part.noise_dof > 0.5) & (part.noise_dof < FEW_DOF))]
        if none:
            yield (
                f"no reading noise could be told for {_listed(none)}: it is taken as the rotor file states it, else "
                f"as {100 * ASSUMED_PART:.0f} % of the limit; repeat readings or add runs."
            )
        if borrowed:
            source = "other regimes" if prior is None else "the prior or other regimes"
            yield f"the reading noise of {_listed(borrowed)} is borrowed from {source}."
        if few:
            yield f"the reading noise of {_listed(few)} rests on fewer than {FEW_DOF:.0f} degrees of freedom."


def _listed(names: Sequence[str]) -> str:
    """Return names as "a, b and c"; more than six are counted."""
    if len(names) > 6:
        return ", ".join(names[:5]) + f" and {len(names) - 5} more"
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
