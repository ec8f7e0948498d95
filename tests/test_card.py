"""The job card: what it says for each verdict, that nothing in a file gets out of its text, and its form."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from page_checks import Page, assert_contrast, assert_pictures_are_told, assert_stands_alone, contrast
from page_rotors import curable_run, influence_of, rotor_of, run_of

from trackbal.base import cautions
from trackbal.base.cautions import without_options
from trackbal.commands.group import run as trackbal
from trackbal.influence.influence_writer import write_influence
from trackbal.pages.card import CardLabels, card
from trackbal.pages.card_readings import decimals
from trackbal.pages.html import esc, page, plain, tag
from trackbal.pages.plot_style import EXPECTED, INK, NOW, SOFT
from trackbal.plan.advice import _larger_plans, advise, stop_cautions
from trackbal.plan.beyond import net_link_words
from trackbal.reports.advice_report import plan_adjustments
from trackbal.runs.sheets import read_adjustments, write_run
from trackbal.runs.words import many, past_words
from trackbal.virtual import VirtualType

HOSTILE = '<script>alert("1")</script>\'"&amp;<img src=x onerror=alert(1)>]]>--><!-- $\\frac{1}{0}$ \u202egpj\u0007'
LONG = pytest.mark.long
LABELS = CardLabels("No. 7", "Run 1", "A. Person, manual revision 3", "influence.json", "settings.csv")


def curable(seed=1, size=2.0, blades=5):
    """Return a rotor, a run made of curable faults, and the influence."""
    rotor = rotor_of(blades, 3, 2)
    influence = influence_of(rotor, sd=0.03, noise=0.03)
    return rotor, curable_run(rotor, influence, size, seed), influence


def made(rotor, run, influence, labels=LABELS, setting=None, **options):
    if setting is None:
        setting = np.array([[250.0], [0.0], [0.0]]) + np.zeros((3, len(rotor.blades)))
    advice = advise(rotor, run, influence, setting, **options)
    return advice, card(rotor, run, influence, advice, labels)


def test_a_card_to_adjust_lists_what_to_do_blade_by_blade_with_settings():
    rotor, run, influence = curable()
    advice, source = made(rotor, run, influence)
    assert advice.verdict == "adjust"
    plan = advice.plans[advice.recommended]
    words = Page(source).words
    assert "ADJUST." in words and f"{plan.count} adjustment" in words
    places = []
    for a, b, amount in plan_adjustments(rotor, plan):
        adjuster = rotor.adjusters[a]
        verb = adjuster.positive if amount > 0 else adjuster.negative
        what = f"{verb} {adjuster.name.replace('_', ' ')} {abs(amount):g} {adjuster.unit}"
        row = words.index(f"Blade {rotor.blades[b]} {what}")
        after = f"{advice.setting[a, b] + amount:+g}" if adjuster.minimum < 0 else f"{advice.setting[a, b] + amount:g}"
        assert f"{after} {adjuster.unit}".replace("-", "\u2212") in words[row : row + 120]
        assert f"“{adjuster.positive}” up, “{adjuster.negative}” down" in words
        places.append(row)
    assert places == sorted(places)
    assert words.count("Done") == 1 and source.count('class="box"') == plan.count + 1
    # what was compared is ticked above the list; the amount's sense stands where it is written
    assert source.index("If it differs, do not start") < source.index("<table")
    for a, _, amount in plan_adjustments(rotor, plan):
        adjuster = rotor.adjusters[a]
        assert f"{many(adjuster.unit)} {past_words(adjuster.positive if amount > 0 else adjuster.negative)}" in words


def test_nothing_on_a_card_speaks_of_options():
    rotor, run, influence = curable()
    advice, _ = made(rotor, run, influence)
    plan = advice.offered
    net = plan.change.copy()
    net[1] += rotor.adjusters[1].step
    told = [
        *net_link_words(rotor, net),
        *_larger_plans((plan,), 0, plan.count, False),
        *_larger_plans((plan,), 0, plan.count, True),
        *stop_cautions(rotor, influence, advice.review, ()),
    ]
    named = [text for text in told if re.search(r"--[a-z]", text)]
    assert len(named) == 4
    full = replace(advice, cautions=(*told, *advice.cautions))
    words = Page(card(rotor, run, influence, full, CardLabels())).words
    assert not re.search(r"--[a-z]", words)
    for text in named:
        assert text[:24] in words  # said, but for the option
        assert without_options(text).endswith(".") and "(" not in without_options(text)
    assert without_options("Read (twice) -- then go; or not.") == "Read (twice) -- then go; or not."


def test_a_card_names_who_signs_and_who_inspects_disturbed_controls():
    rotor, run, influence = curable()
    advice, source = made(rotor, run, influence)
    plan = advice.plans[advice.recommended]
    words = Page(source).words
    for wanted in (
        "Work done by",
        "Checked by",
        "Entered in the aircraft's records, reference",
        "Date of run:",
        "Set by: A. Person",
    ):
        assert wanted in words
    moved = [rotor.blades[b] for a, b, _ in plan_adjustments(rotor, plan) if rotor.adjusters[a].kind == "pitch_link"]
    assert moved
    for blade in moved:
        assert f"Independent inspection, flight control: blade {blade}, pitch link" in words
    kinds = {rotor.adjusters[a].kind for a, _, _ in plan_adjustments(rotor, plan)}
    for kind in cautions.KINDS:
        assert (cautions.adjuster_cautions([kind])[0] in words) == (kind in kinds)
    for caution in cautions.general_cautions():
        assert caution in words


def test_every_reading_stands_in_a_table_with_limit_expected_and_room_for_the_next():
    rotor, run, influence = curable()
    advice, source = made(rotor, run, influence)
    words = Page(source).words
    plan = advice.plans[advice.recommended]
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            limit = rotor.vibration_limit[r, s]
            places = decimals(limit)
            now, after = abs(run.vibration[r, s]), plan.likely.amplitude[r, s]
            start = words.index(f"{r + 1} {regime.label} {sensor.name} ({sensor.unit}) ")
            row = words[start : start + 200]
            assert f"{'OVER ' if now > limit else ''}{now:.{places}f} at" in " ".join(row.split())
            assert f" {limit:.6g} {after:.{places}f} at" in " ".join(row.split())
    assert words.count("Next run") >= 2


def test_a_card_inside_limits_asks_for_nothing():
    rotor, run, influence = curable(size=0.0)
    advice, source = made(rotor, run, influence)
    assert advice.verdict == "inside"
    words = Page(source).words
    assert "INSIDE LIMITS. Adjust nothing." in words
    assert "Actual amount" not in words and "Expected" not in words and 'class="box"' not in source
    assert "Next run" not in words and "Work done by" not in words and "Read by" in words


def test_a_card_to_stop_gives_no_adjustment_and_says_what_to_look_for():
    rotor, run, influence = curable(size=2.0)
    run = replace(run, vibration=run.vibration * 20.0)
    advice, source = made(rotor, run, influence)
    assert advice.verdict == "stop"
    words = Page(source).words
    assert words.index("STOP. Do not run and do not adjust") < words.index("Readings and limits")
    for cause in cautions.mechanical_causes():
        assert cause in words
    assert "Actual amount" not in words and "Do, walking" not in words
    advice, source = made(rotor, run, influence, override_stop=True)
    words = Page(source).words
    assert advice.verdict != "stop" and "Stop limit overridden by, reason, date:" in words


def test_a_card_to_investigate_looks_for_a_cause_before_the_plan():
    rotor = rotor_of(5, 3, 2)
    run, influence = run_of(rotor, size=1.5), influence_of(rotor)
    advice, source = made(rotor, run, influence)
    assert advice.verdict == "investigate"
    words = Page(source).words
    best = advice.plans[advice.recommended].worst_ratio
    assert f"Adjusting could at best bring it to {best:.2f} of its limit" in words
    assert "Actual amount" not in words and "Expected" not in words
    assert "What each further adjustment buys" not in words
    source = card(rotor, run, influence, replace(advice, anyway=True), CardLabels())
    words = Page(source).words
    assert words.index(cautions.mechanical_causes()[0]) < words.index("Plan shown on request, against the advice")
    assert words.index("Decided by, and why, date:") < words.index("Actual amount")


def test_a_card_without_settings_says_that_nought_was_taken():
    rotor, run, influence = curable()
    _, source = made(rotor, run, influence, CardLabels(), setting=np.zeros((3, 5)))
    words = Page(source).words
    assert "No settings were given: 0 was taken" in words
    for blank in ("Aircraft:", "Run:", "Limits set by:"):
        assert blank in words
    assert "No settings were given" not in Page(made(rotor, run, influence)[1]).words


def test_what_was_not_read_is_given_as_a_change():
    rotor, run, influence = curable()
    nan = np.where(np.arange(3)[:, None] == 2, np.nan, 1.0)
    run = replace(
        run,
        vibration=run.vibration * nan,
        height=run.height * nan,
        vibration_count=run.vibration_count * (nan > 0),
        height_count=run.height_count * np.array([1, 1, 0]),
        height_taken=run.height_taken & (nan > 0),
    )
    advice, source = made(rotor, run, influence)
    words = Page(source).words
    part = words[words.index("Not read this time The plan changes") :]
    plan = advice.plans[advice.recommended]
    for s, sensor in enumerate(rotor.sensors):
        change = abs(plan.vibration_change[2, s])
        assert f"{sensor.name} ({sensor.unit}) {change:.{decimals(rotor.vibration_limit[2, s])}f} at" in part


@pytest.mark.parametrize("verdict", ["adjust", "inside", "investigate", "stop"])
def test_nothing_written_in_a_file_gets_out_of_its_text(verdict):
    rotor, run, influence = curable(size=0.0 if verdict == "inside" else 2.0)
    if verdict == "stop":
        run = replace(run, vibration=run.vibration * 20.0)
    if verdict == "investigate":
        run, influence = run_of(rotor, size=1.5), influence_of(rotor)
    bad = HOSTILE
    rotor = replace(
        rotor,
        name=bad,
        blades=tuple(f"{bad} {b}" for b in range(5)),
        sensors=tuple(replace(s, name=f"{bad} {i}") for i, s in enumerate(rotor.sensors)),
        regimes=tuple(replace(r, name=f"{bad} {i}", label=bad) for i, r in enumerate(rotor.regimes)),
        adjusters=tuple(
            replace(a, name=f"{bad} {i}", unit=bad, positive=bad, negative=bad) for i, a in enumerate(rotor.adjusters)
        ),
    )
    run = replace(run, source=bad, notes=((rotor.regimes[0].name, bad),), info=((rotor.regimes[0].name, bad, bad),))
    influence = replace(influence, rotor_name=bad + "2", source={"jobs": bad, "runs": bad})
    advice, source = made(rotor, run, influence, CardLabels(bad, bad, bad, bad, bad))
    assert advice.verdict == verdict
    assert_stands_alone(source)
    words = Page(source).words
    assert '<script>alert("1")</script>' in words
    assert "\u202e" not in source and "\x07" not in source
    assert "\ufffdgpj\ufffd" in source


def test_a_card_stands_alone_and_tells_its_pictures():
    rotor, run, influence = curable()
    _, source = made(rotor, run, influence)
    assert_stands_alone(source)
    assert_contrast(source)
    assert assert_pictures_are_told(source) == 3 * 2 + 3 + 2
    assert 'lang="en"' in source and '<meta charset="utf-8">' in source
    assert "default-src 'none'" in source


def test_colours_of_pictures_are_seen_in_grey():
    for colour in (INK, SOFT, NOW, EXPECTED):
        assert contrast(colour, "#ffffff") >= 4.5


@pytest.mark.parametrize(
    ("blades", "regimes", "sensors"), [(2, 1, 1), (7, 4, 2), *(pytest.param(8, 8, s, marks=LONG) for s in (2, 6))]
)
def test_extreme_rotors_have_a_card(blades, regimes, sensors):
    rotor = rotor_of(blades, regimes, sensors)
    run, influence = run_of(rotor, size=1.5), influence_of(rotor)
    advice, _ = made(rotor, run, influence)
    source = card(rotor, run, influence, replace(advice, anyway=True))
    assert_stands_alone(source)
    assert assert_pictures_are_told(source) == regimes * sensors + regimes + 2


def test_the_same_input_gives_the_same_bytes():
    rotor, run, influence = curable()
    assert made(rotor, run, influence)[1] == made(rotor, run, influence)[1]


def test_html_is_escaped_unless_it_is_marked():
    assert tag("p", "a<b", tag("b", "&")) == "<p>a&lt;b<b>&amp;</b></p>"
    assert esc("\"'") == "&quot;&#x27;"
    assert "<title>&lt;/title&gt;</title>" in page("</title>", [])


@pytest.mark.parametrize("text", ["Rotor, No. 7", HOSTILE, "\\", 'a"; } * { display: none }', "</style>", "é日"])
def test_the_foot_of_a_sheet_holds_any_text_as_text(text):
    """A CSS string ends at its quotation mark; \\ with hexadecimal digits and a blank is a character (CSS Syntax 3)."""
    style = re.search(r"<style>(.*?)</style>", page("t", [], running=text), re.S)[1]
    inside = re.search(r'@bottom-left \{ [^"]*content: "([^"]*)"; \}', style)[1]
    assert not set(inside) & set("<>{};\n")
    assert re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), inside) in (plain(text), plain(text)[:109] + "…")
    assert style.count("{") == style.count("}")


def test_a_card_has_its_name_at_the_foot_of_every_sheet():
    rotor, run, influence = curable()
    style = re.search(r"<style>(.*?)</style>", made(rotor, run, influence)[1], re.S)[1]
    foot = re.search(r'@bottom-left \{ [^"]*content: "([^"]*)"', style)[1]
    foot = re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), foot)
    assert foot == "Job card: Invented rotor, No. 7, Run 1"


@pytest.fixture
def files(tmp_path):
    """Return a folder with a virtual aircraft's rotor, run, influence and settings."""
    kind = VirtualType.shipped("tail2")
    rotor, aircraft = kind.rotor, kind.aircraft(3, 0.5)
    run = aircraft.fly(np.random.default_rng(1))
    run = replace(run, vibration=3.0 * run.vibration / np.abs(run.vibration / rotor.vibration_limit).max())
    alpha, tau = kind.as_drawn().true_influence()
    influence = influence_of(rotor_of(2, 2, 2))
    influence = replace(
        influence,
        rotor_name=rotor.name,
        alpha=alpha,
        tau=np.nan_to_num(tau),
        vibration_cov=np.zeros((2, 2, 4, 4)),
        height_cov=np.zeros((2, 2, 2)),
        vibration_noise=0.03 * rotor.vibration_limit,
        height_noise=np.zeros(2),
        unknown_vibration=np.zeros((2, 2, 2), dtype=bool),
        unknown_height=np.zeros((2, 2), dtype=bool),
    )
    (tmp_path / "rotor.toml").write_bytes(VirtualType.rotor_file("tail2").read_bytes())
    write_run(rotor, tmp_path / "run.csv", run, force=False)
    write_influence(tmp_path / "influence.json", rotor, influence)
    return tmp_path


def arguments(files, command, *more):
    given = [f"--{name}={files / file}" for name, file in FILES.items()]
    return [command, *given, *more]


FILES = {"rotor": "rotor.toml", "run": "run.csv", "influence": "influence.json"}


def test_the_commands_write_the_same_card(files, capsys):
    out = files / "card.html"
    assert trackbal(arguments(files, "card", f"--out={out}", "--aircraft", "No. <7>", "--limits-from", "Manual")) == 0
    assert capsys.readouterr().out.startswith("adjust: written to ")
    assert "No. &lt;7&gt;" in out.read_text()
    plain, other = files / "plain.html", files / "other.html"
    assert trackbal(arguments(files, "card", f"--out={plain}")) == 0
    assert trackbal(arguments(files, "advise", f"--card={other}", f"--plan-out={files / 'plan.csv'}")) == 0
    assert plain.read_bytes() == other.read_bytes()
    rotor = VirtualType.shipped("tail2").rotor
    assert np.count_nonzero(read_adjustments(rotor, files / "plan.csv")) > 0
    assert "Do" in capsys.readouterr().out


def test_nothing_is_overwritten_nor_half_written(files, capsys):
    taken = files / "taken.html"
    taken.write_text("mine")
    for more in (
        ("card", f"--out={taken}"),
        ("advise", f"--card={taken}", f"--plan-out={files / 'plan.csv'}"),
        ("advise", f"--card={files / 'new.html'}", f"--plan-out={taken}"),
        ("advise", f"--card={files / 'new.html'}", f"--plan-out={files / 'new.html'}"),
    ):
        assert trackbal(arguments(files, *more)) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1
        assert taken.read_text() == "mine"
        assert not (files / "plan.csv").exists() and not (files / "new.html").exists()
    assert trackbal(arguments(files, "card", f"--out={taken}", "--force")) == 0
    assert taken.read_text().startswith("<!DOCTYPE html>")


def test_a_stop_writes_a_card_and_exits_1(files, capsys):
    sheet = files / "run.csv"
    rows = sheet.read_text().splitlines()
    cells = rows[1].split(",")
    cells[2] = "9.9"
    sheet.write_text("\n".join([rows[0], ",".join(cells), *rows[2:]]) + "\n")
    assert trackbal(arguments(files, "card", f"--out={files / 'card.html'}", "--json")) == 1
    assert '"verdict": "stop"' in capsys.readouterr().out
    assert "STOP. Do not run" in (files / "card.html").read_text()


def test_a_card_gives_no_go_ahead_but_prints_the_users_figures():
    rotor, run, influence = curable()
    words = Page(made(rotor, run, influence)[1]).words
    assert "only if the manual's figure for it is met and the pilot agrees" in words
    assert "Before start: locking and torque checked again" in words and "droop stops in." in words
    assert "Figures for going on" not in words and "Certified" not in words
    first = replace(rotor.regimes[0], go_on=0.01)
    rotor = replace(rotor, regimes=(first, *rotor.regimes[1:]), place="tail")
    words = Page(made(rotor, run, influence)[1]).words
    assert f"{rotor.sensors[0].name} 0.01 {rotor.sensors[0].unit} in {first.label}" in words
    assert f"Do not go on to a further condition from: {first.label}." in words
    assert "Before start: " in words and "droop stops" not in words
