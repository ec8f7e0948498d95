"""From readings and influence to the plans, their chances, and which one to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.aircraft.posterior import OwnAircraft
from trackbal.base import cautions
from trackbal.base.errors import InputError
from trackbal.base.summary import Summarised
from trackbal.base.text_layout import count
from trackbal.check.plausibility import RPM_NO_RUN, farthest_speed, without_stop
from trackbal.check.review import READING_SLACK, Review, check_run, held_at
from trackbal.influence.binding import UNBOUND
from trackbal.influence.coefficients import Influence
from trackbal.plan.beyond import beyond_words, less_sure, net_link_words, unread_words
from trackbal.plan.chance import chances
from trackbal.plan.forecast import Forecast, elsewhere, forecast
from trackbal.plan.keeping import condition, held_to_nothing, narrowed, tracked_first, work_of
from trackbal.plan.misread import misread_words
from trackbal.plan.quadratic import Quadratic, build_quadratic
from trackbal.plan.reach import CURE, EVEN, Gap, learn_cautions, missing_knowledge, unknown_that_could_do, waiting
from trackbal.runs.frames import change_frame
from trackbal.runs.pieces import change_choices, piece_cautions
from trackbal.runs.preferences import NO_PREFERENCES, Preferences
from trackbal.runs.rotor import STEP_SLACK, Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Run
from trackbal.runs.words import chance_words
from trackbal.search.search import Solution, effort, search
from trackbal.search.whole_steps import Allowed
from trackbal.search.work import Work, least_work

if TYPE_CHECKING:
    import pandas as pd

Verdict = Literal["inside", "adjust", "investigate", "stop", "learn", "hold"]

MOST_AT_FIRST = 6  # adjustments, where the largest count is not given
MOST_AT_ALL = 12
WORTH_ONE_MORE = 0.02  # of chance: what one more adjustment must buy; chances closer than this are as good
UNLIKE = 1.8  # times the record's unexplained part, beyond which an aircraft is called unlike those of the record
_LONGEST_SEARCH = 5.0  # seconds, about: larger plans than can be searched in this are tried only if asked for


@dataclass(frozen=True, repr=False)
class Plan(Summarised):
    """A set of adjustments with what it is expected to give.

    Parameters
    ----------
    change : ndarray, shape (A, B)
        In the adjusters' units.
    cost, expected_cost : float
        Q and E Q (docs/method.md), dimensionless.
    chance : float
        Probability that every reading taken is within its limit on the next run.
    proven : bool
        No plan of at most as many adjustments costs less; False only if a search limit was hit.
    vibration : ndarray of complex, shape (R, S)
        Reading by the influence file alone, lag convention, sensor units; nan where not read this time.
    height : ndarray, shape (R, B)
        Heights by the same, relative to the mean tip; nan where not read this time.
    vibration_change, height_change : ndarray, shapes as above
        What the change is expected to do, in every regime, read or not.
    worst_ratio : float
        Largest of these over its limit.
    likely : Forecast
        What the next run is likely to read, and how far it may miss that, by the model that the chance comes from.
    worst_likely : float
        Largest of the likely readings over its limit.
    minutes : float or None
        What it takes; None where the rotor file gives no minutes.
    chance_of_aim : float or None
        Probability of what is aimed at: that every reading taken is within a part of its limit, or, with track first,
        that the tips on the ground are inside; None: the limits of all are.
    elsewhere : Forecast or None
        Of the plan recommended: what a whole run is likely to read where nothing was read this time.
    """

    change: Reals
    cost: float
    expected_cost: float
    chance: float
    proven: bool
    vibration: Complexes
    height: Reals
    vibration_change: Complexes
    height_change: Reals
    worst_ratio: float
    likely: Forecast
    worst_likely: float
    minutes: float | None = None
    chance_of_aim: float | None = None
    elsewhere: Forecast | None = None

    def summary(self) -> dict[str, object]:
        """Return what it is expected to give."""
        return {
            "adjustments": self.count,
            "chance": f"{self.chance:.3g}",
            "worst likely reading of its limit": f"{self.worst_likely:.3g}",
            "expected cost": f"{self.expected_cost:.4g}",
            "proven": self.proven,
        }

    @property
    def count(self) -> int:
        """Number of adjustments."""
        return int(np.count_nonzero(self.change))

    @property
    def deciding_chance(self) -> float:
        """The chance by which plans are chosen: of the limits, or of what is aimed at below them."""
        return self.chance if self.chance_of_aim is None else self.chance_of_aim

    @property
    def size(self) -> float:
        """What the ladder counts: minutes where the rotor file gives them, else adjustments."""
        return self.count if self.minutes is None else self.minutes

    @property
    def size_words(self) -> str:
        """How much there is to do: "2 adjustments", and "in 35 min" where minutes are given."""
        words = count(self.count, "adjustment")
        return words if self.minutes is None else f"{words} in {self.minutes:g} min"


@dataclass(frozen=True, repr=False)
class Advice(Summarised):
    """What to do about a run.

    Parameters
    ----------
    verdict : {"inside", "adjust", "investigate", "stop", "learn", "hold"}
        "hold", within a job only: a run is not as expected and nobody has said why (job_advice.py).
        "learn": what is known of the adjusters cannot bring the readings inside, and what is not known might.
    recommended : int or None
        Index into `plans`; None for "stop", "learn" and "hold".
    plans : tuple of Plan
        plans[m] is the best of at most m adjustments; where the rotor file gives minutes, the best of each
        amount of work that buys anything, the least work first. Empty for "stop".
    setting : ndarray, shape (A, B)
        What is installed now.
    barred : tuple of (adjuster index, reason)
        Adjusters that may not be advised on this time.
    cautions : tuple of str
    review : Review
        The readings against limits and plausibility.
    wanted_chance : float
    anyway : bool
        Whether a person has decided to see the plan although the verdict is "investigate".
    cut_short : bool
        Larger plans might have been better, but would have taken too long to search.
    misread : tuple of str
        With "investigate": the readings that stand alone against a cure, and what they would be if misread.
        Among the cautions too.
    missing : tuple of Gap
        With "learn": what is not known, or too roughly.
    stops : tuple of str
        Stops that count beside those of this run, in words: reached in an earlier run and not read again since.
    blind : tuple of str
        Readings taken of which the influence file says nothing: how likely a plan is to pass is then not known.
    """

    verdict: Verdict
    recommended: int | None
    plans: tuple[Plan, ...]
    setting: Reals
    barred: tuple[tuple[int, str], ...]
    cautions: tuple[str, ...]
    review: Review
    wanted_chance: float
    anyway: bool = False
    cut_short: bool = False
    blind: tuple[str, ...] = ()
    misread: tuple[str, ...] = ()
    missing: tuple[Gap, ...] = ()
    stops: tuple[str, ...] = ()

    def summary(self) -> dict[str, object]:
        """Return the verdict and the plan to work from."""
        return {
            "verdict": self.verdict,
            "recommended": self.recommended,
            "plans": len(self.plans),
            "chance": None if self.offered is None else f"{self.offered.chance:.3g}",
            "cautions": len(self.cautions),
        }

    def to_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the adjustments of every plan as a table by count, blade and adjuster, in the adjusters' units."""
        change = np.array([plan.change for plan in self.plans]).reshape(-1, *self.setting.shape)
        return change_frame(rotor, change, (["count"], [(m,) for m in range(len(self.plans))]), "amount")

    @property
    def rungs(self) -> list[tuple[int, Plan]]:
        """Index and plan of each size once, the least first: larger plans may come to the same."""
        sizes = [(plan.size, plan.count) for plan in self.plans]
        return [(m, p) for m, p in enumerate(self.plans) if m == 0 or sizes[m] != sizes[m - 1]]

    @property
    def offered(self) -> Plan | None:
        """The plan to work from; None where nothing is to be adjusted, or the cause is to be found first."""
        if self.recommended is None or not (
            self.verdict == "adjust" or (self.verdict == "investigate" and self.anyway)
        ):
            return None
        return self.plans[self.recommended]

    @property
    def to_write(self) -> Plan | None:
        """The plan as a sheet holds it: the one offered, or the empty one where readings are inside limits."""
        return self.plans[0] if self.verdict == "inside" else self.offered

    @property
    def overridden(self) -> bool:
        """Whether plans are shown although a stop limit was reached."""
        return (self.review.stop or bool(self.stops)) and self.verdict != "stop"

    @property
    def warns(self) -> bool:
        """Whether the answer is a warning: not a plan to work from, nor a whole run inside limits."""
        return self.verdict not in ("inside", "adjust") or (self.verdict == "inside" and not self.review.finished)

    @property
    def read_again(self) -> bool:
        """Whether the readings contradict each other, so that nothing is to be made of them but new ones."""
        chosen = None if self.recommended is None else self.plans[self.recommended]
        return self.verdict == "investigate" and bool(self.review.unclear) and chosen is not None and not chosen.count


def advise(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    setting: Reals | None = None,
    *,
    most: int | None = None,
    chance: float = 0.9,
    nominal: bool = False,
    override_stop: bool = False,
    stops: Sequence[str] = (),
    posterior: OwnAircraft | None = None,
) -> Advice:
    """Return the best plan for every count of adjustments, and which to take.

    Parameters
    ----------
    setting : ndarray, shape (A, B), optional
        What is installed now, in the adjusters' units; 0 everywhere if not given.
    most : int, optional
        Largest count of adjustments. If not given: MOST_AT_FIRST, and one more, up to MOST_AT_ALL, as long as
        no plan has the wanted chance and the last one bought WORTH_ONE_MORE of it.
    chance : float
        Wanted chance that the next run is inside limits.
    nominal : bool
        Leave the influence covariance out of the search (not out of the chances).
    override_stop : bool
        Offer plans although a reading is at or above its stop limit.
    stops : sequence of str
        In words, readings at a stop limit that count though `run` does not show them: of an earlier run and not read
        again since, or by the limits in force when it was entered.
    posterior : OwnAircraft, optional
        What all runs of the job tell of this aircraft, for the chances; the last run is `run`.
        Without it they rest on `run` alone.

    Raises
    ------
    InputError
        If the run has no reading that counts, or a plan would rest on readings at a speed at which no rotor is run.
    """
    settings_given = setting is not None
    if setting is None:
        setting = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    review = check_run(rotor, run, influence)
    barred = _barred(rotor, run, influence, review)
    stops = tuple(stops)
    if (review.stop or stops) and not override_stop:
        said = stop_cautions(rotor, influence, review, stops)
        return Advice("stop", None, (), setting, barred, said, review, chance, stops=stops)
    if not review.judged:
        raise InputError(
            run.source, "no complete reading", "a vibration reading, or the height of every tip, in a regime"
        )
    aim = rotor.preferences.aim or 1.0
    settled = review.inside and (aim == 1.0 or (review.worst_ratio or 0.0) <= aim + READING_SLACK)
    if not settled:
        refuse_impossible_speed(rotor, run)
    if posterior is None:
        posterior = posterior_of(rotor, [JobRuns([run], np.zeros((1, *setting.shape)))], influence)
    ladder = _Ladder.of(rotor, run, influence, setting, barred, nominal, posterior, rotor.preferences)
    if most is not None or settled:
        tried, cut_short = MOST_AT_FIRST if most is None else most, False
        plans = ladder.plans(tried)
    else:
        plans, tried, cut_short = ladder.grown(chance)
    verdict, recommended = _choose(review, plans, chance, settled)
    if verdict == "investigate" and tried < MOST_AT_FIRST:  # fewer were asked for than may be needed
        verdict, _ = _choose(review, ladder.plans(MOST_AT_FIRST), chance, settled)
    if verdict == "investigate" and rotor.preferences:  # what a crew would rather leave is no mechanical fault
        free = _Ladder.of(rotor, run, influence, setting, barred, nominal, posterior, NO_PREFERENCES)
        verdict, _ = _choose(review, free.plans(max(tried, MOST_AT_FIRST)), chance, settled)
    missing: tuple[Gap, ...] = ()
    if verdict != "inside" and plans[recommended].worst_ratio > 1.0:
        now = plans[0].worst_ratio if verdict == "investigate" else None
        missing = missing_knowledge(rotor, run, influence, setting, now)
    if verdict in ("adjust", "investigate") and not (
        missing or stops or review.inside or review.unclear or review.stop
    ):
        missing = _worth_a_trial(ladder, setting, barred, plans, verdict)
    if missing:
        verdict = "learn"
    if verdict == "adjust" and not review.coverage.complete:
        there = elsewhere(rotor, run, influence, plans[recommended].change, posterior)
        plans = (*plans[:recommended], replace(plans[recommended], elsewhere=there), *plans[recommended + 1 :])
    said = _cautions(
        rotor, run, influence, verdict, plans, recommended, barred, review, chance, setting, posterior, stops
    )
    said = (*_aim_words(rotor, plans, verdict, recommended, settled, chance, ladder.tips is not None), *said)
    if plans[recommended].deciding_chance < chance and verdict in ("adjust", "investigate"):
        said = (*said, *map(cautions.Aside, _larger_plans(plans, recommended, tried, cut_short)))
    if verdict == "adjust" and rotor.preferences and not missing:
        cost = _what_preferences_cost(ladder, setting, barred, nominal, plans[recommended], tried, chance)
        said = (*said, *map(cautions.Aside, cost))
    if missing:
        least, likeliest = min(plan.worst_ratio for plan in plans), max(plan.chance for plan in plans)
        said = (*learn_cautions(rotor, missing, least, likeliest), *said)
    elif verdict != "inside":
        change = plans[recommended].change
        if verdict == "adjust":
            said = (*_how_known(influence, posterior), *said)
            said = (*beyond_words(rotor, influence, change), *net_link_words(rotor, change), *said)
        said = (*piece_cautions(rotor, setting, plans[recommended].change), *said)
    said = cautions.by_gravity(said)
    advice = Advice(
        verdict, None if missing else recommended, plans, setting, barred, said, review, chance, cut_short=cut_short
    )
    advice = replace(advice, blind=_blind(rotor, run, influence), missing=missing, stops=stops)
    if verdict == "investigate" and not (advice.read_again or advice.blind):
        alone = misread_words(rotor, run, influence, ladder.low, ladder.high)
        advice = replace(advice, misread=alone, cautions=cautions.by_gravity((*alone, *advice.cautions)))
    return advice if settings_given else with_settings_assumed(advice)


def _worth_a_trial(
    ladder: _Ladder, setting: Reals, barred: tuple[tuple[int, str], ...], plans: tuple[Plan, ...], verdict: Verdict
) -> tuple[Gap, ...]:
    """Return what is worth a trial before a plan of less than EVEN chance; empty if nothing is.

    What is not known at all, where knowing it might bring the readings inside and knowing the rest exactly would not
    make the chance even. Without past jobs, else, what is known too roughly: the largest part of it that a plan of the
    least expected cost would move. (Of a type with past jobs the plan itself is made, and teaches it.)
    """
    if max(plan.chance for plan in plans) >= EVEN:
        return ()
    rotor, run = ladder.rotor, ladder.run
    found = unknown_that_could_do(rotor, run, ladder.influence, setting) if verdict == "adjust" else ()
    if found:
        exact = ladder.influence.without_covariance()
        exactly = _Ladder.of(rotor, run, exact, setting, barred, True, None, NO_PREFERENCES).plans(MOST_AT_FIRST)
        if max(plan.chance for plan in exactly) < EVEN:
            return found
    best = min(plans, key=lambda plan: plan.expected_cost)
    if ladder.influence.source.get("jobs") != 0 or best.worst_ratio > max(1.0, CURE * plans[0].worst_ratio):
        return ()
    read = tuple(np.flatnonzero(run.regime_read).tolist())
    return tuple(Gap(a, read, False, roughly=True) for a in np.flatnonzero(best.change.any(axis=1)).tolist())


def _choose(review: Review, plans: tuple[Plan, ...], wanted: float, settled: bool) -> tuple[Verdict, int]:
    """Return the verdict on a run that no stop limit forbids to adjust, and the plan to take.

    `settled`: all is within what is aimed at. What is inside limits is adjusted further only for a likely plan.
    """
    if review.inside:
        further = 0 if settled else _recommend(plans, wanted)
        return ("adjust", further) if further and plans[further].deciding_chance >= wanted else ("inside", 0)
    now = plans[0].worst_ratio
    if review.unclear and now <= 1.0 + READING_SLACK:
        return "investigate", 0  # nothing but readings that contradict each other is outside: read again
    recommended = _recommend(plans, wanted)
    worst = plans[recommended].worst_ratio
    return "investigate" if worst > 1.0 and worst > CURE * now else "adjust", recommended


def refuse_impossible_speed(rotor: Rotor, run: Run) -> None:
    """Raise InputError where a regime was read at a speed at which no rotor is run: it was written wrongly."""
    typed, usual = farthest_speed(rotor, run), rotor.usual_rpm
    wrong = (typed > RPM_NO_RUN * usual) | (typed < usual / RPM_NO_RUN)
    for r in np.flatnonzero(wrong & run.regime_read):
        line = run.single.line[r]
        raise InputError(
            run.source,
            f"{rotor.regimes[r].name} run at {typed[r]:.4g} rpm",
            f"a speed near the usual {usual[r]:.4g}; if it is another there, give the regime its own rpm in the rotor "
            "file. No plan is made",
            row=int(line) if line else None,
            column="rpm",
        )


def with_settings_assumed(
    advice: Advice, rotor: Rotor | None = None, listed: NDArray[np.bool_] | None = None
) -> Advice:
    """Return advice whose plans, if it has any to make, say which settings were not known, and taken as 0.

    Parameters
    ----------
    listed : ndarray of bool, shape (A, B), optional
        Which are known; none of them if not given.
    """
    if advice.verdict not in ("adjust", "investigate", "learn"):
        return advice
    said = (*settings_words(rotor, listed, advice.setting), *advice.cautions)
    return replace(advice, cautions=cautions.by_gravity(said))


def settings_words(rotor: Rotor | None, listed: NDArray[np.bool_] | None, setting: Reals) -> tuple[str, ...]:
    """Return what to say of settings that cannot be, and of those not given, which are taken as 0."""
    wrong = "" if rotor is None else settings_outside(rotor, setting)
    said = (f"By the record {wrong}: that cannot be. See what is really installed.",) if wrong else ()
    if rotor is None or listed is None or not listed.any():
        return (*said, cautions.SETTINGS_ASSUMED)
    if listed.all():
        return said
    missing = missing_settings(rotor, listed)
    return (*said, f"Not in the settings, so taken as 0: {missing}. See what is really installed.")


def settings_outside(rotor: Rotor, setting: Reals) -> str:
    """Return the settings, shape (A, B), outside their range: "tip_weight of blade 3 is at -40 g (range 0 to 400)"."""
    said = []
    for adjuster, row in zip(rotor.adjusters, setting, strict=True):
        slack = STEP_SLACK * adjuster.step
        for blade, value in zip(rotor.blades, row.tolist(), strict=True):
            if not adjuster.minimum - slack <= value <= adjuster.maximum + slack:
                span = f"range {adjuster.minimum:g} to {adjuster.maximum:g}"
                said.append(f"{adjuster.name} of blade {blade} is at {value:.10g} {adjuster.unit} ({span})")
    return "; ".join(said)


def missing_settings(rotor: Rotor, listed: NDArray[np.bool_]) -> str:
    """Return the settings that are not listed, shape (A, B): "tip_weight on blades 2, 3; tab on every blade"."""
    said = []
    for adjuster, row in zip(rotor.adjusters, listed, strict=True):
        missing = [blade for blade, known in zip(rotor.blades, row, strict=True) if not known]
        if len(missing) == len(rotor.blades):
            said.append(f"{adjuster.name} on every blade")
        elif missing:
            said.append(f"{adjuster.name} on blade{'s' if len(missing) > 1 else ''} {', '.join(missing)}")
    return "; ".join(said)


def _blind(rotor: Rotor, run: Run, influence: Influence) -> tuple[str, ...]:
    """Return the readings taken of which the influence file says nothing."""
    return () if influence.blind is None else influence.blind.words(rotor, run.vibration_read, run.height_read)


def _barred(rotor: Rotor, run: Run, influence: Influence, review: Review) -> tuple[tuple[int, str], ...]:
    """Return (adjuster index, reason) of those that may not be advised on."""
    barred = []
    everything = np.logical_and(influence.unknown_vibration.all(axis=(1, 2)), influence.unknown_height.all(axis=1))
    names = [r.name for r in rotor.regimes]
    waits = waiting(rotor, run, review)
    for a in range(len(rotor.adjusters)):
        unknown = influence.unknown_vibration[a] & run.vibration_read
        unknown_in = [
            name
            for r, name in enumerate(names)
            if unknown[r].any() or (influence.unknown_height[a, r] and run.height_read[r])
        ]
        if everything[a]:
            barred.append((a, "its influence is not known"))
        elif unknown_in:
            barred.append((a, f"its influence is not known in {', '.join(unknown_in)}"))
        elif a in waits:
            barred.append((a, waits[a]))
    return tuple(barred)


@dataclass(frozen=True)
class _Ladder:
    """The search for the best plan of every count, and what each is expected to give."""

    rotor: Rotor
    run: Run
    influence: Influence
    posterior: OwnAircraft | None
    quadratic: Quadratic
    quad: Reals
    low: Counts
    high: Counts
    choices: list[Counts] | None
    allowed: Allowed | None
    work: Work | None
    aim: float
    tips: Run | None
    searched: Quadratic

    @classmethod
    def of(
        cls,
        rotor: Rotor,
        run: Run,
        influence: Influence,
        setting: Reals,
        barred: tuple[tuple[int, str], ...],
        nominal: bool,
        posterior: OwnAircraft | None,
        preferences: Preferences,
    ) -> _Ladder:
        quadratic = build_quadratic(rotor, run, influence)
        low, high = rotor.step_bounds(setting)
        for a, _ in barred:
            low[a] = high[a] = 0
        low, high = narrowed(rotor, preferences, setting, low, high)
        tips = tracked_first(rotor, preferences, run)
        searched = quadratic if tips is None else build_quadratic(rotor, tips, influence)
        for a, adjuster in enumerate(rotor.adjusters):
            if tips is not None and adjuster.kind != "pitch_link":
                low[a] = high[a] = 0
        quad = searched.quad if nominal else searched.quad + searched.quad_spread
        if preferences.links_sum_to_zero:
            quad = quad + held_to_nothing(rotor, preferences, searched)
        choices = change_choices(rotor, setting, low, high)
        allowed, work = condition(rotor, preferences), work_of(rotor)
        aim = preferences.aim or 1.0
        return cls(
            rotor, run, influence, posterior, quadratic, quad, low, high, choices, allowed, work, aim, tips, searched
        )

    def plans(self, most: int) -> tuple[Plan, ...]:
        """Return the plans of 0 ... most adjustments."""
        found = self._search(most)
        return self._plans(found, *self._chances(found))

    def grown(self, wanted: float) -> tuple[tuple[Plan, ...], int, bool]:
        """Return the plans of as many adjustments as it takes, how many those are, and whether it was cut short."""
        tried = MOST_AT_FIRST
        found = self._search(tried)
        plans = self._plans(found, *self._chances(found))
        movable = int(np.count_nonzero(self.high > self.low))
        while tried < min(MOST_AT_ALL, movable):
            best = max(plan.deciding_chance for plan in plans)
            if best >= wanted:
                break
            searches = 1 if self.work is None else len(found)  # each amount of work is one of its own
            if searches * effort(found, movable, tried) > _LONGEST_SEARCH:
                return plans, tried, True
            found = self._search(tried + 1, found)
            known = plans if self.work is None else ()
            passing, aimed = self._chances(found[len(known) :])
            if max(passing if aimed is None else aimed) < best + WORTH_ONE_MORE:
                break
            plans, tried = (*known, *self._plans(found[len(known) :], passing, aimed)), tried + 1
        return plans, tried, False

    def _search(self, most: int, known: Sequence[Solution] = ()) -> list[Solution]:
        """Return the best of each count, or of each amount of work; of the first counts it may be known."""
        group = np.repeat(np.arange(self.low.shape[0]), self.low.shape[1])
        lin, constant = self.searched.lin, self.searched.constant
        low, high = self.low.ravel(), self.high.ravel()

        def solve(allowed: Allowed | None, most: int, known: Sequence[Solution] = ()) -> list[Solution]:
            problem = self.quad, lin, constant, low, high, group
            return search(*problem, most, choices=self.choices, allowed=allowed, known=known)

        if self.work is None:
            return solve(self.allowed, most, known)
        same = 1e-9 * (1.0 + abs(constant))
        return least_work(lambda allowed, most: solve(allowed, most)[-1], most, self.work, same, self.allowed)

    def _changes(self, found: list[Solution]) -> Reals:
        """Return solutions as changes in adjuster units, shape (P, A, B)."""
        return self.rotor.amounts(np.array([s.x.reshape(self.low.shape) for s in found]))

    def _chances(self, found: list[Solution]) -> tuple[list[float], list[float] | None]:
        """Return the chance of each solution, and that of what is aimed at where it is not the limits."""
        changes = self._changes(found)
        passing: list[float] = self._chances_once(self.run, changes, found).tolist()
        if self.aim == 1.0 and self.tips is None:
            return passing, None
        return passing, self._chances_once(self.tips or self.run, changes, found, self.aim).tolist()

    def _plans(self, found: list[Solution], passing: list[float], aimed: list[float] | None) -> tuple[Plan, ...]:
        """Return solutions and their chances as plans; one that is the same as the last before is not told twice."""
        plans: list[Plan] = []
        for m, (solution, change) in enumerate(zip(found, self._changes(found), strict=True)):
            if m and (solution.x == found[m - 1].x).all():
                plans.append(replace(plans[-1], proven=solution.proven))
            else:
                plans.append(self._plan(solution, change, passing[m], None if aimed is None else aimed[m]))
        return tuple(plans)

    def _chances_once(self, run: Run, changes: Reals, found: list[Solution], part: float = 1.0) -> Reals:
        """Return the chance of each plan, working out plans that are the same only once."""
        firsts = [m for m in range(len(found)) if m == 0 or (found[m].x != found[m - 1].x).any()]
        parts = () if part == 1.0 else (part,)
        sampled = chances(self.rotor, run, self.influence, changes[firsts], self.posterior, *parts)
        if self.posterior is None:  # what the aircraft itself has shown is not made less sure
            for i, m in enumerate(firsts):
                unsure = less_sure(self.rotor, self.influence, changes[m])
                if unsure is not self.influence:
                    sampled[i] = chances(self.rotor, run, unsure, changes[m][None], None, *parts)[0]
        return sampled[np.searchsorted(firsts, np.arange(len(found)), side="right") - 1]

    def _plan(self, solution: Solution, change: Reals, chance: float, chance_of_aim: float | None) -> Plan:
        influence, run = self.influence, self.run
        moved, lifted = influence.vibration_change(self.rotor, change), influence.height_change(change)
        vibration, height = run.vibration + moved, run.height + lifted
        unsure = less_sure(self.rotor, influence, change) if self.posterior is None else influence
        likely = forecast(self.rotor, run, unsure, change, self.posterior)
        return Plan(
            change=change,
            cost=self.quadratic.cost(solution.x.astype(float)),
            expected_cost=self.quadratic.expected_cost(solution.x.astype(float)),
            chance=chance,
            proven=solution.proven,
            vibration=vibration,
            height=height,
            vibration_change=moved,
            height_change=lifted,
            worst_ratio=_worst_ratio(self.rotor, vibration, height),
            minutes=None if self.work is None else self.work.of(solution.x),
            likely=likely,
            worst_likely=likely.worst_ratio(self.rotor),
            chance_of_aim=chance_of_aim,
        )


def _worst_ratio(rotor: Rotor, vibration: Complexes, height: Reals) -> float:
    """Return the largest reading over its limit; nan readings are not taken."""
    ratios = np.append(np.abs(vibration) / rotor.vibration_limit, np.ptp(height, axis=1) / rotor.height_limit)
    taken = ratios[~np.isnan(ratios)]
    return float(taken.max(initial=0.0))


def _recommend(plans: tuple[Plan, ...], wanted: float) -> int:
    """Return the index of the fewest adjustments with the wanted chance, else of those as good as the best chance.

    Never the empty plan, unless there is no other.
    """
    filled = [m for m, plan in enumerate(plans) if plan.count]
    if not filled:
        return 0
    enough = [m for m in filled if plans[m].deciding_chance >= wanted]
    if enough:
        return enough[0]
    best = max(plans[m].deciding_chance for m in filled)
    tied = [m for m in filled if plans[m].deciding_chance >= best - WORTH_ONE_MORE]
    return min(tied, key=lambda m: (plans[m].minutes or 0.0, plans[m].count, plans[m].expected_cost, m))


def _what_preferences_cost(
    ladder: _Ladder,
    setting: Reals,
    barred: tuple[tuple[int, str], ...],
    nominal: bool,
    plan: Plan,
    most: int,
    wanted: float,
) -> tuple[str, ...]:
    """Return of each preference what the plan would be without it."""
    said, free_of_cost = [], []
    for words, rest in ladder.rotor.preferences.one_by_one():
        without = _Ladder.of(
            ladder.rotor, ladder.run, ladder.influence, setting, barred, nominal, ladder.posterior, rest
        )
        plans = without.plans(most)
        free = plans[_recommend(plans, wanted)]
        chance = f"chance {chance_words(plan.chance)}, {plan.size_words}"
        if np.array_equal(free.change, plan.change):
            free_of_cost.append(words)
        else:
            said.append(
                f"Kept to: {words}: {chance}, instead of {chance_words(free.chance)}, {free.size_words}, without it."
            )
    if free_of_cost:
        said.append(f"Kept to, at no cost: {'; '.join(free_of_cost)}.")
    return tuple(said)


def _how_known(influence: Influence, posterior: OwnAircraft | None) -> tuple[str, ...]:
    """Return what to say of a chance that rests on an aircraft unlike the record, or on rows alone."""
    if posterior is not None and posterior.unlike >= UNLIKE:
        unlike = (
            f"An aircraft unlike those of the record: what no adjuster explains is {posterior.unlike:.1f} times theirs."
        )
        text = f"{unlike} The chance takes part of that into account and may still be too high; look for a cause."
        short = f"Unlike the aircraft of the record ({posterior.unlike:.1f} times): chance may be too high."
        return (cautions.Caution(text, short),)
    spread = influence.vibration_cov.any() or influence.height_cov.any()
    by_rows = posterior is None and influence.departures is None
    if by_rows and spread and influence.source.get("jobs") != 0:  # 0: no past jobs at all
        text = "The influence file has no departures, without which chances come out too low; a fit writes them."
        return (cautions.Caution(text, "Influence file without departures: chances are too low."),)
    return ()


def _aim_words(
    rotor: Rotor,
    plans: tuple[Plan, ...],
    verdict: Verdict,
    recommended: int,
    settled: bool,
    wanted: float,
    track: bool,
) -> tuple[str, ...]:
    """Return how likely what is aimed at below the limits is; nothing where the limits are."""
    plan = plans[recommended]
    if plan.chance_of_aim is None or settled or verdict not in ("adjust", "inside"):
        return ()
    aim = f"{rotor.preferences.aim or 1.0:g} of every limit"
    if verdict == "inside":
        best = max(one.deciding_chance for one in plans)
        return (
            f"Inside limits, not within the aim of {aim}: no plan reaches it surely enough (at best "
            f"{chance_words(best)}, wanted {chance_words(wanted)}).",
        )
    short = (
        "" if plan.deciding_chance >= wanted else f", below the {chance_words(wanted)} wanted: another round is likely"
    )
    if track:
        next_words = "; vibration and weights after that" if plan.deciding_chance >= wanted else ""
        return (
            f"Track first: pitch links alone, chance {chance_words(plan.deciding_chance)} for the tips on the ground"
            f"{short}{next_words}.",
        )
    return (f"Aimed at {aim}: chance {chance_words(plan.deciding_chance)}{short}.",)


def _larger_plans(plans: tuple[Plan, ...], recommended: int, most: int, cut_short: bool) -> tuple[str, ...]:
    """Return what to say of plans larger than those tried."""
    if cut_short:
        return (
            f"Plans of more than {most} adjustments were not tried, as the search would be long; --most tries them.",
        )
    if plans[recommended].count == most < MOST_AT_ALL:
        return (f"More than {most} adjustments were not tried; --most allows them.",)
    return ()


def stop_cautions(rotor: Rotor, influence: Influence, review: Review, stops: Sequence[str]) -> tuple[str, ...]:
    """Return what to say where a stop limit was reached; `stops`: beside those of this run."""
    by_speed = (
        f"{one.regime}, {one.sensor}: {one.largest:.4g} {one.unit} at the speed typed, {one.at_usual:.4g} at the "
        "usual one: a stop at one of the two, so check the speed."
        for one in review.readings
        if one.stopped_at_usual
    )
    now = review.stop_words
    return (
        *([f"At a stop limit: {'; '.join(now)}."] if now else []),
        *([f"At a stop limit before, and not read again since: {'; '.join(stops)}."] if stops else []),
        *by_speed,
        "A reading is at or above its stop limit: do not adjust over it. Find the cause first; plans are offered "
        "only after a person has decided so (--override-stop).",
        *cautions.mechanical_causes(rotor.place),
        *cautions.other_rotor(influence.rotor_name, rotor.name),
        *cautions.general_cautions(),
    )


def _overridden(review: Review, stops: tuple[str, ...]) -> list[str]:
    """Return which stops plans are shown over, because a person has decided so."""
    named = [*review.stop_words, *(f"{stop}, not read again since" for stop in stops)]
    if not named:
        return []
    which = "; ".join(named)
    text = f"A reading is at or above its stop limit ({which}); plans are shown because that was overridden."
    return [cautions.Gravest(text, f"STOP OVERRIDDEN: {which}.")]


def of_the_files(rotor: Rotor, influence: Influence) -> list[str]:
    """Return what to say of an influence file that may not be this rotor's."""
    said = cautions.other_rotor(influence.rotor_name, rotor.name)
    said += [UNBOUND] if influence.made_for is None else []
    return said + [f"The influence file was made for another rotor file: {line}." for line in influence.differs]


def no_stop_words(rotor: Rotor) -> list[str]:
    """Return what to say where no stop limit is set; nothing where all are."""
    without = without_stop(rotor)
    return [f"No stop limit is set for {without}: none there stops a plan."] if without else []


def _cautions(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    verdict: Verdict,
    plans: tuple[Plan, ...],
    recommended: int,
    barred: tuple[tuple[int, str], ...],
    review: Review,
    wanted: float,
    setting: Reals,
    posterior: OwnAircraft | None,
    stops: tuple[str, ...],
) -> tuple[str, ...]:
    """Return what a person should know beside the numbers, the gravest first."""
    plan = plans[recommended]
    said = []
    said += _overridden(review, stops)
    said += cautions.no_further(held_at(rotor, review))
    coverage = review.coverage
    if verdict == "inside" and not coverage.complete:
        said.append(
            f"Only what was read is inside limits ({coverage.what_was_read}). Not read: {coverage.what_was_not}. "
            "This run finishes nothing."
        )
    said += [f"Doubtful: {doubt.text}" for doubt in review.doubts]
    said += [f"{note.text}." for note in review.notes if note.kind == "blade_multiple"]
    said += of_the_files(rotor, influence)
    blind = _blind(rotor, run, influence)
    if blind and verdict not in ("inside", "learn"):
        said.append(
            f"The influence file says nothing of {'; '.join(blind)}, read this time: every plan counts as doing "
            "nothing there, so how likely it is to pass is not known."
        )
    said += no_stop_words(rotor)
    if verdict == "investigate" and review.unclear and not plan.count:
        said.append(f"Read again before anything is done: {'; '.join(map(str, review.unclear))}.")
    elif verdict == "investigate":
        said.append(cautions.NO_CURE)
        said += cautions.mechanical_causes(rotor.place)
    elif verdict == "adjust" and plan.chance < wanted and plan.chance_of_aim is None:
        said.append(
            cautions.Caution(
                f"The chance that the next run is inside limits is {chance_words(plan.chance)}, below the "
                f"{chance_words(wanted)} wanted: another round is likely.",
                f"Chance below the {chance_words(wanted)} wanted: another round is likely.",
            )
        )
    if verdict != "learn":  # which says more of them
        barred_names = ", ".join(rotor.adjusters[a].name for a, _ in barred)
        said += [
            cautions.Caution(f"{rotor.adjusters[a].name} is not advised on: {reason}.", f"Not used: {barred_names}.")
            for a, reason in barred
        ]
    if verdict == "adjust":
        likely = None
        if plan.elsewhere is not None:
            unchanged = elsewhere(rotor, run, influence, np.zeros_like(plan.change), posterior)
            likely = None if unchanged is None else (unchanged, plan.elsewhere)
        said += unread_words(rotor, run, influence, setting, plan.change, likely)
    if not all(p.proven for p in plans):
        said.append("A search limit was hit: some plans are the best found, not proven to be the best.")
    if verdict == "adjust":
        kinds = [a.kind for a, row in zip(rotor.adjusters, plan.change, strict=True) if row.any()]
        said += cautions.adjuster_cautions(kinds)
    return (*said, *cautions.general_cautions())
