"""The command advise: answers, exit codes, files, refusals in one line, and what --json holds."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from demo_fits import ROOT
from invented_cases import invented_case
from plain_reference import no_change

from trackbal.base.text_layout import times_words
from trackbal.commands.group import run
from trackbal.runs.words import chance_words

CASE = invented_case(29, size=4.0)  # outside limits, every count another plan


def call(capsys, *arguments):
    """Return (exit code, stdout, stderr) of a command line."""
    code = run(list(map(str, arguments)))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


@pytest.fixture
def advise(capsys, tmp_path):
    """Return a function that writes a case's files and calls advise on them with further options."""

    def ask(case, *more):
        return call(capsys, "advise", *case.write(tmp_path), *more)

    return ask


def only_reading(case, amplitude, **limits):
    case = replace(case, readings={("r1", "s0"): (amplitude, 40.0)}, heights={})
    return case.with_rotor(limits=case.rotor["limits"] | limits)


PART = only_reading(CASE, 0.1)
INSIDE = PART.nothing_missing()
HOPELESS = only_reading(CASE, 90.0)
STOP = only_reading(CASE, 1.3, vibration_stop=1.2)
ADJUST = only_reading(CASE, 0.3)


# ---- what it answers -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "verdict", "code"),
    [
        (INSIDE, "inside", 0),
        (PART, "inside", 1),
        (ADJUST, "adjust", 0),
        (HOPELESS, "investigate", 1),
        (STOP, "stop", 1),
    ],
    ids=["inside", "inside-in-part", "adjust", "investigate", "stop"],
)
def test_the_exit_code_says_whether_the_answer_is_a_warning(advise, case, verdict, code):
    exit_code, out, err = advise(case, "--json")
    answer = json.loads(out)
    assert (answer["verdict"], exit_code, err) == (verdict, code, "")
    exit_code, out, err = advise(case)
    assert (exit_code, err) == (code, "")
    whole = "inside limits" if code == 0 else "inside in 1 of 6 readings only"
    said = {"inside": whole, "adjust": "adjustment", "investigate": "INVESTIGATE", "stop": "STOP"}
    assert said[verdict] in " ".join(out.split())
    assert len(out.splitlines()) <= 24  # one screen


def test_stop_offers_no_plan_until_a_person_overrides_it(advise):
    _, out, _ = advise(STOP, "--json")
    answer = json.loads(out)
    assert (answer["recommended"], answer["plans"]) == (None, [])
    code, out, _ = advise(STOP, "--json", "--override-stop")
    answer = json.loads(out)
    assert answer["verdict"] == "adjust"
    assert code == 0
    assert len(answer["plans"]) == 7


def test_inside_recommends_the_empty_plan(advise):
    answer = json.loads(advise(INSIDE, "--json")[1])
    assert answer["recommended"] == 0
    assert answer["plans"][0]["adjustments"] == []


def test_json_has_the_keys_and_types_of_the_contract(advise):
    """Also with a heights = false regime and a reading missing; numbers are finite and not rounded."""
    regimes = [CASE.regimes[0], CASE.regimes[1] | {"heights": False}]
    case = CASE.with_rotor(regimes=regimes).without([("r1", "s1")])
    _, out, _ = advise(case, "--json")
    answer = json.loads(out, parse_constant=pytest.fail)
    assert answer["verdict"] in ("adjust", "investigate")
    assert type(answer["recommended"]) is int
    assert all(type(c) is str for c in answer["cautions"])
    assert answer["cautions"]
    for m, plan in enumerate(answer["plans"]):
        assert type(plan["count"]) is int
        assert plan["count"] <= m
        assert plan["proven"] is True
        assert all(type(plan[key]) is float for key in ("cost", "expected_cost", "chance"))
        for j in plan["adjustments"]:
            assert all(type(j[key]) is str for key in ("blade", "adjuster", "words"))
            assert type(j["amount"]) is float
        assert [(v["regime"], v["sensor"]) for v in plan["vibration"]] == [("r0", "s0"), ("r0", "s1"), ("r1", "s0")]
        numbers = ("now", "now_deg", "after", "after_deg", "limit")
        assert all(type(v[key]) is float for v in plan["vibration"] for key in numbers)
        (heights,) = plan["heights"]
        assert heights["regime"] == "r0"
        assert all(type(heights[key]) is float for key in ("spread_now", "spread_after", "limit"))
        assert list(heights["after"]) == case.blades
        assert all(type(v) is float for v in heights["after"].values())
    last = answer["plans"][-1]
    change = no_change(case) | {(j["adjuster"], j["blade"]): j["amount"] for j in last["adjustments"]}
    assert last["cost"] == pytest.approx(case.cost(change), rel=1e-12)
    assert last["expected_cost"] == pytest.approx(case.expected_cost(change), rel=1e-12)


def test_most_and_chance_are_heeded(advise):
    assert len(json.loads(advise(CASE, "--json", "--most", "2")[1])["plans"]) == 3
    assert len(json.loads(advise(CASE, "--json", "--most", "0")[1])["plans"]) == 1
    case = invented_case(37, size=0.9)
    chosen, low = (json.loads(advise(case, "--json", *more)[1]) for more in ((), ("--chance", "0.02")))
    chance = [p["chance"] for p in chosen["plans"]]
    assert 0.05 < chance[1] < chance[2] - 0.05 < 0.85  # neither is enough for 0.9, both are for 0.02
    assert (chosen["recommended"], low["recommended"]) == (2, 1)


def test_nominal_minimises_the_cost_and_not_the_expected_cost(advise):
    """Poorly known coefficients, so that the two differ."""
    rows = [
        r | ({"cov": (9.0 * np.array(r["cov"])).tolist()} if "cov" in r else {"var": 9.0 * r["var"]})
        for r in CASE.influence["rows"]
    ]
    case = replace(CASE, influence=CASE.influence | {"rows": rows})
    expected, nominal = (json.loads(advise(case, "--json", *more)[1])["plans"] for more in ((), ("--nominal",)))
    assert [p["cost"] for p in nominal] == pytest.approx(
        [least for least, _ in case.brute_force(6, expected=False)], rel=1e-9
    )
    assert [p["expected_cost"] for p in expected] == pytest.approx(
        [least for least, _ in case.brute_force(6)], rel=1e-9
    )
    assert any(n["expected_cost"] > e["expected_cost"] + 1e-6 for n, e in zip(nominal, expected, strict=True))


def test_settings_not_given_are_0(capsys, tmp_path):
    options = CASE.write(tmp_path)
    every = [f"{b},{a['name']},0" for a in CASE.rotor["adjusters"] for b in CASE.blades]
    (tmp_path / "settings.csv").write_text("\n".join(["blade,adjuster,setting", *every, ""]))
    code, given, _ = call(capsys, "advise", *options, "--json")
    bare_code, bare, _ = call(capsys, "advise", *options[:-2], "--json")
    given, bare = json.loads(given), json.loads(bare)
    said = bare.pop("cautions")
    (added,) = [i for i, text in enumerate(said) if text.startswith("No settings were given")]
    assert said[:added] + said[added + 1 :] == given.pop("cautions")
    assert (bare_code, bare) == (code, given)


def test_the_page_names_the_plan_its_chance_and_the_cautions(advise):
    _, out, _ = advise(ADJUST)
    answer = json.loads(advise(ADJUST, "--json")[1])
    plan = answer["plans"][answer["recommended"]]
    for j in plan["adjustments"]:
        assert j["words"] in out
    assert f"chance {chance_words(plan['chance'])}" in out
    assert "licensed people decide" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    assert out.index("Cautions") < out.index("Do\n")
    everything = advise(ADJUST, "--all")[1]
    assert "maintenance manual" in " ".join(everything.split()) and "What each further adjustment buys" in everything


def test_investigate_offers_no_plan_but_says_what_adjusting_could_do(advise):
    _, out, _ = advise(HOPELESS)
    out = " ".join(out.split())
    answer = json.loads(advise(HOPELESS, "--json")[1])
    best = answer["plans"][answer["recommended"]]
    assert f"at best bring the worst reading to {times_words(best['worst_ratio'])}" in out
    assert "[ ]" not in out and "adjustments " not in out
    assert not any(j["words"] in out for p in answer["plans"] for j in p["adjustments"])


def test_the_plan_of_investigate_is_shown_only_on_request_and_marked(advise):
    code, out, _ = advise(HOPELESS, "--plan-anyway")
    answer = json.loads(advise(HOPELESS, "--json")[1])
    words = answer["plans"][answer["recommended"]]["adjustments"][0]["words"]
    assert code == 1
    assert out.index("Look for the cause first") < out.index("PLAN SHOWN ON REQUEST") < out.index(words)
    assert "Decided by, and why: ___" in out
    assert advise(ADJUST, "--plan-anyway") == advise(ADJUST)  # it changes nothing else


def test_from_python_the_answer_is_the_same(advise, tmp_path):
    import trackbal

    answer = json.loads(advise(CASE, "--json")[1])
    rotor = trackbal.Rotor.load(tmp_path / "rotor.toml")
    reading = trackbal.read_run(rotor, tmp_path / "run.csv")
    found = trackbal.advise(rotor, reading, trackbal.Influence.load(tmp_path / "influence.json", rotor))
    assert found.recommended == answer["recommended"]
    assert [p.expected_cost for p in found.plans] == [p["expected_cost"] for p in answer["plans"]]


def test_keys_that_a_reader_does_not_know_change_nothing(advise):
    answer = advise(CASE, "--json")
    rows = [row | {"seen_by": "somebody", "weight": 3.0} for row in CASE.influence["rows"]]
    more = CASE.influence | {"rows": rows, "flown": {"hours": 12.5}, "noise_floor": [1, 2]}
    assert advise(replace(CASE, influence=more), "--json") == answer


# ---- files ---------------------------------------------------------------------------------


def adjustments_in(file):
    with open(file, newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    assert rows[0] == ["blade", "adjuster", "amount"]
    return {(blade, adjuster): float(amount) for blade, adjuster, amount in rows[1:]}


@pytest.mark.parametrize(
    ("case", "more"),
    [(ADJUST, ()), (HOPELESS, ("--plan-anyway",)), (INSIDE, ())],
    ids=["adjust", "investigate", "inside"],
)
def test_plan_out_is_the_recommended_plan(advise, tmp_path, case, more):
    _, out, _ = advise(case, "--json", "--plan-out", tmp_path / "plan.csv", *more)
    answer = json.loads(out)
    plan = answer["plans"][answer["recommended"]]
    written = adjustments_in(tmp_path / "plan.csv")
    assert written == {(j["blade"], j["adjuster"]): j["amount"] for j in plan["adjustments"]}


@pytest.mark.parametrize("case", [STOP, HOPELESS], ids=["stop", "investigate"])
def test_no_plan_is_written_before_the_cause_is_found(advise, tmp_path, case):
    code, _, err = advise(case, "--plan-out", tmp_path / "plan.csv")
    assert code == 1
    assert err == "No plan written: the answer recommends none.\n"
    assert not (tmp_path / "plan.csv").exists()


def test_nothing_is_overwritten_without_force(advise, tmp_path):
    plan = tmp_path / "plan.csv"
    plan.write_text("mine")
    code, out, err = advise(ADJUST, "--plan-out", plan)
    assert (code, out, plan.read_text()) == (2, "", "mine")
    assert "plan.csv" in err
    assert "--force" in err
    assert err.count("\n") == 1
    code, _, _ = advise(ADJUST, "--plan-out", plan, "--force")
    assert code == 0
    assert adjustments_in(plan)


def test_of_two_files_neither_is_written_when_one_is_in_the_way(advise, tmp_path):
    (tmp_path / "card.html").write_text("mine")
    code, _, _ = advise(ADJUST, "--plan-out", tmp_path / "plan.csv", "--card", tmp_path / "card.html")
    assert code == 2
    assert not (tmp_path / "plan.csv").exists()
    assert (tmp_path / "card.html").read_text() == "mine"


def test_an_input_is_not_overwritten_by_an_output(advise, tmp_path):
    code, _, _ = advise(ADJUST, "--plan-out", tmp_path / "run.csv")
    assert code == 2
    assert (tmp_path / "run.csv").read_text().startswith("regime")


# ---- refusals ------------------------------------------------------------------------------


def spoil(name, old, new):
    return lambda folder: (folder / name).write_text((folder / name).read_text().replace(old, new, 1))


REFUSALS = {
    "no-such-rotor-file": (lambda f: (f / "rotor.toml").unlink(), ["rotor.toml"]),
    "no-such-run-file": (lambda f: (f / "run.csv").unlink(), ["run.csv"]),
    "no-such-influence-file": (lambda f: (f / "influence.json").unlink(), ["influence.json"]),
    "no-such-settings-file": (lambda f: (f / "settings.csv").unlink(), ["settings.csv"]),
    "rotor-not-toml": (spoil("rotor.toml", "=", "=="), ["rotor.toml"]),
    "rotor-key-unknown": (spoil("rotor.toml", "track_weight", "trak_weight"), ["rotor.toml", "trak_weight"]),
    "rotor-number-is-text": (spoil("rotor.toml", "240.0", '"fast"'), ["rotor.toml", "rpm", "fast"]),
    "run-column-unknown": (spoil("run.csv", "s0.amp", "s9.amp"), ["run.csv", "s9.amp"]),
    "run-cell-is-text": (
        lambda f: (f / "run.csv").write_text("regime,s0.amp,s0.deg\nr0,0.1,5\nr1,lots,5\n"),
        ["run.csv", "row 3", "column s0.amp", "'lots'", "expected"],
    ),
    "run-regime-unknown": (
        lambda f: (f / "run.csv").write_text("regime,s0.amp,s0.deg\nr7,0.1,5\n"),
        ["run.csv", "row 2", "column regime", "'r7'", "r0, r1"],
    ),
    "run-empty": (lambda f: (f / "run.csv").write_text("regime,s0.amp,s0.deg\nr0,,\n"), ["run.csv"]),
    "run-of-half-the-tips": (lambda f: (f / "run.csv").write_text("regime,height.b1\nr0,5\n"), ["run.csv"]),
    "setting-outside-its-range": (
        lambda f: (f / "settings.csv").write_text("blade,adjuster,setting\nb1,a1,0.5\nb2,a0,20.5\n"),
        ["settings.csv", "row 3", "column setting", "'20.5'", "-20 to 20"],
    ),
    "setting-of-no-blade": (
        lambda f: (f / "settings.csv").write_text("blade,adjuster,setting\nb9,a1,0.5\n"),
        ["settings.csv", "row 2", "column blade", "'b9'"],
    ),
    "influence-not-json": (spoil("influence.json", "{", "["), ["influence.json", "JSON"]),
    "influence-of-other-schema": (spoil("influence.json", '"schema": 1', '"schema": 2'), ["influence.json", "schema"]),
    "influence-of-other-blades": (spoil("influence.json", '"blades": 3', '"blades": 4'), ["influence.json", "blades"]),
    "influence-of-unknown-sensor": (spoil("influence.json", '"s0"', '"s7"'), ["influence.json", "s7"]),
    "influence-not-a-number": (spoil("influence.json", '"re": ', '"re": 1e999, "was": '), ["influence.json"]),
}


@pytest.mark.parametrize(("damage", "named"), REFUSALS.values(), ids=REFUSALS)
def test_bad_input_is_one_line_that_names_it_and_nothing_is_written(capsys, tmp_path, damage, named):
    options = CASE.write(tmp_path)
    damage(tmp_path)
    before = sorted(os.listdir(tmp_path))
    code, out, err = call(capsys, "advise", *options, "--plan-out", tmp_path / "plan.csv", "--json")
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "Traceback" not in err
    for part in named:
        assert part in err
    assert sorted(os.listdir(tmp_path)) == before


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (["--most", "-1"], "--most"),
        (["--most", "two"], "--most"),
        (["--chance", "1.5"], "--chance"),
        (["--chance", "0"], "--chance"),
        (["--chance", "nan"], "--chance"),
        (["--speed"], "--speed"),
        (["extra"], "extra"),
    ],
    ids=lambda v: "_".join(v) if isinstance(v, list) else "",
)
def test_bad_usage_is_one_line_and_exit_2(advise, more, named):
    code, out, err = advise(CASE, *more)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert named in err


def test_a_missing_option_is_named(capsys, tmp_path):
    options = CASE.write(tmp_path)
    code, out, err = call(capsys, "advise", *options[2:])
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "--rotor" in err


def test_a_folder_that_does_not_exist_is_named(advise, tmp_path):
    code, out, err = advise(ADJUST, "--plan-out", tmp_path / "nowhere" / "plan.csv")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "nowhere" in err


# ---- the process ---------------------------------------------------------------------------


def process(*arguments):
    return subprocess.run(
        [sys.executable, "-c", "from trackbal.commands import main; main()", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


def test_as_a_process_it_says_and_exits_the_same(capsys, tmp_path):
    options = HOPELESS.write(tmp_path)
    done = process("advise", *options, "--json")
    assert (done.returncode, done.stdout, done.stderr) == call(capsys, "advise", *options, "--json")
    assert process("--version").returncode == 0


def test_advise_loads_no_package_it_does_not_use(tmp_path):
    options = CASE.write(tmp_path)
    code = (
        "import sys; from trackbal.commands.group import run; run(sys.argv[1:]); "
        "print(sorted({'scipy', 'pandas', 'matplotlib'} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, "advise", *options], capture_output=True, text=True, check=False)
    assert done.stderr == "[]\n"


@pytest.mark.parametrize("command", ["advise", "check", "fit", "replay"])
def test_help_has_an_example(capsys, command):
    code, out, _ = call(capsys, command, "--help")
    assert code == 0
    assert "Example:" in out
    assert f"trackbal {command}" in out


def test_random_settings_bytes_never_escape_as_a_traceback(capsys, tmp_path):
    options = CASE.write(tmp_path)
    rng = np.random.default_rng(0)
    for _ in range(20):
        (tmp_path / "settings.csv").write_bytes(rng.bytes(int(rng.integers(0, 200))))
        code, _, err = call(capsys, "advise", *options)
        assert code == 2
        assert err.count("\n") == 1


def test_phases_stand_in_clock_hours_where_the_rotor_file_says_so(capsys, tmp_path):
    """Screens and the card of the same run, in hours of a clock face or in degrees; --json has degrees either way."""
    demo = ROOT / "two_blade_tail"
    in_degrees = tmp_path / "rotor.toml"
    in_degrees.write_text((demo / "rotor.toml").read_text().replace('phase_shown = "clock"\n', ""))
    files = ["--runs", demo / "history.csv", "--adjustments", demo / "history_adjustments.csv"]
    said = {}
    for shown, rotor in (("clock", demo / "rotor.toml"), ("degrees", in_degrees)):
        influence, card = tmp_path / f"{shown}.json", tmp_path / f"{shown}.html"
        fitted = call(capsys, "fit", "--rotor", rotor, *files, "--out", influence)[1]
        asked = ["--rotor", rotor, "--run", demo / "run1.csv", "--influence", influence]
        advised = call(capsys, "advise", *asked, "--all", "--card", card)[1]
        found = json.loads(call(capsys, "advise", *asked, "--json")[1])
        said[shown] = fitted, advised, card.read_text(encoding="utf-8"), found["plans"]
    fitted, advised, card, _ = said["clock"]
    assert "phase in clock hours (lag)" in fitted
    assert "0.588 at  4:30" in advised
    assert " at 4:30" in card
    fitted, advised, card, _ = said["degrees"]
    assert "phase in degrees of lag" in fitted
    assert "0.588 at 135" in advised
    assert " at 135°" in card
    assert said["clock"][3] == said["degrees"][3]
