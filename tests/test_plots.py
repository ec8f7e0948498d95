"""Pictures: no text clashes or leaves the picture, numbers land where they should, same bytes every time."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import combinations

import numpy as np
import pytest
from how_much import much
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from matplotlib.transforms import Affine2D
from page_rotors import history_of, influence_of, rotor_of, run_of
from scipy.optimize import isotonic_regression

from trackbal.fitting.fit import fit
from trackbal.fitting.residuals import residuals
from trackbal.pages.card_pictures import COUNT_MARGINS_MM, COUNT_MM, HEIGHTS_MARGINS_MM, HEIGHTS_MM, row_width
from trackbal.pages.dial import Dial
from trackbal.pages.fit_page import SCATTER_MARGINS_MM, SCATTER_MM, SQUARES_MARGINS_MM, squares_size
from trackbal.pages.fit_plots import coefficients, height_changes, residuals_by_job, thinned, vibration_changes
from trackbal.pages.plot_style import fitted, spread_out, text_width
from trackbal.pages.plots import blade_marks, chance_by_count, phasors, tip_heights, worst_by_count
from trackbal.pages.svg import new_axes, picture
from trackbal.plan.advice import advise
from trackbal.plan.forecast import forecast
from trackbal.runs.words import chance_words

SIZES = [(2, 1, 1), (4, 3, 2), (8, 8, 6)]
LONG = pytest.mark.long
TOUCH = 0.2  # points by which boxes may overlap: boxes are a little larger than the ink


def texts_of(ax):
    """Return (text, box in points) of every text that is seen."""
    figure = ax.get_figure(root=True)
    scale = 4.0  # fine enough that snapping to pixels does not count; the SVG has none
    figure.set_dpi(72.0 * scale)
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw_without_rendering()
    hidden = set()
    for axis in (ax.xaxis, ax.yaxis):
        low, high = sorted(axis.get_view_interval())
        for tick in axis.get_major_ticks():
            if not low - 1e-9 <= tick.get_loc() <= high + 1e-9 or not ax.axison:
                hidden |= {tick.label1, tick.label2}
    found = [t for t in ax.findobj(Text) if t.get_visible() and t.get_text().strip() and t not in hidden]
    shrink = Affine2D().scale(1.0 / scale)
    return [(t.get_text(), t.get_window_extent(renderer).transformed(shrink)) for t in found]


def assert_clear(ax):
    """Fail if two texts overlap or one leaves the figure."""
    figure = ax.get_figure(root=True)
    width, height = figure.get_size_inches() * 72.0
    texts = texts_of(ax)
    assert texts, "a picture without any text says nothing"
    for text, box in texts:
        inside = box.x0 >= -TOUCH and box.y0 >= -TOUCH and box.x1 <= width + TOUCH and box.y1 <= height + TOUCH
        assert inside, f"{text!r} leaves the picture: {box.extents} of {width, height}"
    for (one, a), (other, b) in combinations(texts, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        along = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= TOUCH or along <= TOUCH, f"{one!r} and {other!r} overlap by {across:.1f} x {along:.1f}"


def case(blades, regimes, sensors, seed=1, **run_options):
    rotor = rotor_of(blades, regimes, sensors)
    run, influence = run_of(rotor, seed, **run_options), influence_of(rotor)
    change = np.zeros((3, blades))
    change[0, 0], change[1, 1] = 120.0, -3.0
    return rotor, run, influence, forecast(rotor, run, influence, change)


@pytest.mark.parametrize(("regimes", "sensors"), [(1, 1), (3, 2), (5, 3), pytest.param(8, 6, marks=LONG)])
@pytest.mark.parametrize("size", [0.4, 2.0, 7.9, 40.0])
def test_dials_of_the_card_are_clear(regimes, sensors, size):
    rotor, run, _, expected = case(4, regimes, sensors, size=size)
    width = row_width(regimes)
    for r in range(regimes):
        for s in range(sensors):
            for told in (None, expected) if (r + s) % 3 == 0 else (expected,):
                ax = new_axes((width, width + 7.0), (0.0, 0.0, 0.0, 0.0))
                assert phasors(ax, rotor, run, s, told, [r]) is ax
                assert_clear(ax)


@pytest.mark.parametrize("regimes", [1, 2, 5, 8])
def test_dials_of_all_regimes_on_one_axes_are_clear(regimes):
    rotor, run, _, expected = case(4, regimes, 1)
    ax = new_axes((35.0 * regimes, 48.0), (0.0, 0.0, 0.0, 0.0))
    assert_clear(phasors(ax, rotor, run, 0, expected))


@pytest.mark.parametrize("blades", [pytest.param(b, marks=() if b in (2, 5, 8) else LONG) for b in range(2, 9)])
@pytest.mark.parametrize("regimes", [1, 8])
@pytest.mark.parametrize("close", [1.0, 0.02, 0.0])
def test_tip_heights_are_clear_however_close_the_tips(blades, regimes, close):
    rotor, run, _, expected = case(blades, regimes, 1, close=close)
    for told in (None, expected):
        for r in range(0, regimes, much(6, 3)):
            ax = new_axes((row_width(regimes), HEIGHTS_MM), HEIGHTS_MARGINS_MM)
            assert tip_heights(ax, rotor, run, told, [r]) is ax
            assert_clear(ax)
        ax = new_axes((35.0 * regimes + 15.0, 60.0), (11.0, 1.0, 6.0, 9.0))
        assert_clear(tip_heights(ax, rotor, run, told))


def test_long_blade_names_give_way_to_their_place():
    rotor, run, _, expected = case(8, 2, 1)
    assert blade_marks(rotor) == rotor.blades
    rotor = replace(rotor, blades=tuple(f"a blade with a long name {b}" for b in range(8)))
    assert blade_marks(rotor) == ("#1", "#2", "#3", "#4", "#5", "#6", "#7", "#8")
    ax = new_axes((row_width(2), HEIGHTS_MM), HEIGHTS_MARGINS_MM)
    assert_clear(tip_heights(ax, rotor, run, expected, [1]))


@pytest.mark.parametrize("most", [1, 6, pytest.param(12, marks=LONG)])
@pytest.mark.parametrize("size", [1.2, 2.0, 6.0])
def test_pictures_by_count_are_clear(most, size):
    rotor = rotor_of(5, 3, 2)
    advice = advise(rotor, run_of(rotor, size=size), influence_of(rotor), most=most)
    assert len(advice.plans) == most + 1
    for draw in (worst_by_count, chance_by_count):
        ax = new_axes(COUNT_MM, COUNT_MARGINS_MM)
        assert draw(ax, advice) is ax
        assert_clear(ax)


@pytest.mark.parametrize(("blades", "regimes", "sensors"), SIZES)
def test_pictures_of_a_fit_are_clear(blades, regimes, sensors):
    rotor = rotor_of(blades, regimes, sensors)
    history = history_of(rotor, influence_of(rotor), jobs=4)
    found = fit(rotor, history)
    width = row_width(regimes)
    for r in range(regimes):
        ax = new_axes((width, width + 7.0), (0.0, 0.0, 0.0, 0.0))
        assert_clear(coefficients(ax, rotor, found, r % 3, r % sensors, [r]))
    left = residuals(rotor, history, found.influence)
    assert_clear(vibration_changes(new_axes(SCATTER_MM, SCATTER_MARGINS_MM), rotor, left, sensors - 1))
    assert_clear(height_changes(new_axes(SCATTER_MM, SCATTER_MARGINS_MM), rotor, left))
    for jobs in (1, 40):
        names = [f"a job with quite a long name {j}" for j in range(jobs)]
        values = np.abs(np.random.default_rng(1).standard_normal((jobs, regimes)))
        values[0, 0] = np.nan
        ax = new_axes(squares_size(regimes, jobs), SQUARES_MARGINS_MM)
        assert_clear(residuals_by_job(ax, rotor, names, values))


@pytest.mark.parametrize(
    ("phasor", "sense", "place"),
    [
        (1.0, "lag", (0.0, 1.0)),  # 0 degrees: the top
        (-1.0j, "lag", (1.0, 0.0)),  # exp(-i 90 deg) is a lag of 90: three o'clock
        (-1.0j, "lead", (-1.0, 0.0)),  # the same reading written in the other sense
        (-1.0, "lag", (0.0, -1.0)),
    ],
)
def test_a_dial_is_a_clock_face_in_the_rotors_phase_sense(phasor, sense, place):
    dial = Dial(None, 100.0, 50.0, 40.0, 1.5, sense)
    x, y = dial.place(phasor)
    assert (x - 100.0, y - 50.0) == pytest.approx(tuple(dial.reach(1.0) * p for p in place), abs=1e-9)


def test_a_dial_says_degrees_or_the_hours_that_the_crew_reads():
    rotor, run, _, expected = case(4, 1, 1)
    for shown, around in (("degrees", {"0°", "90", "180", "270"}), ("clock", {"12", "3", "6", "9"})):
        ax = new_axes((50.0, 57.0), (0.0, 0.0, 0.0, 0.0))
        phasors(ax, replace(rotor, phase_shown=shown), run, 0, expected)
        assert around <= {text.get_text() for text in ax.texts}


def test_a_dial_is_linear_inside_the_limit_and_compressed_smoothly_beyond():
    dial = Dial(None, 0.0, 0.0, 30.0, 10.0, "lag")
    assert dial.reach(0.5) == pytest.approx(dial.reach(1.0) / 2.0)
    assert dial.reach(10.0) == pytest.approx(30.0)
    assert dial.reach(np.e) == pytest.approx(2.0 * dial.reach(1.0))  # 1 + ln(e)
    slopes = np.diff(dial.reach(np.array([0.999, 1.0, 1.001])))
    assert slopes[0] == pytest.approx(slopes[1], rel=2e-3)
    held = dial.holding(25.0)
    assert 30.0 - held.reach(25.0) == pytest.approx(6.0)
    assert dial.holding(0.1).outer == 10.0


def test_marks_lie_where_the_readings_are():
    rotor, run, _, expected = case(4, 1, 1)
    ax = new_axes((50.0, 57.0), (0.0, 0.0, 0.0, 0.0))
    phasors(ax, rotor, run, 0, expected)
    marks = {line.get_marker(): line.get_xydata()[0] for line in ax.lines if line.get_marker() in ("o", "D")}
    centre = next(line for line in ax.lines if len(line.get_xydata()) == 97).get_xydata().mean(axis=0)
    for mark, value in (("o", run.vibration[0, 0]), ("D", expected.vibration[0, 0])):
        along = marks[mark] - np.array([72.0 / 25.4 * 25.0, centre[1]])
        shown = np.degrees(np.arctan2(along[0], along[1])) % 360.0
        assert shown == pytest.approx(-np.degrees(np.angle(value)) % 360.0, abs=3.0)


def test_a_reading_at_the_limit_lies_on_the_limit_circle():
    rotor = rotor_of(4, 1, 1)
    run = run_of(rotor)
    run = replace(run, vibration=np.full((1, 1), rotor.vibration_limit[0, 0] * np.exp(-2.0j)))
    ax = new_axes((50.0, 57.0), (0.0, 0.0, 0.0, 0.0))
    phasors(ax, rotor, run, 0)
    heavy = next(line for line in ax.lines if line.get_linewidth() == 1.8).get_xydata()
    mark = next(line for line in ax.lines if line.get_marker() == "o").get_xydata()[0]
    centre = (heavy.max(axis=0) + heavy.min(axis=0)) / 2.0
    assert np.hypot(*(mark - centre)) == pytest.approx(np.hypot(*(heavy[0] - centre)), rel=1e-3)


def test_labels_are_spread_out_in_order_and_no_more_than_needed():
    assert spread_out([0.0, 10.0, 20.0], 5.0, -50.0, 50.0) == pytest.approx([0.0, 10.0, 20.0])
    assert spread_out([1.0, 1.0, 1.0], 2.0, -50.0, 50.0) == pytest.approx([-1.0, 1.0, 3.0])
    placed = spread_out([9.0, 3.0, 9.5], 2.0, 0.0, 10.0)
    assert placed == pytest.approx([8.0, 3.0, 10.0])


def test_labels_are_spread_out_as_isotonic_regression_has_it():
    """Without ends in the way the places are those of scipy.optimize.isotonic_regression on tips less their steps."""
    rng = np.random.default_rng(6)
    for count in (1, 2, 5, 8, 40):
        tips = np.sort(rng.uniform(0.0, 30.0, count))
        steps = 3.0 * np.arange(count)
        wanted = isotonic_regression(tips - steps).x + steps
        assert spread_out(tips, 3.0, -500.0, 500.0) == pytest.approx(wanted)


def test_text_is_cut_to_its_width():
    for text in ("Level flight at the highest speed", "x" * 300, "a_b_" * 50, "日本語の長い名前" * 9):
        for lines in (1, 2):
            cut = fitted(text, 60.0, 7.5, lines)
            assert len(cut.split("\n")) <= lines
            assert all(text_width(line, 7.5) <= 60.0 for line in cut.split("\n"))
    assert fitted("Hover", 60.0, 7.5) == "Hover"
    assert fitted("flat_pitch", 30.0, 7.5, 2) == "flat_\npitch"


@pytest.mark.parametrize(
    ("chance", "words", "per_cent"),
    [
        (0.0, "below 1 %", "<1"),
        (1.0, "over 99 %", ">99"),
        (0.9949, "99 %", "99"),
        (0.995, "over 99 %", ">99"),
        (0.906, "91 %", "91"),
        (0.0051, "1 %", "1"),
        (0.005, "below 1 %", "<1"),
    ],
)
def test_no_chance_is_told_as_certain(chance, words, per_cent):
    assert chance_words(chance) == words
    assert chance_words(chance, short=True) == per_cent


def test_thinning_keeps_the_worst():
    miss = np.random.default_rng(4).uniform(size=5000)
    kept = thinned(miss, 100)
    assert len(kept) == len(set(kept)) == 100
    assert set(np.argsort(-miss)[:50]) <= set(kept)
    assert np.array_equal(thinned(miss[:70], 100), np.arange(70))


def test_a_picture_is_the_same_every_time_and_whatever_the_persons_style():
    import matplotlib

    rotor, run, _, expected = case(4, 2, 1)
    draw = partial(phasors, rotor=rotor, run=run, sensor=0, forecast=expected, regimes=[0])
    once = picture(draw, key="k", title="t", description="d", size_mm=(50.0, 57.0))
    with matplotlib.rc_context({"font.size": 30.0, "lines.linewidth": 9.0, "svg.fonttype": "none"}):
        again = picture(draw, key="k", title="t", description="d", size_mm=(50.0, 57.0))
    assert once == again
    assert picture(draw, key="other", title="t", description="d", size_mm=(50.0, 57.0)) != once
