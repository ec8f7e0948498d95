"""The commands check and fit: answers, exit codes, files, refusals, and what --json holds."""

from __future__ import annotations

import json
import os
from dataclasses import replace

import numpy as np
import pytest
from invented_cases import invented_case, random_change
from plain_reference import toml_text, write_csv

from trackbal.commands.group import run
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor

CASE = invented_case(51, size=0.3)


def call(capsys, *arguments):
    """Return (exit code, stdout, stderr) of a command line."""
    code = run(list(map(str, arguments)))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


# ---- check ---------------------------------------------------------------------------------


@pytest.fixture
def check(capsys, tmp_path):
    """Return a function that writes a case's files and calls check on them."""

    def ask(case, *more):
        return call(capsys, "check", *case.write(tmp_path)[:4], *more)

    return ask


def one_reading(amplitude, **rotor):
    case = replace(CASE, readings={("r1", "s0"): (amplitude, 40.0)}, heights={})
    return case.with_rotor(**rotor).nothing_missing()


def test_check_exits_1_while_a_reading_of_the_rotor_is_not_read(check):
    quiet = {(r["name"], s["name"]): (0.01, 40.0 + 7 * i) for i, r in enumerate(CASE.regimes) for s in CASE.sensors}
    level = {r["name"]: {"b1": 1.0, "b2": 2.0, "b3": 3.0} for r in CASE.regimes}
    whole = replace(CASE, readings=quiet, heights=level)
    code, out, _ = check(whole, "--json")
    assert (code, json.loads(out)["finished"]) == (0, True)
    part = whole.without([("r0", "s1")], [])
    code, out, _ = check(part, "--json")
    answer = json.loads(out)
    assert (code, answer["inside"], answer["finished"]) == (1, True, False)
    assert answer["not_read"] == [{"regime": "r0", "sensor": "s1"}]
    assert answer["read"] == {"complete": False, "readings": 5, "of_readings": 6, "regimes": 1, "of_regimes": 2}
    said = " ".join(check(part)[1].split())
    assert "inside limits in 1 of 2 regimes, 5 of 6 readings only" in said and "Not read: r0: s1." in said
    assert check(part.nothing_missing())[0] == 0


@pytest.mark.parametrize(
    ("amplitude", "code"), [(0.0, 0), (0.1, 0), (0.2, 0), (0.200001, 1), (5.0, 1)], ids=lambda v: str(v)
)
def test_check_exits_1_when_a_reading_is_not_inside_its_limit(check, amplitude, code):
    exit_code, out, err = check(one_reading(amplitude))
    assert (exit_code, err) == (code, "")
    assert ("outside" in out) is (code == 1)


@pytest.mark.parametrize(("spread", "code"), [(11.9, 0), (12.0, 0), (12.1, 1)])
def test_check_holds_the_spread_against_its_limit(check, spread, code):
    """The spread is highest minus lowest tip, from any datum; r0 overrides the limit with 12."""
    tips = {"b1": 1000.0, "b2": 1000.0 + spread, "b3": 1003.0}
    case = replace(CASE, readings={}, heights={"r0": tips})
    exit_code, out, _ = check(case.nothing_missing(), "--json")
    answer = json.loads(out)
    assert exit_code == code
    assert answer["inside"] is (code == 0)
    (reading,) = answer["readings"]
    assert reading["value"] == pytest.approx(spread)
    assert reading["limit"] == 12.0


def test_check_names_every_reading_taken_with_its_limit(check):
    case = CASE.without([("r0", "s1")], [("r1", "b2")])
    answer = json.loads(check(case, "--json")[1], parse_constant=pytest.fail)
    found = {(r["regime"], r["sensor"]): (r["value"], r["limit"]) for r in answer["readings"]}
    expected = {
        (r["name"], s["name"]): (abs(case.phasor(r, s)), case.limit(r, s))
        for r in case.regimes
        for s in case.sensors
        if case.phasor(r, s) is not None
    }
    tips = case.tips(case.regimes[0]).values()
    expected["r0", "height"] = (max(tips) - min(tips), 12.0)
    assert {k: pytest.approx(v) for k, v in expected.items()} == found
    assert all(r["ratio"] == pytest.approx(r["value"] / r["limit"]) for r in answer["readings"])
    assert answer["worst"] == max(r["ratio"] for r in answer["readings"])
    assert [r["ratio"] for r in answer["readings"]] == sorted((r["ratio"] for r in answer["readings"]), reverse=True)


def test_check_takes_heights_false_regimes_as_without_limit(check):
    regimes = [CASE.regimes[0] | {"heights": False}, CASE.regimes[1]]
    answer = json.loads(check(CASE.with_rotor(regimes=regimes), "--json")[1])
    assert [r["regime"] for r in answer["readings"] if r["sensor"] == "height"] == ["r1"]


def test_check_converts_columns_in_other_units(check):
    """10 mm/s in a column of an ips sensor is 10/25.4 ips, at any speed."""
    case = replace(one_reading(10.0), columns={"s0": "mm/s"})
    answer = json.loads(check(case, "--json")[1])
    assert answer["readings"][0]["value"] == pytest.approx(10.0 / 25.4)


@pytest.mark.parametrize(("amplitude", "stop"), [(1.2, True), (1.19, False)])
def test_check_says_stop_at_a_stop_limit(check, amplitude, stop):
    limits = CASE.rotor["limits"] | {"vibration_stop": 1.2}
    code, out, _ = check(one_reading(amplitude, limits=limits), "--json")
    assert code == 1
    assert json.loads(out)["stop"] is stop
    assert ("STOP" in check(one_reading(amplitude, limits=limits))[1]) is stop


@pytest.mark.parametrize(
    ("sheet", "named"),
    [
        ("regime,s0.amp\nr0,0.1\n", ["run.csv", "s0"]),
        ("regime,s0.amp,s0.deg\nr0,-0.1,5\n", ["run.csv", "row 2", "column s0.amp", "'-0.1'"]),
        ("regime,s0.amp,s0.deg\nr0,0.1,25:00\n", ["run.csv", "row 2", "column s0.deg", "'25:00'"]),
        ("regime,s0.amp [furlong],s0.deg\nr0,0.1,5\n", ["run.csv", "furlong"]),
        ("regime,wind\nr0,5\n", ["run.csv", "wind"]),
        ("", ["run.csv"]),
    ],
    ids=["no-phase", "negative", "clock", "unit", "column", "empty"],
)
def test_check_refuses_a_bad_sheet_in_one_line(capsys, tmp_path, sheet, named):
    options = CASE.write(tmp_path)[:4]
    (tmp_path / "run.csv").write_text(sheet)
    code, out, err = call(capsys, "check", *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    for part in named:
        assert part in err


# ---- fit -----------------------------------------------------------------------------------


def noise_free_history(folder, jobs=4, runs=5, blunder=None, noise=0.0):
    """Write the history of a small fleet that answers exactly as CASE's influence says; return fit's options.

    `blunder` is the (job, run) whose first reading gets a wrong phase.
    """
    rng = np.random.default_rng(7)
    (folder / "rotor.toml").write_text(toml_text(CASE.rotor))
    rows = [["job", "run", "regime", *[f"{s['name']}.{p}" for s in CASE.sensors for p in ("amp", "deg")]]]
    rows[0] += [f"height.{b}" for b in CASE.blades]
    made = [["job", "after_run", "blade", "adjuster", "amount"]]
    for job in range(jobs):
        start = invented_case(200 + job)
        total = dict.fromkeys(random_change(CASE, 0), 0.0)
        for number in range(1, runs + 1):
            for regime in CASE.regimes:
                cells = [f"j{job}", number, regime["name"]]
                for sensor in CASE.sensors:
                    v = start.phasor(regime, sensor) + CASE.vibration_change(total, regime, sensor)
                    v = v + noise * (rng.normal() + 1j * rng.normal())
                    turned = 180.0 if blunder == (job, number) else 0.0
                    cells += [float(abs(v)), float((np.degrees(-np.angle(v)) + turned) % 360.0)]
                tips, moved = start.tips(regime), CASE.height_change(total, regime)
                rows.append(cells + [tips[b] + moved[b] + 20 * noise * rng.normal() for b in CASE.blades])
            if number == runs:
                break
            step = {a["name"]: a["step"] for a in CASE.adjusters}
            for a, b in total:
                k = int(rng.integers(-2, 3))
                if k:
                    total[a, b] += k * step[a]
                    made.append([f"j{job}", number, b, a, k * step[a]])
    write_csv(folder / "runs.csv", rows)
    write_csv(folder / "made.csv", made)
    options = ["--rotor", "rotor.toml", "--runs", "runs.csv", "--adjustments", "made.csv", "--out", "influence.json"]
    return [o if o.startswith("--") else str(folder / o) for o in options]


def test_fit_finds_the_influence_that_made_the_history(capsys, tmp_path):
    code, out, _ = call(capsys, "fit", *noise_free_history(tmp_path), "--json")
    answer = json.loads(out, parse_constant=pytest.fail)
    assert code == 0
    assert answer["suspects"] == []
    document = json.loads((tmp_path / "influence.json").read_text())
    assert (document["schema"], document["rotor"], document["blades"]) == (1, "invented", 3)
    rows = [r for r in document["rows"] if "adjuster" in r]
    assert len(rows) == 2 * 2 * (2 + 1)  # adjusters, regimes, sensors and heights
    for row in rows:
        true = CASE.row(row["adjuster"], row["regime"], row.get("sensor"))
        size = 1.0 / 10.0 if row["adjuster"] == "a0" else 1.0 / 0.5
        if "sensor" in row:
            assert [row["re"], row["im"]] == pytest.approx([true["re"], true["im"]], abs=1e-6 * size)
        else:
            assert row["height"] == pytest.approx(true["height"], abs=1e-6 * size)


def test_fits_json_and_file_have_the_keys_and_types_of_the_contract(capsys, tmp_path):
    _, out, _ = call(capsys, "fit", *noise_free_history(tmp_path, noise=0.01), "--json")
    answer = json.loads(out, parse_constant=pytest.fail)
    document = json.loads((tmp_path / "influence.json").read_text(), parse_constant=pytest.fail)
    assert answer["rows"] == len(document["rows"])
    assert all(type(c) is str for c in answer["cautions"])
    for row in document["rows"]:
        keys = {"adjuster", "regime", "sensor", "re", "im", "cov"} if "sensor" in row else {"height", "var"}
        if "adjusters" in row:
            keys = {"adjusters", "regime", *(("sensor", "cov") if "sensor" in row else ("height", "var"))}
        assert keys <= row.keys()
        if "cov" in row and "adjuster" in row:
            cov = np.array(row["cov"])
            assert cov.shape == (2, 2)
            assert np.linalg.eigvalsh(cov).min() >= -1e-15
    places = {(n["regime"], n.get("sensor", "height")) for n in document["noise"]}
    assert places == {(r, s) for r in ("r0", "r1") for s in ("s0", "s1", "height")}
    assert {"jobs", "runs", "dates", "fit_quality"} <= document["source"].keys()
    assert (document["source"]["jobs"], document["source"]["runs"]) == (4, 20)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    assert not Influence.load(tmp_path / "influence.json", rotor).unknown_vibration.any()


def test_fit_names_a_run_that_does_not_fit(capsys, tmp_path):
    """One run's first sensors read 180 degrees off in a history of small noise."""
    options = noise_free_history(tmp_path, jobs=8, blunder=(3, 4), noise=0.01)
    code, out, _ = call(capsys, "fit", *options, "--json")
    suspects = json.loads(out)["suspects"]
    assert code == 0
    assert [(s["job"], s["run"]) for s in suspects] == [("j3", 4)]
    assert type(suspects[0]["why"]) is str


def test_what_fit_writes_advise_takes(capsys, tmp_path):
    call(capsys, "fit", *noise_free_history(tmp_path, noise=0.005))
    influence = (tmp_path / "influence.json").read_text()
    options = invented_case(52, size=0.8).write(tmp_path)
    (tmp_path / "rotor.toml").write_text(toml_text(CASE.rotor))
    (tmp_path / "influence.json").write_text(influence)
    code, out, _ = call(capsys, "advise", *options, "--json")
    assert code in (0, 1)
    assert len(json.loads(out)["plans"]) == 7


def test_what_no_run_moved_is_unidentified_and_not_advised(capsys, tmp_path):
    options = noise_free_history(tmp_path, noise=0.005)
    kept = [line for line in (tmp_path / "made.csv").read_text().splitlines() if ",a1," not in line]
    (tmp_path / "made.csv").write_text("\n".join(kept))
    call(capsys, "fit", *options)
    document = json.loads((tmp_path / "influence.json").read_text())
    assert {e["adjuster"] for e in document["unidentified"]} == {"a1"}
    influence = (tmp_path / "influence.json").read_text()
    options = invented_case(52, size=4.0).write(tmp_path)
    (tmp_path / "rotor.toml").write_text(toml_text(CASE.rotor))
    (tmp_path / "influence.json").write_text(influence)
    answer = json.loads(call(capsys, "advise", *options, "--json")[1])
    assert {j["adjuster"] for p in answer["plans"] for j in p["adjustments"]} == {"a0"}


def test_a_prior_is_built_on(capsys, tmp_path):
    options = noise_free_history(tmp_path, noise=0.01)
    call(capsys, "fit", *options)
    os.rename(tmp_path / "influence.json", tmp_path / "prior.json")
    code, _, err = call(capsys, "fit", *options, "--prior", tmp_path / "prior.json")
    assert code == 2 and "would" not in err and "prior.json do not hold yet" in err  # it would count twice
    for sheet in ("runs.csv", "made.csv"):
        head, *rows = (tmp_path / sheet).read_text().splitlines()
        (tmp_path / sheet).write_text("\n".join([head, *(f"later {row}" for row in rows)]) + "\n")
    code, _, _ = call(capsys, "fit", *options, "--prior", tmp_path / "prior.json")
    assert code == 0
    rotor = Rotor.load(tmp_path / "rotor.toml")
    prior, both = (Influence.load(tmp_path / f"{n}.json", rotor) for n in ("prior", "influence"))
    # the same history twice: the mean of a coefficient is known better
    assert (
        np.trace(both.mean_vibration_cov, axis1=2, axis2=3).sum()
        < np.trace(prior.mean_vibration_cov, axis1=2, axis2=3).sum()
    )


def test_fit_overwrites_nothing_without_force(capsys, tmp_path):
    options = noise_free_history(tmp_path)
    (tmp_path / "influence.json").write_text("mine")
    code, out, err = call(capsys, "fit", *options, "--json")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "influence.json" in err
    assert (tmp_path / "influence.json").read_text() == "mine"
    assert call(capsys, "fit", *options, "--force")[0] == 0
    assert json.loads((tmp_path / "influence.json").read_text())["schema"] == 1


def edit(name, old, new):
    return lambda folder: (folder / name).write_text((folder / name).read_text().replace(old, new, 1))


FIT_REFUSALS = {
    "no-runs-file": (lambda f: (f / "runs.csv").unlink(), ["runs.csv"]),
    "no-adjustments-file": (lambda f: (f / "made.csv").unlink(), ["made.csv"]),
    "gap-in-runs": (edit("runs.csv", "j0,2,r1", "j0,9,r1"), ["runs.csv", "column run", "'9'"]),
    "no-job-column": (edit("runs.csv", "job,", "jobb,"), ["runs.csv", "job"]),
    "adjustment-of-no-job": (edit("made.csv", "j0,1", "j9,1"), ["made.csv", "row 2", "column job", "'j9'"]),
    "adjustment-of-no-adjuster": (
        lambda f: (f / "made.csv").write_text("job,after_run,blade,adjuster,amount\nj0,1,b1,a9,10\n"),
        ["made.csv", "row 2", "column adjuster", "'a9'", "a0, a1"],
    ),
    "amount-is-text": (
        lambda f: (f / "made.csv").write_text("job,after_run,blade,adjuster,amount\nj0,1,b1,a0,much\n"),
        ["made.csv", "row 2", "column amount", "'much'"],
    ),
    "adjustment-after-no-run": (
        lambda f: (f / "made.csv").write_text("job,after_run,blade,adjuster,amount\nj0,77,b1,a0,10\n"),
        ["made.csv", "row 2", "column after_run", "'77'"],
    ),
}


@pytest.mark.parametrize(("damage", "named"), FIT_REFUSALS.values(), ids=FIT_REFUSALS)
def test_fit_refuses_bad_input_in_one_line_and_writes_nothing(capsys, tmp_path, damage, named):
    options = noise_free_history(tmp_path)
    damage(tmp_path)
    before = sorted(os.listdir(tmp_path))
    code, out, err = call(capsys, "fit", *options, "--json")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "Traceback" not in err
    for part in named:
        assert part in err
    assert sorted(os.listdir(tmp_path)) == before


def test_fit_refuses_a_bad_prior(capsys, tmp_path):
    options = noise_free_history(tmp_path)
    (tmp_path / "prior.json").write_text('{"schema": 3}')
    code, _, err = call(capsys, "fit", *options, "--prior", tmp_path / "prior.json")
    assert (code, err.count("\n")) == (2, 1)
    assert "prior.json" in err
    assert not (tmp_path / "influence.json").exists()
