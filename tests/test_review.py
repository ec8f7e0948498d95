"""Review of a run: limits, and findings that come when they should and stay away when they should not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_rotor import ROTOR, rotor_with

from trackbal.base.cautions import adjuster_cautions, general_cautions, mechanical_causes
from trackbal.base.phasor import to_phasor
from trackbal.base.text_layout import table
from trackbal.check.comparisons import median
from trackbal.check.review import Reading, Review, check_run
from trackbal.influence.coefficients import Influence
from trackbal.reports.check_report import check_json, check_text
from trackbal.reports.rotor_report import rotor_json, rotor_text
from trackbal.runs.rotor import Regime, Rotor, Sensor
from trackbal.runs.run import Run
from trackbal.runs.sheets import read_run

DEMOS = Path(__file__).parents[1] / "demo_runs"

R, S, B = 4, 3, 4
NAN = complex(np.nan, np.nan)


def sound_run() -> Run:
    """Return an invented run of four regimes that no check should find fault with."""
    amplitude = np.array([[0.25, 0.12, 0.05], [0.31, 0.18, 0.06], [0.42, 0.22, 0.08], [0.28, 0.15, 0.04]])
    degrees = np.array([[40.0, 200.0, 310.0], [55.0, 215.0, 300.0], [80.0, 190.0, 340.0], [62.0, 230.0, 12.0]])
    height = np.array([[6.0, -3.0, -5.0, 2.0], [9.0, -4.0, -7.0, 2.0], [8.0, -1.0, -9.0, 2.0], [np.nan] * 4])
    return Run(
        vibration=to_phasor(amplitude, degrees),
        height=height,
        vibration_count=np.ones((R, S), dtype=int),
        height_count=np.array([1, 1, 1, 0]),
        vibration_squares=np.zeros((R, S)),
        height_squares=np.zeros(R),
        height_taken=~np.isnan(height),
        rpm=np.full(R, 240.0),
    )


def with_vibration(run: Run, change: dict[tuple[int, int], complex]) -> Run:
    vibration, count = run.vibration.copy(), run.vibration_count.copy()
    for at, value in change.items():
        vibration[at], count[at] = value, 0 if np.isnan(value) else 1
    return replace(run, vibration=vibration, vibration_count=count)


def with_height(run: Run, regime: int, heights: list[float]) -> Run:
    height = run.height.copy()
    height[regime] = np.array(heights) - np.mean(heights)
    return replace(run, height=height)


def noise(vibration: float, height: float) -> Influence:
    return Influence(
        rotor_name=ROTOR.name,
        alpha=np.zeros((2, R, S), dtype=complex),
        tau=np.zeros((2, R)),
        vibration_cov=np.zeros((R, S, 4, 4)),
        height_cov=np.zeros((R, 2, 2)),
        vibration_noise=np.full((R, S), vibration),
        height_noise=np.full(R, height),
        unknown_vibration=np.zeros((2, R, S), dtype=bool),
        unknown_height=np.zeros((2, R), dtype=bool),
    )


def kinds(review: Review) -> list[tuple[str, str | None, str | None]]:
    return [(f.kind, f.regime, f.place) for f in review.doubts]


def doubts_of(run: Run, rotor: Rotor = ROTOR, influence: Influence | None = None) -> list[tuple[Any, ...]]:
    review = check_run(rotor, run, influence)
    assert all("\n" not in f.text and (f.regime or f.place or "") in f.text for f in review.findings)
    return kinds(review)


# ------------------------------------------------------------------------------ limits


def test_readings_come_worst_first_with_their_limits() -> None:
    review = check_run(ROTOR, sound_run())
    worst = review.readings[0]
    assert (worst.regime, worst.sensor, worst.unit) == ("cruise", "cockpit_vertical", "ips")
    assert worst.value == pytest.approx(0.42)
    assert (worst.limit, worst.stop) == (0.2, 1.2)
    assert review.worst_ratio == worst.ratio == pytest.approx(2.1)
    ratios = [reading.ratio for reading in review.readings]
    assert ratios == sorted(ratios, reverse=True)
    assert len(ratios) == 12 + 3
    tail = next(x for x in review.readings if (x.regime, x.sensor) == ("hover", "tail"))
    assert (tail.limit, tail.stop, tail.unit) == (0.1, 0.6, "g")
    spread = next(x for x in review.readings if (x.regime, x.sensor) == ("hover", "height"))
    assert (spread.value, spread.limit, spread.stop, spread.unit) == (16.0, 20.0, 120.0, "mm")
    assert not review.inside and not review.stop


def test_only_what_was_read_is_judged() -> None:
    run = sound_run()
    every = {(r, s): NAN for r in range(R) for s in range(S)}
    review = check_run(ROTOR, with_vibration(run, every | {(1, 2): 0.05 + 0j}))
    assert review.inside and len(review.readings) == 4
    empty = replace(with_vibration(run, every), height=np.full((R, B), np.nan), height_count=np.zeros(R, dtype=int))
    review = check_run(ROTOR, empty)
    assert not review.inside and not review.stop and review.readings == ()
    assert check_json(ROTOR, review)["worst"] is None
    assert "nothing was read" in check_text(ROTOR, review)


@given(st.floats(-360.0, 360.0), st.sampled_from([0.2, 0.15, 0.3, 0.7]))
@settings(deadline=None)
def test_exactly_the_limit_is_inside_and_exactly_the_stop_is_reached(degrees: float, limit: float) -> None:
    rotor = rotor_with(vibration=limit, vibration_stop=6.0 * limit)
    at_limit = with_vibration(quiet_run(), {(1, 0): complex(to_phasor(limit, degrees))})
    assert check_run(rotor, at_limit).inside
    above = with_vibration(quiet_run(), {(1, 0): complex(to_phasor(limit * 1.000001, degrees))})
    assert not check_run(rotor, above).inside
    at_stop = with_vibration(quiet_run(), {(1, 0): complex(to_phasor(6.0 * limit, degrees))})
    assert check_run(rotor, at_stop).stop
    below = with_vibration(quiet_run(), {(1, 0): complex(to_phasor(6.0 * limit * 0.999999, degrees))})
    assert not check_run(rotor, below).stop


def quiet_run() -> Run:
    run = sound_run()
    return replace(run, vibration=run.vibration * 0.1, height=run.height * 0.5)


def test_a_height_at_its_stop_stops() -> None:
    run = with_height(sound_run(), 1, [60.0, 0.0, -60.0, 5.0])
    review = check_run(ROTOR, run)
    assert review.stop and review.readings[0].stopped
    no_stop = rotor_with(height_spread_stop=None, vibration_stop=None)
    review = check_run(no_stop, run)
    assert not review.stop and review.readings[0].stop is None


# ------------------------------------------------------------------------------ doubts


def test_a_sound_run_has_no_doubts() -> None:
    assert doubts_of(sound_run()) == []


@pytest.mark.parametrize(("size", "doubted"), [(3.9, False), (4.1, True)])
def test_twenty_times_the_limit_is_doubted(size: float, doubted: bool) -> None:
    found = ("too_large", "hover", "cockpit_vertical") in doubts_of(
        with_vibration(sound_run(), {(1, 0): size + 0j}), rotor_with(vibration_stop=None)
    )
    assert found == doubted


@pytest.mark.parametrize(("size", "doubted"), [(2.9, False), (3.1, True)])
def test_five_times_the_stop_is_doubted(size: float, doubted: bool) -> None:
    run = with_vibration(sound_run(), {(1, 0): size + 0j})
    assert (("too_large", "hover", "cockpit_vertical") in doubts_of(run, rotor_with(vibration_stop=0.6))) == doubted


def test_a_spread_beyond_belief_is_doubted() -> None:
    run = with_height(sound_run(), 0, [300.0, -200.0, 10.0, 0.0])
    assert ("too_large", "flat_pitch", "height") in doubts_of(run)


def test_exact_zeros_are_doubted() -> None:
    assert doubts_of(with_vibration(sound_run(), {(1, 1): 0j})) == [("zero", "hover", "cockpit_lateral")]
    assert doubts_of(with_height(sound_run(), 2, [5.0] * 4)) == [("no_spread", "cruise", "height")]


def test_another_speed_is_doubted() -> None:
    run = replace(sound_run(), rpm=np.array([240.0, 244.0, 200.0, np.nan]))
    assert doubts_of(run) == [("speed", "cruise", None)]
    run = replace(sound_run(), rpm=np.array([237.0, 243.0, 237.0, 237.0]))  # within 2 % of the rotor's, not of the rest
    assert doubts_of(run) == [("speed", "hover", None)]


def test_missing_tips_are_named() -> None:
    run = sound_run()
    height, taken, count = run.height.copy(), run.height_taken.copy(), run.height_count.copy()
    height[1], taken[1, 2], count[1] = np.nan, False, 0
    gap = replace(run, height=height, height_taken=taken, height_count=count)
    review = check_run(ROTOR, gap)
    assert kinds(review) == [("missing_tip", "hover", "height.3")]
    assert "no height of blade 3" in review.doubts[0].text
    taken = taken.copy()
    taken[1] = True  # every tip in some row, but no row whole
    assert doubts_of(replace(gap, height_taken=taken)) == [("missing_tip", "hover", "height")]


def test_one_tip_far_from_the_rest_is_named() -> None:
    far = with_height(sound_run(), 2, [30.0, 1.0, -1.0, 2.0])
    assert ("tip_outside", "cruise", "height.1") in doubts_of(far)
    within_limit = with_height(sound_run(), 2, [18.0, 1.0, 0.0, 1.0])
    assert doubts_of(within_limit) == []
    wide = with_height(sound_run(), 2, [30.0, 9.0, -9.0, 2.0])
    assert doubts_of(wide) == []


def test_a_phase_equal_in_every_regime_is_doubted() -> None:
    run = sound_run()
    stuck = with_vibration(run, {(r, 0): complex(to_phasor(abs(run.vibration[r, 0]), 47.0)) for r in range(R)})
    assert doubts_of(stuck) == [("stuck_phase", None, "cockpit_vertical")]
    two = with_vibration(stuck, {(0, 0): NAN, (1, 0): NAN})
    assert doubts_of(two) == []
    coarse = with_vibration(run, {(r, 0): complex(to_phasor(abs(run.vibration[r, 0]), 45.0)) for r in range(R)})
    assert doubts_of(coarse) == []  # half hours of a clock face may fall together


def test_copied_rows_and_doubled_sensors_are_doubted() -> None:
    run = sound_run()
    copied = with_vibration(run, {(1, s): run.vibration[0, s] for s in range(S)})
    assert doubts_of(copied) == [("copied", "hover", None)]
    doubled = with_vibration(run, {(r, 1): run.vibration[r, 0] for r in range(R)})
    assert doubts_of(doubled) == [("doubled", None, "cockpit_lateral")]


def test_heights_of_one_regime_in_another_unit_are_doubted() -> None:
    run = sound_run()
    inches = replace(run, height=run.height * np.array([[1.0], [1.0 / 25.4], [1.0], [1.0]]))
    assert doubts_of(inches) == [("height_unit", "hover", "height")]
    review = check_run(ROTOR, inches)
    assert "read in inches" in review.doubts[0].text
    halved = replace(run, height=run.height * np.array([[1.0], [0.2], [1.0], [1.0]]))
    assert doubts_of(halved) == []


def test_all_heights_in_inches_are_doubted() -> None:
    run = sound_run()
    assert doubts_of(replace(run, height=run.height / 25.4)) == [("height_unit", None, "height")]
    assert doubts_of(replace(run, height=run.height / 5.0)) == []


@pytest.mark.parametrize("times", [25.4, 1.0 / 25.4])
def test_a_sensor_in_another_unit_is_doubted(times: float) -> None:
    run = sound_run()
    rotor = rotor_with(vibration_stop=None)
    wrong = with_vibration(run, {(r, 1): run.vibration[r, 1] * times for r in range(R)})
    found = doubts_of(wrong, rotor)
    assert ("vibration_unit", None, "cockpit_lateral") in found
    assert all(place == "cockpit_lateral" for _, _, place in found)
    unit = "mm/s" if times > 1.0 else "ips"
    assert any(f"was it read in {unit}?" in finding.text for finding in check_run(rotor, wrong).doubts)
    one_regime = with_vibration(run, {(1, 1): run.vibration[1, 1] * times})
    assert all(kind != "vibration_unit" for kind, _, _ in doubts_of(one_regime, rotor))


@pytest.mark.parametrize("times", [9.0, 1.0 / 8.0])
def test_a_rough_or_smooth_axis_is_not_said_to_be_in_another_unit(times: float) -> None:
    run = sound_run()
    rough = with_vibration(run, {(r, 1): run.vibration[r, 1] * times for r in range(R)})
    assert all(kind != "vibration_unit" for kind, _, _ in doubts_of(rough, rotor_with(vibration_stop=None)))


# ------------------------------------------------------------------------------ scatter of repeats


def repeated(squares: float, height_squares: float, count: int) -> Run:
    run = sound_run()
    return replace(
        run,
        vibration_count=np.full((R, S), count),
        vibration_squares=np.full((R, S), squares),
        height_count=np.array([count, count, count, 0]),
        height_squares=np.full(R, height_squares),
    )


def test_scatter_against_known_noise_at_the_tabled_chance() -> None:
    """Upper 0.1 % points of chi-square: 13.816 (2 degrees), 27.877 (9), 18.467 (4), 22.458 (6).

    Source: any table of the chi-square distribution, e.g. Abramowitz and Stegun, table 26.8
    (from memory). Vibration has 2 (k - 1) degrees of freedom, heights (k - 1)(B - 1).
    """
    sd = 0.01
    for count, vibration_point, height_point in ((2, 13.816, 16.266), (3, 18.467, 22.458), (4, 22.458, 27.877)):
        for factor, doubted in ((0.999, False), (1.001, True)):
            run = repeated(factor * vibration_point * sd**2, factor * height_point * 4.0, count)
            found = doubts_of(run, influence=noise(sd, 2.0))
            assert (("scatter", "hover", "cockpit_vertical") in found) == doubted
            assert (("scatter", "hover", "height") in found) == doubted


def test_scatter_is_seldom_doubted_where_the_noise_is_as_known() -> None:
    """Of 4000 sampled sets of repeats some 4 should be doubted; 16 or more has a chance below 1e-5."""
    rng = np.random.default_rng(20)
    doubted = 0
    for _ in range(4000 // (R * S)):
        readings = rng.normal(scale=0.02, size=(5, R, S)) + 1j * rng.normal(scale=0.02, size=(5, R, S))
        squares = (np.abs(readings - readings.mean(axis=0)) ** 2).sum(axis=0)
        run = replace(repeated(0.0, 0.0, 5), vibration_squares=squares)
        doubted += len(doubts_of(run, influence=noise(0.02, 1.0)))
    assert doubted < 16


def test_without_known_noise_a_quarter_of_the_limit_is_the_bound() -> None:
    below, above = 2 * (0.049**2), 2 * (0.051**2)
    assert ("scatter", "hover", "cockpit_vertical") not in doubts_of(repeated(below, 0.0, 3))
    assert ("scatter", "hover", "cockpit_vertical") in doubts_of(repeated(above, 0.0, 3))
    assert ("scatter", "hover", "height") not in doubts_of(repeated(0.0, 2 * B * 4.9**2, 3))
    assert ("scatter", "hover", "height") in doubts_of(repeated(0.0, 2 * B * 5.1**2, 3))
    assert ("scatter", "hover", "height") in doubts_of(repeated(0.0, 2 * B * 5.1**2, 3), influence=noise(0.0, 0.0))


# ------------------------------------------------------------------------------ notes


def test_what_was_not_read_is_noted_not_doubted() -> None:
    run = with_vibration(sound_run(), {(0, 0): NAN, (0, 1): NAN, (0, 2): NAN, (1, 1): NAN})
    height, taken = run.height.copy(), run.height_taken.copy()
    height[[0, 2]], taken[[0, 2]] = np.nan, False
    review = check_run(ROTOR, replace(run, height=height, height_taken=taken, height_count=np.array([0, 1, 0, 0])))
    assert review.doubts == ()
    assert [(f.kind, f.regime, f.place) for f in review.notes] == [
        ("not_read", "flat_pitch", None),
        ("not_read", "hover", "cockpit_lateral"),
        ("not_read", "cruise", "height"),
    ]


@pytest.mark.parametrize(
    ("harmonic", "azimuth", "noted"),
    [(4, None, True), (8, None, True), (2, None, False), (4, [0.0, 80.0, 180.0, 260.0], False)],
)
def test_a_multiple_of_equal_blades_is_no_adjustments_business(
    harmonic: int, azimuth: list[float] | None, noted: bool
) -> None:
    sensors = (*ROTOR.sensors[:2], Sensor("tail", "vertical", "g", harmonic=harmonic, limit=0.1, stop=0.6))
    rotor = rotor_with(sensors=sensors)
    if azimuth:
        rotor = replace(rotor, azimuth_deg=np.array(azimuth))
    found = [f.place for f in check_run(rotor, sound_run()).notes if f.kind == "blade_multiple"]
    assert found == (["tail"] if noted else [])


# ------------------------------------------------------------------------------ report


def test_json_holds_plain_unrounded_values() -> None:
    review = check_run(rotor_with(vibration_stop=None), with_vibration(sound_run(), {(1, 1): 0j}))
    said = json.loads(json.dumps(check_json(ROTOR, review), allow_nan=False))
    assert said["inside"] is False and said["stop"] is False
    assert said["worst"] == said["readings"][0]["ratio"] == review.worst_ratio
    assert said["readings"][0]["stop"] is None
    assert [d["kind"] for d in said["doubts"]] == ["zero"]
    assert said["cautions"]


def test_text_is_aligned_worst_first() -> None:
    text = check_text(ROTOR, check_run(ROTOR, with_vibration(sound_run(), {(1, 0): 1.3 + 0j})))
    lines = text.splitlines()
    *_, verdict, short = text.rstrip().split("\n\n")
    assert "STOP" in verdict and "(hover, cockpit_vertical)" in verdict.replace("\n", " ")
    assert "licensed people decide" in short
    header = next(i for i, line in enumerate(lines) if line.split()[:3] == ["regime", "sensor", "value"])
    assert lines[header + 1].split() == ["hover", "cockpit_vertical", "1.300", "0.2", "1.2", "ips", "6.50", "STOP"]
    everything = check_text(ROTOR, check_run(ROTOR, sound_run()), everything=True)
    assert everything.count(" ips ") + everything.count(" mm ") > text.count(" ips ") + text.count(" mm ")
    assert "Compare them with the current manual" in " ".join(everything.split())
    ends = {line.index(" ips") for line in lines if " ips " in line}
    assert len(ends) == 1
    inside = check_text(ROTOR, check_run(ROTOR, quiet_run()))
    assert "every reading taken (15) is inside its limit" in " ".join(inside.split())
    assert "outside" not in inside


@given(st.text("abé_ -", min_size=1, max_size=150), st.floats(1e-5, 1e5), st.floats(1e-3, 1e3))
@settings(deadline=None)
def test_text_fits_80_characters(name: str, size: float, limit: float) -> None:
    regimes = (Regime(name, name), *ROTOR.regimes[1:])
    sensors = (Sensor(name, "vertical", "mm/s"), *ROTOR.sensors[1:])
    rotor = rotor_with(regimes=regimes, sensors=sensors, vibration=limit, vibration_stop=limit * 6.123456)
    text = check_text(rotor, check_run(rotor, with_vibration(sound_run(), {(0, 0): size + 0j})))
    too_long = [line for line in text.splitlines() if len(line) > 80]
    assert all(len(max(line.split(), key=len)) > 60 for line in too_long)  # nothing but a name too long to fit


def test_cautions_name_what_governs_and_what_each_kind_risks() -> None:
    """Common practice, no published source: the manual governs, pitch links are flight controls."""
    general = " ".join(general_cautions())
    assert "maintenance manual" in general and "licensed" in general and "not a release" in general
    assert "independent inspection" in adjuster_cautions(["pitch_link"])[0]
    assert len(adjuster_cautions(["weight", "tab", "weight"])) == 2
    with pytest.raises(KeyError):
        adjuster_cautions(["spring"])
    causes = " ".join(mechanical_causes()).lower()
    assert all(word in causes for word in ("damper", "bearing", "loose", "water", "work"))


# ---- the user's own figures for going on --------------------------------------------------------


def with_go_on(**figures: float) -> Rotor:
    hover = replace(ROTOR.regimes[1], **figures)
    return rotor_with(regimes=(ROTOR.regimes[0], hover, *ROTOR.regimes[2:]))


@pytest.mark.parametrize(("figure", "held"), [(0.3, True), (0.31, False), (0.5, False)])
def test_a_reading_above_the_go_on_figure_holds_at_that_regime(figure: float, held: bool) -> None:
    rotor = with_go_on(go_on=figure)
    review = check_run(rotor, sound_run())
    assert [(r.regime, r.sensor) for r in review.no_further] == [("hover", "cockpit_vertical")] * held
    text, answer = check_text(rotor, review), check_json(rotor, review)
    assert answer["no_further"] == ["hover"] * held
    assert {r["go_on"] for r in answer["readings"] if r["regime"] == "hover"} == {figure, None}
    assert ("Do not go on to a further condition from: Hover." in " ".join(text.split())) is held
    assert ("no further" in text) is held
    lines = check_text(rotor, review, everything=True).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("regime "))
    header, *rows = lines[at : at + 20]
    assert "go on" in header and f"{figure:g}" in " ".join(rows)


def test_tips_too_far_apart_hold_at_that_regime_and_without_figures_nothing_is_said() -> None:
    review = check_run(with_go_on(go_on_height_spread=15.9), sound_run())
    assert [(r.regime, r.sensor) for r in review.no_further] == [("hover", "height")]
    plain = check_run(ROTOR, sound_run())
    assert not plain.no_further and "go on" not in check_text(ROTOR, plain)


def test_a_tail_rotor_has_causes_of_its_own() -> None:
    main, tail = " ".join(mechanical_causes("main")), " ".join(mechanical_causes("tail"))
    for word in ("Lead-lag", "Droop stops", "swashplate"):
        assert word in main and word not in tail
    for word in ("Pitch-change bearings", "trunnion", "hanger bearings", "Boom, fin"):
        assert word in tail and word not in main
    assert "No further ground run until they are checked: ground resonance." in main


def test_median_is_that_of_numpy() -> None:
    rng = np.random.default_rng(3)
    for shape in ((1,), (2,), (5,), (4, 6), (3, 7)):
        values = rng.normal(size=shape)
        assert median(values) == pytest.approx(np.median(values, axis=-1), rel=1e-15)
        values[..., 0] = np.nan
        if shape[-1] > 1:
            assert median(values) == pytest.approx(np.nanmedian(values, axis=-1), rel=1e-15)
    assert np.isnan(median(np.full((2, 3), np.nan))).all()


# ------------------------------------------------------------------------------ one reading, by hand


def a_reading(largest: float, **more: Any) -> Reading:
    return Reading("hover", "tail", largest, "g", 0.06, more.pop("stop", 0.08), largest, **more)


@pytest.mark.parametrize(
    ("largest", "at_usual", "stop", "stopped", "at_usual_only"),
    [
        (0.05, None, 0.08, False, False),
        (0.05, 0.07, 0.08, False, False),
        (0.05, 0.09, 0.08, True, True),
        (0.05, 0.08, 0.08, True, True),
        (0.09, 0.05, 0.08, True, False),
        (0.08, None, 0.08, True, False),
        (9.0, 9.0, None, False, False),
    ],
)
def test_a_stop_is_reached_at_either_speed(
    largest: float, at_usual: float | None, stop: float | None, stopped: bool, at_usual_only: bool
) -> None:
    reading = a_reading(largest, at_usual=at_usual, stop=stop)
    assert (reading.stopped, reading.stopped_at_usual) == (stopped, at_usual_only)


@pytest.mark.parametrize(
    ("go_on", "may"), [(None, True), (0.05, True), (0.050001, True), (0.049999, False), (0.0, False)]
)
def test_one_may_go_on_up_to_the_users_own_figure(go_on: float | None, may: bool) -> None:
    assert a_reading(0.05, go_on=go_on).may_go_on is may


@pytest.mark.parametrize(
    ("readings", "judged", "inside", "unclear"),
    [
        ([], False, False, 0),
        ([(0.07, True)], False, False, 1),
        ([(0.05, False)], True, True, 0),
        ([(0.05, False), (0.05, True)], True, True, 0),
        ([(0.05, False), (0.07, True)], True, False, 1),
        ([(0.05, False), (0.07, False)], True, False, 0),
    ],
)
def test_some_tips_only_may_be_over_and_never_pass(
    readings: list[tuple[float, bool]], judged: bool, inside: bool, unclear: int
) -> None:
    """Each reading is (largest, whether of some tips only); the limit is 0.06."""
    review = check_run(ROTOR, sound_run())
    review = replace(review, readings=tuple(a_reading(largest, partial=partial) for largest, partial in readings))
    assert (review.judged, review.inside, len(review.unclear)) == (judged, inside, unclear)
    assert [reading.inside for reading in review.readings] == [x <= 0.06 and not partial for x, partial in readings]


@pytest.mark.parametrize(
    ("apart", "apart_height", "questioned"),
    [(0.079, 11.9, []), (0.081, 11.9, ["cockpit_vertical"]), (0.079, 12.1, ["height"])],
)
def test_repeats_contradict_each_other_where_the_next_as_far_apart_may_be_over(
    apart: float, apart_height: float, questioned: list[str]
) -> None:
    """In hover 0.12 of a limit of 0.2, and a spread of 8 mm of 20: a scatter of 0.08 a reading, or 12 mm of spread.

    Of three repeats vibration has two degrees of freedom; the four tips about their mean have six, and twice their
    scatter is that of a spread.
    """
    quiet, repeats = quiet_run(), repeated(2.0 * apart**2, 6.0 * (apart_height / 2.0) ** 2, 3)
    run = replace(with_vibration(quiet, {(1, 0): 0.12 + 0j}), height_count=repeats.height_count)
    run = replace(run, vibration_count=repeats.vibration_count, vibration_squares=repeats.vibration_squares)
    review = check_run(ROTOR, replace(run, height_squares=repeats.height_squares))
    assert [r.sensor for r in review.unclear if r.regime == "hover"] == questioned


def test_names_cut_to_fit_stay_apart_and_repeats_show_what_counts() -> None:
    """Two pick-ups of one beginning read more than once: their rows read alike, by the mean that counts for nothing."""
    rows = [
        ["regime", "sensor", "x" * 50],
        ["ground_run", "gearbox_vertical", ""],
        ["ground_run", "gearbox_longitudinal", ""],
    ]
    names = [line.split()[:2] for line in table(rows, names=2, sides="<<<").splitlines()[1:]]
    assert names[0] != names[1]
    rotor = Rotor.load(DEMOS / "two_blade_tail" / "rotor.toml")
    review = check_run(rotor, read_run(rotor, DEMOS / "two_blade_tail" / "run1.csv"))
    text = check_text(rotor, review)
    (row,) = (line.split() for line in text.splitlines() if line.startswith("ground_run gearbox_lon"))
    assert float(row[2]) == max(r.largest for r in review.readings if r.sensor == "gearbox_longitudinal")
    assert "of: ground_run, gearbox_longitudinal (of 2); ground_run, gearbox_vertical (of 2)." in " ".join(text.split())


def test_a_second_person_sees_all_of_a_rotor_file_that_shapes_advice() -> None:
    """Figures for going on, where blades stand, harmonics, and when an adjuster may be advised."""
    rotor = Rotor.load(DEMOS / "four_blade_tail" / "rotor.toml")
    text = " ".join(rotor_text(rotor).split())
    assert "1 at 0, 2 at 70, 3 at 180, 4 at 250" in text and "gearbox_vertical 0.2 0.6 1.5 ips" in text
    (first, *_) = rotor_json(rotor)["limits"]
    assert (first["limit"], first["go_on"], first["stop"]) == (0.2, 0.6, 1.5)
    staged = replace(rotor.adjusters[0], fixed_blades=("2",), needs=("hover",), inside_first=("ground_run",))
    second = replace(rotor.sensors[0], harmonic=2)
    notes = rotor_json(replace(rotor, adjusters=(staged,), sensors=(second, *rotor.sensors[1:])))["notes"]
    for words in (
        "tip_weight is not changed on blade 2.",
        "tip_weight only where hover was read.",
        "tip_weight only when ground_run is read and inside.",
        "gearbox_vertical reads 2 per rev.",
    ):
        assert words in notes
    assert "go on" not in rotor_text(rotor_with())
