"""The drill: what is hidden follows from level and seed, orders are checked as at the stand, and nothing gets lost."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trackbal.base.errors import InputError
from trackbal.check.review import check_run
from trackbal.commands.group import run
from trackbal.drill.debrief import debrief, decisions
from trackbal.drill.levels import LEVELS, level_of
from trackbal.drill.orders import Order, read_order
from trackbal.drill.own_play import advised, play_out, scatters, score
from trackbal.drill.past_jobs import influence_of_type
from trackbal.drill.play import Drill, begin, play
from trackbal.drill.record import Record
from trackbal.drill.scenario import Scenario, as_shown, draw
from trackbal.drill.screen import influence_table, opening, readings, record_text


def first(level: int, snag: str) -> Scenario:
    """Return the first scenario of a level with a snag."""
    return next(s for seed in range(60) if (s := draw(level_of(level), seed)).snag == snag)


def order(drill: Drill, typed: str) -> str:
    return play(drill, read_order(drill.rotor, typed, drill.planned, drill.setting))


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: str(level.number))
def test_level_and_seed_make_the_drill(level):
    one, again, other = draw(level, 3), draw(level, 3), draw(level, 4)
    assert one.snag == again.snag
    assert one.put_out == again.put_out
    assert np.array_equal(begin(one).run.vibration, begin(again).run.vibration, equal_nan=True)
    assert not np.array_equal(begin(one).run.vibration, begin(other).run.vibration, equal_nan=True)
    ratio = check_run(one.rotor, one.aircraft.true_run()).readings[0].ratio
    assert level.worst[0] <= ratio <= level.worst[1]


def test_the_first_run_is_on_the_ground_and_stages_follow_one_by_one():
    drill = begin(draw(level_of(3), 1))
    flown = [bool(r) for r in drill.run.regime_read]
    assert flown == [not regime.airborne for regime in drill.rotor.regimes]
    play_out(drill)
    assert drill.state == "won"
    stages = [flight.stage for flight in drill.flights]
    assert stages == sorted(stages)
    assert stages[-1] == len(drill.rotor.regimes) - 1


def test_readings_are_rounded_as_an_instrument_shows_them():
    scenario = draw(level_of(1), 2)
    shown = as_shown(scenario.rotor, scenario.aircraft.true_run())
    assert np.allclose(np.abs(shown.vibration) * 1000, np.rint(np.abs(shown.vibration) * 1000))  # a limit of 0.2 ips
    degrees = np.degrees(np.angle(shown.vibration))
    assert np.allclose(degrees, np.rint(degrees))


def test_an_aircraft_outside_its_limits_is_not_released_and_the_third_time_ends_the_drill():
    drill = begin(draw(level_of(1), 7))
    assert not drill.review.inside
    stage = drill.stage
    for _ in range(2):
        assert "Not released" in order(drill, "release")
        assert drill.stage == stage
        assert drill.state == "open"
    order(drill, "release")
    assert drill.state == "lost"
    assert order(drill, "fly") == "This drill has ended."


def test_asking_for_release_outside_limits_leaves_the_best_path():
    drill = begin(draw(level_of(1), 7))
    order(drill, "release")
    order(drill, "give up")
    own = begin(drill.scenario)
    play_out(own)
    assert debrief(drill, own).left_at == 1


def test_the_rotor_of_the_lesson_by_hand_is_cured_by_ruler_and_compasses():
    """As docs/by_hand.md has it: both sensors' arrows, measured to a millimetre and a degree, and whole steps."""
    drill = begin(draw(level_of(1), 7))
    influence = influence_of_type(drill.scenario.level.kind)
    shown = []
    for s in range(2):
        reading, unit = drill.run.vibration[0, s], influence.alpha[0, 0, s]
        arrow = round(abs(reading) * 100.0) / 100.0  # 1 mm stands for 0.01 ips
        off = np.deg2rad(round(float(np.degrees(np.angle(-reading / unit)))))
        shown.append(arrow * np.cos(off) / float(f"{abs(unit):.2g}"))
        assert abs(off) < np.deg2rad(10.0)  # blade 1, weight added
    by_hand = 5.0 * round(float(np.mean(shown)) / 5.0)
    assert by_hand == 95.0
    order(drill, f"1 add tip weight {by_hand:g}")
    order(drill, "fly")
    while drill.state == "open":
        order(drill, "release")
    assert drill.state == "won"
    assert len(drill.flights) == 4
    (decision,) = decisions(drill)
    assert decision.plan is not None
    assert abs(decision.plan.change[0, 0] - by_hand) <= 10.0


@pytest.mark.parametrize(("grams", "vertical", "lateral"), [(95, 0.083, 0.060), (105, 0.044, 0.039)])
def test_what_the_lesson_by_hand_says_comes_out_does(grams, vertical, lateral):
    drill = begin(draw(level_of(1), 7))
    order(drill, f"1 add tip weight {grams}")
    order(drill, "fly")
    assert np.abs(drill.run.vibration[0]) == pytest.approx([vertical, lateral], abs=0.0011)  # a digit of what is shown


def test_a_drill_with_too_many_runs_is_lost():
    drill = begin(draw(level_of(1), 7))
    for _ in range(drill.scenario.level.most_runs):
        order(drill, "fly")
    assert drill.state == "lost"


@pytest.mark.parametrize(
    ("typed", "amount"),
    [("blade 2 add tip weight 30 g", 30.0), ("2 remove tip_weight 30", -30.0), ("2 tip_weight +30", 30.0)],
)
def test_adjustments_in_words_and_with_a_sign(typed, amount):
    drill = begin(draw(level_of(1), 7))
    found = read_order(drill.rotor, typed, drill.planned, drill.setting)
    assert (found.deed, found.adjuster, found.blade, found.amount) == ("adjust", 0, 1, amount)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("2 tip_weight 30", "which way: add or remove"),  # the sense of a bare number is asked for, never guessed
        ("2 add tip_weight -30", "not both"),
        ("2 add tip weight 7", "whole steps of 5 g"),
        ("2 add tip weight 30 flat", "g, the unit of tip_weight"),
        ("9 add tip weight 30", "one of the blades"),
        ("2 lengthen tip weight 30", "add or remove, as tip_weight has it"),
        ("2 add tip weight 100000", "at most"),
        ("2 add ballast 30", "one of tip weight"),
        ("please", "an adjustment such as"),
        ("inspect damper 9", "one of the blades"),
        ("inspect pick-up nose", "pick-up and one of"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(typed, says):
    drill = begin(draw(level_of(1), 7))
    with pytest.raises(InputError, match=says):
        read_order(drill.rotor, typed, drill.planned, drill.setting)


def test_an_amount_is_held_against_range_and_list_together():
    drill = begin(draw(level_of(1), 7))
    adjuster = drill.rotor.adjusters[0]
    room = adjuster.maximum - drill.setting[0, 1]
    order(drill, f"2 tip_weight +{room:g}") if room <= adjuster.largest_change else None
    with pytest.raises(InputError, match=r"at most|a setting within"):
        read_order(drill.rotor, f"2 tip_weight +{adjuster.largest_change:g}", drill.planned + room, drill.setting)


def test_undo_takes_the_last_one_off():
    drill = begin(draw(level_of(1), 7))
    order(drill, "2 tip_weight +30")
    order(drill, "3 tip_weight -10")
    order(drill, "undo")
    assert drill.planned[0].tolist() == [0.0, 30.0, 0.0]
    assert drill.adjustments == 0


def test_a_repeat_is_the_mean_of_both():
    scenario = first(4, "gusts")
    drill = begin(scenario)
    truth = scenario.aircraft.true_run().vibration[drill.run.regime_read]
    once = np.abs(drill.run.vibration[drill.run.regime_read] - truth).mean()
    for _ in range(30):
        order(drill, "repeat")
    assert drill.flights[-1].repeats == 31
    assert np.abs(drill.run.vibration[drill.run.regime_read] - truth).mean() < once


# ------------------------------------------------------------------------ what is hidden can be found


def test_a_pick_up_mounted_the_wrong_way_round_is_found_and_put_right():
    drill = begin(first(4, "pick-up"))
    name = drill.rotor.sensors[drill.scenario.sensor].name
    wrong = drill.run.vibration[0, drill.scenario.sensor]
    assert "wrong way round" in order(drill, f"inspect pick-up {name}")
    order(drill, "fly")
    turned = drill.run.vibration[0, drill.scenario.sensor]
    assert abs(turned + wrong) < 0.3 * abs(wrong)
    assert drill.found


def test_a_worn_damper_is_cured_by_nothing_but_its_replacement():
    scenario = first(5, "damper")
    drill = begin(scenario)
    sound = (scenario.blade + 1) % len(drill.rotor.blades)
    assert "is sound" in order(drill, f"inspect damper {drill.rotor.blades[sound]}")
    order(drill, "1 tip_weight +10")
    order(drill, "fly")
    assert "is replaced" in order(drill, f"inspect damper {drill.rotor.blades[scenario.blade]}")
    assert not drill.aircraft.faults.lag.any()
    assert drill.aircraft.setting[0, 0] == drill.setting[0, 0]  # what was adjusted before stays


def test_a_tab_that_gives_way_does_half_until_it_is_found():
    scenario = first(4, "tab")
    drill = begin(scenario)
    tab = next(a for a, adjuster in enumerate(drill.rotor.adjusters) if adjuster.kind == "tab")
    step = drill.rotor.adjusters[tab].step
    change = np.zeros_like(drill.setting)
    change[tab, scenario.blade] = 2.0 * step
    found = drill.aircraft
    play(drill, Order("adjust", tab, scenario.blade, 2.0 * step))
    order(drill, "fly")
    with_error = found.adjust(change, np.random.default_rng([13, 4, scenario.seed, 1])).change
    done = drill.aircraft.change[tab, scenario.blade]
    assert done == pytest.approx(with_error[tab, scenario.blade] - step)
    assert "gives way" in order(drill, f"inspect tab {drill.rotor.blades[scenario.blade]}")


def test_one_line_of_the_record_is_not_what_was_done_and_looking_there_tells():
    drill = begin(first(6, "record"))
    lie, rotor = drill.scenario.lie, drill.rotor
    apart = np.argwhere(drill.setting != drill.aircraft.setting).tolist()
    assert sorted(apart) == sorted([[lie.adjuster, lie.recorded], [lie.adjuster, lie.made]])
    name = rotor.adjusters[lie.adjuster].name
    assert "not" in order(drill, f"inspect {name} {rotor.blades[lie.recorded]}")
    assert "The record is put right" in order(drill, f"inspect {name} {rotor.blades[lie.made]}")
    assert np.array_equal(drill.setting, drill.aircraft.setting)


# ------------------------------------------------------------------------ the file, the debrief, the commands


def test_a_drill_taken_up_again_is_where_it_was(tmp_path):
    file = tmp_path / "drill.json"
    record = Record.new(4, 2, "crew 2")
    for typed in ("influence", "1 tip_weight +10", "fly", "repeat", "inspect damper 1", "2 tip_weight -10"):
        order(record.drill, typed)
    record.save(file)
    again = Record.load(file)
    assert again.name == "crew 2"
    assert np.array_equal(again.drill.run.vibration, record.drill.run.vibration, equal_nan=True)
    assert np.array_equal(again.drill.planned, record.drill.planned)
    assert (again.drill.minutes, again.drill.looks, again.drill.inspections) == (record.drill.minutes, 1, 1)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"drill": "other"}, "a drill's file"),
        ({"schema_version": 9}, "expected 1"),
        ({"level": 99}, "a level from 1"),
        ({"seed": -1}, "a whole number"),
        ({"orders": "fly"}, "a list"),
        ({"orders": [{"do": "jump"}]}, "an order such as"),
        ({"orders": [{"do": "adjust", "adjuster": "ballast"}]}, "one of tip_weight"),
    ],
)
def test_a_file_that_is_none_is_refused_in_one_line(tmp_path, capsys, change, says):
    file = tmp_path / "drill.json"
    Record.new(1, 7, "").save(file)
    file.write_text(json.dumps(json.loads(file.read_text()) | change))
    assert run(["drill", "tell", str(file)]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1


def type_in(monkeypatch, lines: list[str]) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(line + "\n" for line in lines)))


def test_played_told_and_counted_by_the_commands(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    type_in(monkeypatch, ["?", "2 tip_weight 30", "2 tip_weight +30", "stop"])
    assert run(["drill", "play", "one.json", "--level", "1", "--seed", "7", "--name", "crew 1"]) == 0
    said = capsys.readouterr().out
    assert "which way: add or remove" in said
    assert "takes it up again" in said
    assert run(["drill", "tell", "one.json"]) == 1  # still open: nothing is given away
    assert "hidden" not in capsys.readouterr().out
    type_in(monkeypatch, ["fly", "give up"])
    assert run(["drill", "play", "one.json"]) == 1
    capsys.readouterr()
    assert run(["drill", "tell", "one.json"]) == 0
    said = capsys.readouterr().out
    assert "What was hidden" in said
    assert "The proven plan" in said
    assert run(["drill", "class", "one.json", "--out", "class.csv"]) == 0
    (row,) = csv.DictReader(Path("class.csv").read_text().splitlines())
    assert (row["name"], row["result"], row["runs"], row["adjustments"]) == ("crew 1", "given up", "2", "1")
    assert row["left_best_path_after_run"] == "1"


def test_pictures_and_a_blank_dial_are_written_beside_the_drill_and_never_over_another_file(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    type_in(monkeypatch, ["picture", "picture", "repeat", "picture", "sketch", "influence all"])
    assert run(["drill", "play", "one.json", "--level", "1", "--seed", "7"]) == 0
    said = capsys.readouterr().out
    assert said.count("Open one_run1.html in a browser.") == 2
    assert sorted(p.name for p in tmp_path.glob("*.html")) == ["one_dial.html", "one_run1.html", "one_run1_mean2.html"]
    assert Path("one_run1.html").read_text().count("<svg") >= 2
    dial = Path("one_dial.html").read_text()
    assert dial.count("<svg") == 1
    assert "10 mm stand for" in dial
    assert max(map(len, said.replace("order (? for help): ", "\n").splitlines())) <= 80
    Path("two.json").write_text(Path("one.json").read_text())
    Path("two_dial.html").write_text("mine")
    type_in(monkeypatch, ["sketch"])
    assert run(["drill", "play", "two.json"]) == 0
    assert "two_dial.html" in capsys.readouterr().out
    assert Path("two_dial.html").read_text() == "mine"


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: str(level.number))
def test_screens_fit_80_columns(level):
    drill = begin(draw(level, 5))
    drill.stage = len(drill.rotor.regimes) - 1
    order(drill, "fly")
    shown = [opening(drill.scenario), readings(drill), influence_table(drill, every=True), record_text(drill)]
    assert max(len(line) for text in shown for line in text.splitlines()) <= 80


def test_a_drill_is_not_begun_over_another(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    type_in(monkeypatch, [])
    assert run(["drill", "play", "one.json", "--level", "1"]) == 0
    assert run(["drill", "play", "one.json", "--level", "1"]) == 2
    assert "--force" in capsys.readouterr().err


def test_the_debrief_judges_every_decision_by_what_was_known_then():
    drill = begin(draw(level_of(1), 7))
    put_out = drill.scenario.put_out[0]
    wrong = (put_out.blade + 1) % 3
    play(drill, Order("adjust", put_out.adjuster, wrong, 30.0))
    order(drill, "fly")
    play(drill, Order("adjust", put_out.adjuster, wrong, -30.0))
    steps = drill.rotor.adjusters[put_out.adjuster].step
    play(drill, Order("adjust", put_out.adjuster, put_out.blade, -np.rint(put_out.amount / steps) * steps))
    order(drill, "fly")
    bad, good = decisions(drill)
    assert bad.left_the_path
    assert bad.after > bad.before
    assert good.after < 1.0


def test_a_repeat_keeps_what_was_read_before_and_is_the_mean():
    drill = begin(draw(level_of(1), 7))
    before = drill.run
    order(drill, "repeat")
    after, flown = drill.run, before.vibration_read
    assert (after.vibration_count[flown] == 2).all()
    other = 2.0 * after.vibration[flown] - before.vibration[flown]  # the second reading by itself
    half = (np.abs(before.vibration[flown] - after.vibration[flown]) ** 2) * 2.0
    assert np.allclose(after.vibration_squares[flown], half)
    assert not np.allclose(other, before.vibration[flown])
    assert after.vibration_squares[~flown].sum() == 0.0


def test_trackbal_reads_again_in_wind_and_only_there():
    for snag, windy in (("gusts", True), ("tab", False)):
        drill = begin(first(4, snag))
        play_out(drill)
        assert scatters(drill) == windy
        assert (max(flight.repeats for flight in drill.flights[1:]) > 1) == windy
        assert drill.flights[0].repeats == (4 if windy else 2)


def test_trackbal_itself_wins_what_can_be_adjusted():
    found = score(level_of(1), range(1, 6))
    assert found["won"] == 5
    assert found["adjustments"] <= 2.0


def test_a_change_has_the_chance_that_the_plan_has():
    """The debrief's chance of what the plan would do is the plan's own, after a first run and after several."""
    drill = begin(draw(level_of(3), 1))
    told = []
    for _ in range(5):
        if drill.review.inside:
            play(drill, Order("release"))
            continue
        advice = advised(drill).advice
        plan = advice.plans[advice.recommended]
        told.append(plan.chance)
        for a, b in np.argwhere(plan.change != 0.0):
            play(drill, Order("adjust", int(a), int(b), float(plan.change[a, b])))
        order(drill, "fly")
    assert len(drill.flights) > 2
    assert len(told) >= 2
    assert [one.chance for one in decisions(drill)] == pytest.approx(told, abs=1e-12)


def test_trackbal_looks_for_a_cause_without_a_run_for_each_look():
    """A worn damper is found on the ground; a run follows only what was found."""
    drill = begin(first(5, "damper"))
    play_out(drill)
    assert drill.state == "won"
    assert drill.found
    looked = [k for k, one in enumerate(drill.orders) if one.deed == "inspect"]
    assert len(looked) > 1
    assert looked == list(range(looked[0], looked[-1] + 1))
    assert drill.orders[looked[-1] + 1] == Order("fly")


def test_readings_that_contradict_each_other_are_flown_again_and_wind_is_not_taken_for_a_cause():
    """Four readings of the first run contradict each other; adjusting goes on, nothing is inspected."""
    drill = begin(draw(level_of(4), 3))
    assert drill.scenario.snag == "gusts"
    play_out(drill)
    assert drill.state == "won"
    assert drill.inspections == 0
    assert any(flight.repeats == 4 and not check_run(drill.rotor, flight.run).inside for flight in drill.flights)


def test_a_run_that_was_looked_into_is_not_held_against_the_trainee():
    drill = begin(draw(level_of(1), 7))
    put_out = drill.scenario.put_out[0]
    wrong = (put_out.blade + 1) % 3
    play(drill, Order("adjust", put_out.adjuster, wrong, 30.0))
    order(drill, "fly")
    drill.setting[put_out.adjuster, wrong] -= 30.0  # the books say otherwise than was done
    drill.flights[-1] = replace(drill.flights[-1], change=-drill.flights[-1].change)
    assert advised(drill).advice.verdict == "hold"
    assert advised(drill, drill.questioned).advice.verdict == "hold"
    order(drill, "repeat")
    assert drill.questioned == {1}
    assert advised(drill, drill.questioned).advice.verdict != "hold"


def test_a_stop_is_said_however_the_run_came_about_and_marked_among_the_readings():
    """After an adjustment, read again, or on the way to the next stage; and runs do not go on for ever over it."""
    drill = begin(draw(level_of(1), 1))
    assert "STOP" not in readings(drill)
    for blade, grams in zip(drill.rotor.blades, (-140, 200, -150), strict=True):
        order(drill, f"{blade} tip_weight {grams:+d}")
    assert order(drill, "fly").startswith("STOP") and " STOP" in readings(drill)
    assert "STOP" in order(drill, "repeat")
    while drill.state == "open":
        said = order(drill, "fly")
    assert drill.state == "lost" and said.startswith("STOP") and "the drill allows" in said
