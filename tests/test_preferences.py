"""What a crew keeps to: plans that do, proven against every plan tried, and what it costs in chance."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from invented_cases import invented_case

from trackbal.base.errors import InputError
from trackbal.commands.group import run as command
from trackbal.influence.coefficients import Influence
from trackbal.plan import advice as advice_module
from trackbal.plan.advice import advise
from trackbal.plan.chance import chances
from trackbal.plan.keeping import condition
from trackbal.plan.quadratic import build_quadratic
from trackbal.runs.preferences import NO_PREFERENCES, Preferences, job_preferences
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_run
from trackbal.runs.words import chance_words

CASE = invented_case(29, blades=4, adjusters=2, size=4.0)  # a0 weights, a1 pitch links
MOST = 3


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    folder = tmp_path_factory.mktemp("case")
    CASE.write(folder)
    rotor = Rotor.load(folder / "rotor.toml")
    influence = Influence.parse((folder / "influence.json").read_text(), "influence.json", rotor)
    return rotor, read_run(rotor, folder / "run.csv"), influence


def best_by_trying(given, keeps, minutes=None):
    """Return the lowest expected cost of each count of every plan that `keeps` allows, shape (A, B) in steps."""
    rotor, run, influence = given
    quadratic = build_quadratic(rotor, run, influence)
    least = [np.inf] * (MOST + 1)
    for m in range(MOST + 1):
        for support in itertools.combinations(range(8), m):
            for values in itertools.product((-2, -1, 1, 2), repeat=m):
                x = np.zeros(8)
                x[list(support)] = values
                if keeps(x.reshape(2, 4)):
                    least[m] = min(least[m], quadratic.expected_cost(x))
        least[m] = min(least[: m + 1])
    return least


def opposite(x):
    """Whether weights on blades 1 and 3, or 2 and 4, are changed at once."""
    return bool((x[0, 0] and x[0, 2]) or (x[0, 1] and x[0, 3]))


KEPT = {
    "hold": (Preferences(hold=(("b2", "a1"), ("b3", "a0"))), lambda x: not x[1, 1] and not x[0, 2]),
    "reference": (Preferences(reference_blade="b3"), lambda x: not x[:, 2].any()),
    "most_blades": (Preferences(most_blades=(("weight", 1),)), lambda x: np.count_nonzero(x[0]) <= 1),
    "opposite": (Preferences(no_opposite_weights=True), lambda x: not opposite(x)),
    "near": (Preferences(near_neutral=(("a0", 10.0),)), lambda x: np.abs(x[0]).max() <= 1),
    "links": (Preferences(links_sum_to_zero=True), lambda x: x[1].sum() == 0),
    "several": (
        Preferences(reference_blade="b1", most_blades=(("pitch_link", 2),), links_sum_to_zero=True),
        lambda x: not x[:, 0].any() and np.count_nonzero(x[1]) <= 2 and x[1].sum() == 0,
    ),
}


@pytest.mark.parametrize("name", KEPT)
def test_the_plan_kept_to_a_preference_is_the_best_of_those_that_do(given, name):
    rotor, run, influence = given
    preferences, keeps = KEPT[name]
    wanted = best_by_trying(given, keeps)
    advice = advise(replace(rotor, preferences=preferences), run, influence, most=MOST)
    steps = np.array([a.step for a in rotor.adjusters])[:, None]
    assert all(keeps(np.rint(plan.change / steps)) for plan in advice.plans)
    assert [plan.expected_cost for plan in advice.plans] == pytest.approx(wanted)
    assert all(plan.proven for plan in advice.plans)
    free = advise(rotor, run, influence, most=MOST)
    assert not all(keeps(np.rint(plan.change / steps)) for plan in free.plans)  # else nothing was tried


def test_each_preference_says_what_it_costs(given):
    rotor, run, influence = given
    free = advise(rotor, run, influence, most=MOST)
    assert not any("Kept to" in c for c in free.cautions)
    b, a = np.argwhere(free.plans[free.recommended].change.T)[0]
    held = ((rotor.blades[b], rotor.adjusters[a].name),)
    advice = advise(replace(rotor, preferences=Preferences(hold=held)), run, influence, most=MOST)
    if advice.verdict == "adjust":
        (said,) = [c for c in advice.cautions if c.startswith("Kept to")]
        assert f"of blade {rotor.blades[b]} held" in said and "without it" in said
        assert free.plans[free.recommended].size_words in said


def test_minutes_make_the_ladder_that_of_the_least_work(given):
    rotor, run, influence = given
    timed = replace(
        rotor,
        blade_minutes=10.0,
        adjusters=tuple(replace(a, minutes=m) for a, m in zip(rotor.adjusters, (5.0, 20.0), strict=True)),
    )
    advice = advise(timed, run, influence, most=MOST)
    minutes = [plan.minutes for plan in advice.plans]
    costs = [plan.expected_cost for plan in advice.plans]
    assert minutes[0] == 0.0 and minutes == sorted(set(minutes)) and costs == sorted(costs, reverse=True)
    steps = np.array([a.step for a in rotor.adjusters])[:, None]

    def work(x):
        return 5.0 * np.count_nonzero(x[0]) + 20.0 * np.count_nonzero(x[1]) + 10.0 * np.count_nonzero(x.any(axis=0))

    for plan in advice.plans:
        assert plan.proven and plan.minutes == work(plan.change / steps)
        room = plan.minutes
        assert plan.expected_cost == pytest.approx(best_by_trying(given, lambda x, r=room: work(x) <= r)[MOST])


def test_changes_that_take_no_time_are_held_against_todays_readings(given):
    rotor, run, influence = given
    free = replace(
        rotor, adjusters=tuple(replace(a, minutes=m) for a, m in zip(rotor.adjusters, (0.0, 20.0), strict=True))
    )
    plain, advice = advise(rotor, run, influence, most=2), advise(free, run, influence, most=2)
    assert (advice.plans[0].count, advice.plans[0].minutes) == (0, 0.0)
    assert advice.plans[0].worst_ratio == plain.plans[0].worst_ratio
    assert (advice.plans[1].count > 0, advice.plans[1].minutes) == (True, 0.0)


def test_without_minutes_and_preferences_it_is_the_ladder_of_counts_to_the_last_digit(given):
    rotor, run, influence = given
    even = replace(rotor, adjusters=tuple(replace(a, minutes=1.0) for a in rotor.adjusters))
    plain, timed = (advise(r, run, influence, most=MOST) for r in (rotor, even))
    by_count = {plan.count: plan for plan in plain.plans}
    assert plain.plans[0].minutes is None
    for plan in timed.plans:
        assert plan.minutes == plan.count
        assert plan.expected_cost == by_count[plan.count].expected_cost
        assert (plan.change == by_count[plan.count].change).all() and plan.chance == by_count[plan.count].chance


def test_the_ladder_of_least_work_grows_by_itself_as_that_of_counts_does(tmp_path, monkeypatch):
    wide = invented_case(29, size=4.0, blades=7, adjusters=2)  # 14 places to adjust: each count is another plan
    bought = dict(enumerate((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.705)))
    monkeypatch.setattr(
        advice_module, "chances", lambda *args: np.array([bought[np.count_nonzero(c)] for c in args[3]])
    )
    wide.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run, influence = read_run(rotor, tmp_path / "run.csv"), Influence.load(tmp_path / "influence.json", rotor)
    timed = replace(rotor, adjusters=tuple(replace(a, minutes=1.0) for a in rotor.adjusters))
    advice = advise(timed, run, influence)
    assert [plan.count for plan in advice.plans] == list(range(8)) and advice.recommended == 7
    assert not advice.cut_short
    assert len(advise(timed, run, influence, most=6).plans) == 7
    monkeypatch.setattr(advice_module, "_LONGEST_SEARCH", 0.0)
    cut = advise(timed, run, influence)
    assert len(cut.plans) == 7 and cut.cut_short and any("--most" in caution for caution in cut.cautions)


def test_opposite_is_told_by_where_weights_sit_on_the_hub(given):
    rotor = given[0]  # a0 weights on blades 90 degrees apart
    between = tuple(
        replace(a, kind="weight", hardware=replace(a.hardware, azimuth_offset_deg=offset))
        for a, offset in zip(rotor.adjusters, (0.0, 45.0), strict=True)
    )
    wanted = replace(rotor, adjusters=between, preferences=Preferences(no_opposite_weights=True))
    allowed = condition(wanted, wanted.preferences)
    at = np.array([0.0, 90.0, 180.0, 270.0, 45.0, 135.0, 225.0, 315.0])
    for i, j in itertools.combinations(range(8), 2):
        apart = abs((at[i] - at[j] + 180.0) % 360.0 - 180.0)
        assert allowed(np.array([[i], [j]]))[0] == (apart <= 150.0)


def test_an_adjuster_may_be_held_on_every_blade(given):
    rotor, run, influence = given
    for words in ("a1", "b1:a1", "b2:a1", "b3:a1", "b4:a1"):
        assert job_preferences(rotor.blades, ["a0", "a1"], hold=[words]).as_options() == {"hold": [words]}
    held = replace(rotor, preferences=job_preferences(rotor.blades, ["a0", "a1"], hold=["a1"]))
    one_by_one = tuple((blade, "a1") for blade in rotor.blades)
    same = replace(rotor, preferences=Preferences(hold=one_by_one))
    plans, others = (advise(r, run, influence, most=MOST).plans for r in (held, same))
    for plan, other in zip(plans, others, strict=True):
        assert not plan.change[1].any() and (plan.change == other.change).all()


def test_what_a_crew_would_rather_leave_is_no_mechanical_fault(tmp_path):
    invented_case(106, blades=4, adjusters=2, size=0.8).write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run, influence = read_run(rotor, tmp_path / "run.csv"), Influence.load(tmp_path / "influence.json", rotor)
    assert advise(rotor, run, influence).verdict == "adjust"
    held = replace(rotor, preferences=Preferences(hold=(("", "a0"), ("", "a1"))))
    advice = advise(held, run, influence)
    assert advice.verdict == "adjust" and advice.plans[advice.recommended].count == 0
    assert any(caution.startswith("Kept to: a0 held") for caution in advice.cautions)
    assert advise(held, run, influence, most=1).verdict == "adjust"  # of a ladder that is long enough without them


def test_adjusters_by_stage(given):
    rotor, run, influence = given
    staged = replace(rotor, adjusters=(rotor.adjusters[0], replace(rotor.adjusters[1], inside_first=("r0",))))
    advice = advise(staged, run, influence, most=MOST)
    assert advice.barred == ((1, "r0 must be read and inside first"),)
    assert not any(plan.change[1].any() for plan in advice.plans)
    easy = replace(staged.regimes[0], vibration=99.0, height_spread=999.0)
    quiet = replace(staged, regimes=(easy, *staged.regimes[1:]))
    assert advise(quiet, run, influence, most=MOST).barred == ()


def test_a_range_left_before_may_be_kept_but_not_widened(given):
    rotor, run, influence = given
    setting = np.zeros((2, 4))
    setting[1] = [1.0, -1.0, 0.5, 0.0]
    near = replace(rotor, preferences=Preferences(near_neutral=(("a1", 0.5),)))
    for plan in advise(near, run, influence, setting, most=MOST).plans:
        after = np.abs(setting[1] + plan.change[1])
        assert (after <= np.maximum(0.5, np.abs(setting[1])) + 1e-9).all()


# ---- where they are written -----------------------------------------------------------------------


def test_the_rotor_file_and_the_command_line_add_up(tmp_path, capsys):
    arguments = [str(a) for a in CASE.write(tmp_path)]
    file = tmp_path / "rotor.toml"
    file.write_text(file.read_text() + '\n[preferences]\nreference_blade = "b1"\nmost_blades = { weight = 1 }\n')

    def plans(*more):
        assert command(["advise", *arguments, "--json", "--most", "3", *more]) in (0, 1)
        answer = json.loads(capsys.readouterr().out)
        return [{(j["blade"], j["adjuster"]) for j in plan["adjustments"]} for plan in answer["plans"]]

    for plan in plans("--hold", "b2:a0", "--most-blades", "weight:2"):
        assert not any(blade == "b1" for blade, _ in plan) and ("b2", "a0") not in plan
    assert any(blade == "b1" for plan in plans("--no-preferences") for blade, _ in plan)
    assert command(["advise", *arguments, "--hold", "b9:a0"]) == 2
    assert "--hold: found 'b9:a0', expected BLADE:ADJUSTER" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('hold = ["b1"]', "preferences.hold"),
        ('hold = ["b1:a9"]', "preferences.hold"),
        ('reference_blade = "9"', "preferences.reference_blade"),
        ("most_blades = { wing = 1 }", "preferences.most_blades.wing"),
        ("near_neutral = { a0 = -1 }", "preferences.near_neutral.a0"),
        ("no_weights = true", "preferences.no_weights"),
    ],
)
def test_bad_preferences_are_named(tmp_path, text, key):
    CASE.write(tmp_path)
    file = tmp_path / "rotor.toml"
    file.write_text(file.read_text() + f"\n[preferences]\n{text}\n")
    with pytest.raises(InputError) as told:
        Rotor.load(file)
    assert key in str(told.value)


@pytest.mark.parametrize("option", ["near_neutral", "most_blades", "hold"])
@pytest.mark.parametrize("text", ["", "a9", "a0:x", "weight:-1", "b1:weight", "a0:"])
def test_bad_options_are_named(option, text):
    with pytest.raises(InputError, match="--" + option.replace("_", "-")):
        job_preferences(["b1"], ["a0"], **{option: [text]})


def test_words_and_what_is_left_without_each():
    every = Preferences("1", (("2", "tab"),), (("weight", 2),), True, (("tab", 3.0),), True, 0.5, True)
    words = [text for text, _ in every.one_by_one()]
    assert words == [
        "blade 1 not touched",
        "tab of blade 2 held",
        "weights on at most 2 blades",
        "no weights on nearly opposite blades",
        "tab within 3 of neutral",
        "pitch-link changes adding up to nothing",
        "aim at 0.5 of every limit",
        "track before balance on the ground",
    ]
    for i, (_, rest) in enumerate(every.one_by_one()):
        assert [text for text, _ in rest.one_by_one()] == words[:i] + words[i + 1 :]
    assert not NO_PREFERENCES and every


# ---- an aim below the limits ----------------------------------------------------------------------


def aimed_case(tmp_path, aim, **options):
    invented_case(106, blades=4, adjusters=2, size=0.8).write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run, influence = read_run(rotor, tmp_path / "run.csv"), Influence.load(tmp_path / "influence.json", rotor)
    wanted = replace(rotor, preferences=Preferences(aim=aim))
    return rotor, run, influence, advise(wanted, run, influence, most=MOST, **options)


def halved(rotor, part):
    """Return the rotor with every limit as small as what is aimed at, stops as they are."""

    def less(value):
        return None if value is None else value * part

    return replace(
        rotor,
        vibration=less(rotor.vibration),
        height_spread=less(rotor.height_spread),
        sensors=tuple(replace(s, limit=less(s.limit)) for s in rotor.sensors),
        regimes=tuple(
            replace(r, vibration=less(r.vibration), height_spread=less(r.height_spread)) for r in rotor.regimes
        ),
    )


def test_the_chance_of_an_aim_is_that_of_limits_as_small(tmp_path):
    rotor, run, influence, advice = aimed_case(tmp_path, 0.7)
    plain = advise(rotor, run, influence, most=MOST)
    small = advise(halved(rotor, 0.7), run, influence, most=MOST)
    for plan, other, same in zip(advice.plans, small.plans, plain.plans, strict=True):
        assert (plan.change == other.change).all() and (plan.change == same.change).all()
        assert plan.chance == same.chance and same.chance_of_aim is None
        assert plan.chance_of_aim == pytest.approx(other.chance, abs=0.01)  # tips are drawn
    assert advice.recommended == small.recommended
    assert any(words.startswith("Aimed at 0.7 of every limit: chance") for words in advice.cautions)


def test_what_is_inside_limits_is_adjusted_further_only_for_a_likely_plan(tmp_path):
    rotor, run, influence, _ = aimed_case(tmp_path, None)
    wide = halved(rotor, 1.3 * advise(rotor, run, influence, most=0).review.worst_ratio)
    assert advise(wide, run, influence, most=MOST).verdict == "inside"
    aimed = replace(wide, preferences=Preferences(aim=0.7))
    likely = advise(aimed, run, influence, most=MOST, chance=0.1)
    assert likely.verdict == "adjust" and likely.offered.chance_of_aim >= 0.1
    unlikely = advise(replace(wide, preferences=Preferences(aim=0.02)), run, influence, most=MOST)
    assert unlikely.verdict == "inside" and unlikely.recommended == 0
    assert any("not within the aim of 0.02 of every limit" in words for words in unlikely.cautions)
    settled = advise(replace(wide, preferences=Preferences(aim=0.99)), run, influence, most=MOST)
    assert settled.verdict == "inside" and not any("aim" in words for words in settled.cautions)


@pytest.mark.parametrize("aim", ["0", "-0.5", "1.5", "nan"])
def test_an_aim_is_a_part_of_the_limits(tmp_path, capsys, aim):
    arguments = [str(a) for a in CASE.write(tmp_path)]
    assert command(["advise", *arguments, "--aim", aim]) == 2
    assert "--aim" in capsys.readouterr().err
    file = tmp_path / "rotor.toml"
    file.write_text(file.read_text() + f"\n[preferences]\naim = {aim}\n")
    with pytest.raises(InputError, match="aim"):
        Rotor.load(file)


# ---- track before balance --------------------------------------------------------------------------


def ground_tips(run, ground):
    """Return the tips on the ground alone, as a run."""
    nothing = np.full(run.vibration.shape, complex(np.nan, np.nan))
    return replace(
        run,
        vibration=nothing,
        vibration_count=0 * run.vibration_count,
        height=np.where(ground[:, None], run.height, np.nan),
        height_count=np.where(ground, run.height_count, 0),
    )


def test_track_first_is_the_best_of_links_for_the_tips_on_the_ground(given):
    rotor, run, influence = given
    rotor = replace(rotor, regimes=(rotor.regimes[0], replace(rotor.regimes[1], airborne=True)))
    assert run.height_read.all() and run.spread[0] > rotor.height_limit[0]
    tracked = replace(rotor, preferences=Preferences(track_first=True))
    advice, plain = (advise(r, run, influence, most=MOST) for r in (tracked, rotor))
    tips = ground_tips(run, np.array([True, False]))
    quadratic, whole = build_quadratic(rotor, tips, influence), build_quadratic(rotor, run, influence)
    steps = np.array([a.step for a in rotor.adjusters])[:, None]
    for m, plan in enumerate(advice.plans):
        assert not plan.change[0].any()  # a0 weights
        least = min(
            quadratic.expected_cost(np.concatenate([np.zeros(4), x]))
            for x in itertools.product((-2.0, -1.0, 0.0, 1.0, 2.0), repeat=4)
            if np.count_nonzero(x) <= m
        )
        assert quadratic.expected_cost((plan.change / steps).ravel()) == pytest.approx(least)
        assert plan.expected_cost == pytest.approx(whole.expected_cost((plan.change / steps).ravel()))
    found = chances(rotor, tips, influence, np.array([plan.change for plan in advice.plans]))
    assert [plan.chance_of_aim for plan in advice.plans] == found.tolist()
    assert all(plan.chance_of_aim is None for plan in plain.plans)


def test_track_first_says_that_vibration_is_left_for_later(tmp_path):
    invented_case(106, blades=4, adjusters=2, size=0.8).write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run, influence = read_run(rotor, tmp_path / "run.csv"), Influence.load(tmp_path / "influence.json", rotor)
    advice = advise(replace(rotor, preferences=Preferences(track_first=True)), run, influence, most=MOST)
    chance = chance_words(advice.offered.chance_of_aim)
    said = f"Track first: pitch links alone, chance {chance} for the tips on the ground"
    assert advice.verdict == "adjust" and any(words.startswith(said) for words in advice.cautions)


@pytest.mark.parametrize("why", ["tips inside", "in flight", "no links"])
def test_track_first_changes_nothing_where_there_is_nothing_to_track(given, why):
    rotor, run, influence = given
    if why == "tips inside":
        rotor = replace(rotor, regimes=tuple(replace(r, height_spread=1e6) for r in rotor.regimes))
    elif why == "in flight":
        rotor = replace(rotor, regimes=tuple(replace(r, airborne=True) for r in rotor.regimes))
    else:
        rotor = replace(rotor, adjusters=tuple(replace(a, kind="weight") for a in rotor.adjusters))
    tracked = replace(rotor, preferences=Preferences(track_first=True))
    for plan, other in zip(*(advise(r, run, influence, most=MOST).plans for r in (tracked, rotor)), strict=True):
        assert (plan.change == other.change).all() and plan.chance_of_aim is None
