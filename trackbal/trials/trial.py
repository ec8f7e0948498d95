"""The trial: which adjustment to make first so that the next run teaches most of what is not known.

A next reading is y = v + L a + noise: v its present value, a the coefficients of every adjuster, L what
a change makes of them. Of Gaussian a with covariance C the reading is expected to teach

    1/2 log det(1 + L C L' / noise)   (D. V. Lindley, Ann. Math. Statist. 27 (1956) 986; nats)

summed over the readings that were taken, the noise being that of the reading before and after. C is that of
the influence where it knows; of what it does not know the type's scale is all there is (`scale`): the
coefficients are not guessed, only how large they may be, so that a trial is neither lost in the noise nor
dangerous. A plan cures a reading V to within V times the relative error of what it goes by, so a trial is to move
readings by some part of the worst of them (BOLD). No reading inside is expected past its limit, or near its stop.

On the first aircraft of a type two unknown adjusters may be tried at once, where what is alike between adjusters
(aircraft/alike.py) tells them apart; and where all is known but roughly, a plan is the trial.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.cautions import no_further
from trackbal.base.covariance import real_map
from trackbal.base.phasor import blade_harmonic
from trackbal.check.review import Review, check_run, held_at
from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import Plan, advise, no_stop_words, of_the_files, refuse_impossible_speed
from trackbal.plan.keeping import condition, narrowed
from trackbal.plan.quadratic import build_quadratic
from trackbal.plan.reach import CURE, Gap, gaps, open_bounds, roughly_known
from trackbal.runs.pieces import change_choices
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, Reals, Run
from trackbal.trials.textbook import rule_of_thumb

#: Standard deviation, in limits, of what the largest single change of an adjuster of unknown influence does to a
#: reading, and to a tip against half the spread limit, by kind. Our own choice, no published source.
REACH = {"weight": 8.0, "pitch_link": 2.5, "tab": 2.5}
TIP_REACH = {"weight": 1.0, "pitch_link": 8.0, "tab": 8.0}
TAIL = 2.0  # times that of a weight on a tail rotor, whose gearbox and boom are light beside its pull
DOUBT = 2.0  # times that: how much more it may be, where a stop limit is to be kept
AS_GOOD = 1.25  # times the least expected cost: plans that cost no more are as good a trial; the fewest adjustments win
BOLD = 0.4  # of the worst reading: what an unknown effect may come to; a trial below that tells too little of its cure
TOLD = 5.0  # a trial must be expected to move a reading by this many noises to be worth a run
LOST = 2.5  # and with fewer it is lost in the noise
NEARLY = 0.8  # trials that teach this part of the best one's are as good; the one that helps most is taken
_FAR = 2.0  # standard deviations short of a stop limit
_SMALL = 1e-12


@dataclass(frozen=True)
class Trial:
    """A change to make and run, to see what it does.

    Parameters
    ----------
    change : ndarray, shape (A, B)
        In the adjusters' units.
    information : float
        Expected of the next run, nats.
    worth : float
        The same, each reading counted by its share of the cost now: what is far over its limit matters most.
    told : float
        Expected (root mean square) effect on a reading, in noises: the median of those taken.
    worst : float
        Largest expected reading after it, in limits; which way what is unknown moves a reading, nobody can say.
    effect : float
        Largest root mean square of that unknown part, in limits.
    within : bool
        No reading now inside is expected past its limit, and none outside farther than it is, or than BOLD of the worst
        now; none within two standard deviations of its stop, were what is not known DOUBT times as large; and the
        unknown part is below one limit, or BOLD of the worst reading, everywhere.
    clear : bool
        What `within` says of stop limits.
    """

    change: Reals
    information: float
    worth: float
    noises: float
    worst: float
    effect: float
    within: bool
    clear: bool

    @property
    def adjusters(self) -> tuple[int, ...]:
        """Which adjusters it moves."""
        return tuple(np.flatnonzero(self.change.any(axis=1)).tolist())


@dataclass(frozen=True)
class Trials:
    """What to try.

    Parameters
    ----------
    best : Trial or None
        None where nothing is unknown, a stop limit is reached, or no trial can be made. Of one adjuster, of two on
        different blades that one run tells apart, or a plan where all is known roughly.
    alone : Trial or None
        The best trial of one adjuster.
    each : tuple of Trial
        The best trial of every adjuster with something unknown, the most instructive first.
    sequence : tuple of int
        Adjusters in the order in which to try them, each with what the ones before it taught.
    unknown : tuple of Gap
        What is not known where readings were taken.
    thumb : ndarray, shape (A,)
        Trial weight by the rule of thumb, adjuster units; nan where the rotor file does not give its data.
    stop : bool
        A reading is at or above its stop limit.
    cautions : tuple of str
        What to mind of readings, files and bounds, whatever is tried.
    """

    best: Trial | None
    alone: Trial | None
    each: tuple[Trial, ...]
    sequence: tuple[int, ...]
    unknown: tuple[Gap, ...]
    thumb: Reals
    stop: bool
    cautions: tuple[str, ...] = ()

    @property
    def warns(self) -> bool:
        """Whether the answer is a warning: a stop, or something unknown of which no trial can be made."""
        return self.stop or (bool(self.unknown) and self.best is None)


def find_trials(rotor: Rotor, run: Run, influence: Influence, setting: Reals, *, stopped: bool = False) -> Trials:
    """Return what to try after a run.

    Parameters
    ----------
    influence : Influence
        What is known: of the type, of this aircraft from the runs of a job, or of textbooks alone.
    setting : ndarray, shape (A, B)
        What is installed, in the adjusters' units.
    stopped : bool
        A stop limit was reached that still counts, though not in this run.

    Raises
    ------
    InputError
        If the run has no reading that counts, or one was read at a speed at which no rotor is run.
    """
    review = check_run(rotor, run)
    stop = review.stop or stopped
    if not stop:
        refuse_impossible_speed(rotor, run)
    low, high = open_bounds(rotor, run, setting)
    unknown = gaps(rotor, run, influence, [bool((high[a] > low[a]).any()) for a in range(len(high))])
    named = {gap.adjuster for gap in unknown}
    unknown += tuple(g for g in roughly_known(rotor, run, influence, low, high) if g.adjuster not in named)
    first_of_type = influence.source.get("jobs") == 0
    said = None  # asked for where all is known roughly
    if first_of_type and not stop and all(gap.roughly for gap in unknown):
        said = advise(rotor, run, influence, setting)
        unknown = unknown or said.missing
    nothing = Trials(None, None, (), (), unknown, rule_of_thumb(rotor), stop, _to_mind(rotor, influence, review))
    if stop or not unknown:
        return nothing
    asked = [gap.adjuster for gap in unknown]
    view = _View.of(rotor, run, influence, scale(rotor, influence))
    candidates = _kept_to(
        rotor,
        [
            *_singles(rotor, setting, *narrowed(rotor, rotor.preferences, setting, low, high), asked),
            *_levelling(rotor, run, influence, setting, asked),
        ],
    )
    made = [view.trial(change) for change in candidates]
    singles = [[t for t in made if t.adjusters == (a,)] for a in asked]
    each = sorted((_choose(view, trials) for trials in singles if trials), key=lambda t: -t.worth)
    if not each:
        return nothing
    apart = _told_apart(rotor, run, influence, asked)
    opening = [t for t in each if t.within and t.noises >= LOST and t.adjusters[0] in apart.first]
    alone = _choose(view, opening or each)
    best = _two(view, made, apart) or alone
    if first_of_type and (said is not None or best.noises < LOST):  # or so near a stop that it is lost in the noise
        plans = advise(rotor, run, influence, setting).plans if said is None else said.plans
        best = _plan_as_trial(view, plans, anyway=said is not None) or best
    return replace(nothing, best=best, alone=alone, each=tuple(each), sequence=_sequence(view, each))


def _to_mind(rotor: Rotor, influence: Influence, review: Review) -> tuple[str, ...]:
    """Return what to mind of readings, files and bounds, whatever is tried: what advice on the same run says too."""
    said = no_further(held_at(rotor, review))
    if review.inside:
        said.append("Every reading taken is inside its limit: nothing calls for a trial.")
    said += [f"Doubtful: {doubt.text}" for doubt in review.doubts]
    said += [*of_the_files(rotor, influence), *no_stop_words(rotor)]
    bounds = replace(rotor.preferences, aim=None, track_first=False)  # what plans aim at is no matter of a trial
    kept = "; ".join(words for words, _ in bounds.one_by_one())
    return (*said, f"Kept to: {kept}.") if kept else tuple(said)


def _kept_to(rotor: Rotor, changes: list[Reals]) -> list[Reals]:
    """Return the changes that the preferences allow: adjusters and blades together, links that add up to nothing."""
    allowed = condition(rotor, rotor.preferences)
    links = [adjuster.kind == "pitch_link" for adjuster in rotor.adjusters]
    if rotor.preferences.links_sum_to_zero:
        changes = [change for change in changes if not np.abs(change[links].sum(axis=1)).max(initial=0.0) > _SMALL]
    if allowed is None:
        return changes
    return [change for change in changes if allowed(np.flatnonzero(change)[:, None]).all()]


def scale(rotor: Rotor, influence: Influence) -> tuple[Reals, Reals]:
    """Return the standard deviations that unknown coefficients are taken to have.

    Returns
    -------
    ndarray, shape (A, R, S) and (A, R)
        Of the real and of the imaginary part each, sensor unit per adjuster unit; of a tip height.
    """
    largest = np.array([min(a.largest_change, a.maximum - a.minimum) for a in rotor.adjusters])
    tail = TAIL if rotor.place == "tail" else 1.0
    per_unit = np.array([REACH[a.kind] * (tail if a.kind == "weight" else 1.0) for a in rotor.adjusters]) / largest
    tips = np.where(np.isfinite(rotor.height_limit), rotor.height_limit / 2.0, 0.0)
    vibration = per_unit[:, None, None] * rotor.vibration_limit / np.sqrt(2.0)
    height = (np.array([TIP_REACH[a.kind] for a in rotor.adjusters]) / largest)[:, None] * tips
    return np.where(influence.unknown_vibration, vibration, 0.0), np.where(influence.unknown_height, height, 0.0)


@dataclass(frozen=True)
class _View:
    """The readings of a run and what is known and not known of the coefficients."""

    rotor: Rotor
    run: Run
    influence: Influence
    vibration_cov: Reals
    height_cov: Reals
    sd: tuple[Reals, Reals]

    @classmethod
    def of(cls, rotor: Rotor, run: Run, influence: Influence, sd: tuple[Reals, Reals]) -> _View:
        vibration_cov, height_cov = influence.vibration_cov.copy(), influence.height_cov.copy()
        index = np.arange(vibration_cov.shape[-1])
        vibration_cov[..., index, index] += np.repeat(np.moveaxis(sd[0], 0, -1), 2, axis=-1) ** 2
        index = np.arange(height_cov.shape[-1])
        height_cov[:, index, index] += sd[1].T ** 2
        return cls(rotor, run, influence, vibration_cov, height_cov, sd)

    def spread(self, change: Reals) -> tuple[Reals, Reals]:
        """Return the variance that a change gives each reading: both parts of a phasor (R, S), one tip (R, B)."""
        z = blade_harmonic(change, self.rotor.azimuth_deg, self.rotor.harmonics)  # (A, S)
        cov = self.vibration_cov
        hermitian = cov[..., 0::2, 0::2] + cov[..., 1::2, 1::2] + 1j * (cov[..., 1::2, 0::2] - cov[..., 0::2, 1::2])
        vibration = np.einsum("as,rsac,cs->rs", z, hermitian, z.conj()).real
        u = change - change.mean(axis=1, keepdims=True)
        return vibration, np.einsum("ab,rac,cb->rb", u, self.height_cov, u)

    def information(self, change: Reals) -> tuple[float, float]:
        """Return the expected information of the next run after a change, nats: all, and counted by `weights`."""
        vibration, height = self.spread(change)
        noise = self.influence.vibration_noise**2 * (1.0 + 1.0 / np.maximum(self.run.vibration_count, 1))
        by_reading = np.log1p(vibration / 2.0 / np.maximum(noise, _SMALL))[self.run.vibration_read]
        tip_noise = self.influence.height_noise**2 * (1.0 + 1.0 / np.maximum(self.run.height_count, 1))
        tips = 0.5 * np.log1p(height.sum(axis=1) / np.maximum(tip_noise, _SMALL))[self.run.height_read]
        weight, tip_weight = self.weights
        return float(by_reading.sum() + tips.sum()), float(by_reading @ weight + tips @ tip_weight)

    @property
    def weights(self) -> tuple[Reals, Reals]:
        """Return how much it matters to know of each reading taken: its share of the cost now, 1 on average."""
        read, tall = self.run.vibration_read, self.run.height_read
        cost = np.abs(self.run.vibration[read]) ** 2 / self.rotor.vibration_limit[read] ** 2
        tips = (self.run.spread[tall] / self.rotor.height_limit[tall]) ** 2
        mean = max(float(np.concatenate([cost, tips]).mean()), _SMALL)
        return cost / mean, tips / mean

    def trial(self, change: Reals) -> Trial:
        """Return a change as a trial."""
        vibration, height = self.spread(change)
        read, tall = self.run.vibration_read, self.run.height_read
        moved = self.run.vibration + self.influence.vibration_change(self.rotor, change)
        tips = self.run.height + self.influence.height_change(change)
        z = np.abs(blade_harmonic(change, self.rotor.azimuth_deg, self.rotor.harmonics))
        u = change - change.mean(axis=1, keepdims=True)
        effect = np.sqrt(2.0 * np.einsum("ars,as->rs", self.sd[0] ** 2, z**2))[read]  # of what is unknown alone
        unknown_rise = np.sqrt(np.einsum("ar,ab->rb", self.sd[1] ** 2, u**2).max(axis=1))[tall]
        after, now, error = (x[read] for x in (np.abs(moved), np.abs(self.run.vibration), np.sqrt(vibration)))
        limit, stop = self.rotor.vibration_limit[read], self.rotor.vibration_stop_limit[read]
        bold = max(1.0, BOLD * float((now / limit).max(initial=0.0))) * limit
        within = np.all((after <= np.where(now <= limit, limit, np.maximum(now, bold))) & (effect <= bold))
        error = np.sqrt(error**2 + (DOUBT**2 - 1.0) * effect**2)
        clear = np.all(after + _FAR * error / np.sqrt(2.0) < stop)
        spread, spread_now = np.ptp(tips, axis=1)[tall], self.run.spread[tall]
        rise = np.sqrt(height.max(axis=1))[tall]
        spread_limit, spread_stop = self.rotor.height_limit[tall], self.rotor.height_stop_limit[tall]
        within &= np.all((spread <= np.maximum(spread_limit, spread_now)) & (unknown_rise <= spread_limit))
        clear &= np.all(spread + _FAR * rise < spread_stop)
        noise = self.influence.vibration_noise * np.sqrt(1.0 + 1.0 / np.maximum(self.run.vibration_count, 1))
        size = np.abs(moved - self.run.vibration) ** 2 + vibration
        noises = np.sqrt(size / 2.0) / np.maximum(noise, _SMALL)
        information, worth = self.information(change)
        return Trial(
            change=change,
            information=information,
            worth=worth,
            noises=float(np.median(noises[read])) if read.any() else float("inf"),
            worst=float(np.concatenate([after / limit, spread / spread_limit]).max(initial=0.0)),
            effect=float(np.concatenate([effect / limit, unknown_rise / spread_limit]).max(initial=0.0)),
            within=bool(within and clear),
            clear=bool(clear),
        )

    def taught(self, change: Reals) -> _View:
        """Return the view after the next run: what it is expected to leave of the covariance."""
        z = blade_harmonic(change, self.rotor.azimuth_deg, self.rotor.harmonics).T
        lever = real_map(z[:, None, :])
        noise = 2.0 * np.maximum(self.influence.vibration_noise, _SMALL) ** 2
        carried = np.einsum("rsac,sic->rsai", self.vibration_cov, lever)
        readings_cov = np.einsum("sia,rsaj->rsij", lever, carried) + noise[..., None, None] * np.eye(2)
        cov = self.vibration_cov - carried @ np.linalg.inv(readings_cov) @ np.swapaxes(carried, -1, -2)
        cov = np.where(self.run.vibration_read[..., None, None], cov, self.vibration_cov)
        u = change - change.mean(axis=1, keepdims=True)
        tip_noise = 2.0 * np.maximum(self.influence.height_noise, _SMALL) ** 2
        height_cov = self.height_cov.copy()
        for r in np.flatnonzero(self.run.height_read):
            pull = height_cov[r] @ u
            height_cov[r] = height_cov[r] - pull @ np.linalg.solve(
                u.T @ pull + tip_noise[r] * np.eye(u.shape[1]), pull.T
            )
        return replace(self, vibration_cov=cov, height_cov=height_cov)

    def helps(self, change: Reals) -> float:
        """Return the expected cost after a change, of what is known."""
        quadratic = build_quadratic(self.rotor, self.run, self.influence)
        steps = np.array([a.step for a in self.rotor.adjusters])[:, None]
        return quadratic.expected_cost((change / steps).ravel())


def _singles(rotor: Rotor, setting: Reals, low: Counts, high: Counts, adjusters: list[int]) -> list[Reals]:
    """Return every single adjustment of some adjusters, in their units, (A, B) each."""
    choices = change_choices(rotor, setting, low, high)
    blades, found = len(rotor.blades), []
    for a in adjusters:
        for b in range(blades):
            steps = np.arange(low[a, b], high[a, b] + 1) if choices is None else choices[a * blades + b]
            for k in _some(steps[steps != 0]):
                change = np.zeros(low.shape, dtype=int)
                change[a, b] = k
                found.append(rotor.amounts(change))
    return found


def _some(steps: Counts, most: int = 40) -> Counts:
    """Return the steps, thinned out in even ratios where there are many."""
    if len(steps) <= most:
        return steps
    wanted = np.geomspace(np.abs(steps).min(), np.abs(steps).max(), most // 2)
    near = np.abs(np.abs(steps)[:, None] - wanted).argmin(axis=0)
    mirrored = np.abs(steps[:, None] + steps[near]).argmin(axis=0)
    return np.unique(steps[np.concatenate([near, mirrored])])


def _levelling(rotor: Rotor, run: Run, influence: Influence, setting: Reals, adjusters: list[int]) -> list[Reals]:
    """Return plans by tip heights alone, of each adjuster whose effect on them is known and on vibration is not.

    Tips over their limit have to be levelled anyhow; done as the trial it costs no run of its own.
    """
    over = run.height_read & (run.spread > rotor.height_limit)
    found: list[Reals] = []
    if not over.any():
        return found
    blind = replace(run, vibration_count=np.zeros_like(run.vibration_count))
    for a in adjusters:
        if influence.unknown_height[a, run.height_read].any() or not influence.tau[a, over].any():
            continue
        alone = influence.unknown_height.copy()
        alone[np.arange(len(alone)) != a] = True
        advice = advise(rotor, blind, replace(influence, unknown_height=alone), setting, most=len(rotor.blades) - 1)
        plan = None if advice.recommended is None else advice.plans[advice.recommended]
        if plan is not None and plan.count:
            found.append(plan.change)
    return found


@dataclass(frozen=True)
class _Apart:
    """What a run can tell apart of two unknown adjusters, by what adjusters that are alike tell of each other.

    Parameters
    ----------
    pairs : tuple of (int, int)
        A weight and an adjuster of lift that may be tried in one run: what the latter does is known roughly from its
        fellow, and least where it does least, which tells the weight's effect, the same in all flight regimes.
    first : tuple of int
        Adjusters of lift of which one has to be known before there is such a pair.
    """

    pairs: tuple[tuple[int, int], ...]
    first: tuple[int, ...]


def _told_apart(rotor: Rotor, run: Run, influence: Influence, unknown: list[int]) -> _Apart:
    flown = np.array([regime.airborne for regime in rotor.regimes])
    flown &= run.vibration_read.all(axis=1) & run.height_read
    if influence.source.get("jobs") != 0 or flown.sum() < 2:
        return _Apart((), ())
    kind = [adjuster.kind for adjuster in rotor.adjusters]
    lift = [a for a in range(len(kind)) if kind[a] != "weight"]
    dark = [bool(influence.unknown_vibration[a, flown].any()) for a in range(len(kind))]
    weights = [a for a in unknown if kind[a] == "weight" and dark[a]]
    known = [a for a in lift if not dark[a] and not influence.unknown_height[a, flown].any()]
    if known:
        return _Apart(tuple((w, a) for w in weights for a in lift if a in unknown and dark[a]), ())
    return _Apart((), tuple(lift) if weights and len(lift) > 1 else ())


def _two(view: _View, made: list[Trial], apart: _Apart) -> Trial | None:
    """Return the best trial of two unknown adjusters on different blades that one run can tell apart."""
    found = []
    for weight, lift in apart.pairs:
        ones, others = (_of_each_blade(made, a) for a in (weight, lift))
        for one in ones:
            for other in others:
                if not (one.change.any(axis=0) & other.change.any(axis=0)).any():
                    both = view.trial(one.change + other.change)
                    if both.within:
                        found.append((round(one.worth + other.worth, 6), float(both.change.sum()), both))
    return max(found, key=lambda f: f[:2])[2] if found else None


def _plan_as_trial(view: _View, plans: Sequence[Plan], *, anyway: bool) -> Trial | None:
    """Return the fewest adjustments of about the least expected cost as a trial: it teaches what is known roughly.

    `anyway`: where every plan might take a reading past its limit, that of the least cost none the less; never where
    it might take one to its stop limit.
    """
    ahead = [p for p in plans if p.expected_cost < CURE * plans[0].expected_cost]
    trials = [(p, view.trial(p.change)) for p in ahead]
    pool = [(p, t) for p, t in trials if t.within] or [(p, t) for p, t in trials if t.clear and anyway]
    least = min((p.expected_cost for p, _ in pool), default=0.0)
    return next((t for p, t in pool if p.expected_cost <= AS_GOOD * least), None)


def _of_each_blade(made: list[Trial], adjuster: int, most: int = 6) -> list[Trial]:
    """Return single trials of an adjuster to combine with another's: of each blade some of all useful sizes."""
    single = [t for t in made if t.adjusters == (adjuster,) and t.within and t.noises >= LOST]
    blades: dict[int, list[Trial]] = {}
    for t in sorted(single, key=lambda t: -t.worth):
        blades.setdefault(int(np.flatnonzero(t.change[adjuster])[0]), []).append(t)
    some = {n: np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(int)) for n in map(len, blades.values())}
    return [row[i] for row in blades.values() for i in some[len(row)]]


def _choose(view: _View, trials: list[Trial]) -> Trial:
    """Return the trial to make: within limits if one is, telling, among the instructive the one that helps most."""
    pool = [t for t in trials if t.within] or [min(trials, key=lambda t: t.worst + t.effect)]
    pool = [t for t in pool if t.noises >= TOLD] or pool
    best = max(t.worth for t in pool)
    near = [t for t in pool if t.worth >= NEARLY * best]
    # of those that help alike, the more instructive; then what is added rather than taken off, and the first blade
    return min(near, key=lambda t: (round(view.helps(t.change), 6), -round(t.worth, 6), -float(t.change.sum())))


def _sequence(view: _View, each: list[Trial]) -> tuple[int, ...]:
    """Return the adjusters in the order of what each teaches after those before it."""
    remaining, order = list(each), []
    while remaining:
        following = max(remaining, key=lambda t: view.information(t.change)[1])
        order.append(following.adjusters[0])
        view = view.taught(following.change)
        remaining = [t for t in remaining if t is not following]
    return tuple(order)
