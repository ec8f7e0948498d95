"""rotor.toml: what is accepted, what is refused in one clear line, and how limits and bounds resolve."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from how_much import examples
from hypothesis import given
from hypothesis import strategies as st

from trackbal.base.errors import InputError
from trackbal.runs.rotor import Rotor

GOOD = """
name = "Invented five-blade rotor"
rpm = 190.0
blades = ["1", "2", "3", "4", "5"]
phase_sense = "lag"
height_unit = "mm"
track_weight = 1.0

[limits]
vibration = 0.2
vibration_stop = 1.2
height_spread = 20.0
height_spread_stop = 120.0

[[sensors]]
name = "cockpit_vertical"
axis = "vertical"
unit = "ips"

[[sensors]]
name = "cockpit_lateral"
axis = "lateral"
unit = "ips"
limit = 0.15
stop = 1.0

[[regimes]]
name = "flat_pitch"
label = "Flat pitch, on the ground"
height_spread = 15.0

[[regimes]]
name = "hover"
airborne = true
vibration = 0.1

[[regimes]]
name = "cruise"
airborne = true
vibration = 0.3
vibration_stop = 0.9
heights = false

[[adjusters]]
name = "tip_weight"
kind = "weight"
unit = "g"
step = 10.0
minimum = 0.0
maximum = 600.0
largest_change = 300.0
positive = "add"
negative = "remove"

[[adjusters]]
name = "pitch_link"
kind = "pitch_link"
unit = "flats"
step = 0.1
minimum = -2.0
maximum = 2.0
fixed_blades = ["1"]
needs = ["hover", "cruise"]
"""


def load(folder: Path, text: str) -> Rotor:
    file = folder / "rotor.toml"
    file.write_text(text, encoding="utf-8")
    return Rotor.load(file)


@pytest.fixture
def rotor(tmp_path: Path) -> Rotor:
    return load(tmp_path, GOOD)


def test_a_whole_rotor_is_read(rotor: Rotor) -> None:
    assert rotor.name == "Invented five-blade rotor"
    assert rotor.blades == ("1", "2", "3", "4", "5")
    assert rotor.azimuth_deg.tolist() == [0.0, 72.0, 144.0, 216.0, 288.0]
    assert [s.name for s in rotor.sensors] == ["cockpit_vertical", "cockpit_lateral"]
    assert rotor.sensors[0].harmonic == 1
    assert rotor.regimes[1].label == "hover"
    assert rotor.regime_weight.tolist() == [1.0, 1.0, 1.0]
    assert rotor.adjusters[1].fixed_blades == ("1",)
    assert rotor.adjusters[1].needs == ("hover", "cruise")
    assert rotor.adjusters[1].largest_change == 4.0  # left out: the whole range
    assert (rotor.regime_index("cruise"), rotor.sensor_index("cockpit_lateral")) == (2, 1)
    assert rotor.adjuster_index("pitch_link") == 1


def test_seven_blades_stand_51_43_degrees_apart(tmp_path: Path) -> None:
    """Equal spacing of seven blades is 51.43 degrees (common practice, no published source)."""
    text = GOOD.replace('["1", "2", "3", "4", "5"]', '["1", "2", "3", "4", "5", "6", "7"]')
    azimuth = load(tmp_path, text).azimuth_deg
    assert np.round(np.diff(azimuth), 2).tolist() == [51.43] * 6
    assert round(360.0 - azimuth[-1], 2) == 51.43


def test_uneven_azimuths_are_kept(tmp_path: Path) -> None:
    text = GOOD.replace("phase_sense", "azimuth_deg = [0, 70, 144, 220.5, 288]\nphase_sense", 1)
    assert load(tmp_path, text).azimuth_deg.tolist() == [0.0, 70.0, 144.0, 220.5, 288.0]


def test_sensor_and_regime_limits_override_and_the_smaller_holds(rotor: Rotor) -> None:
    assert rotor.vibration_limit.tolist() == [[0.2, 0.15], [0.1, 0.1], [0.3, 0.15]]
    assert rotor.vibration_stop_limit.tolist() == [[1.2, 1.0], [1.2, 1.0], [0.9, 0.9]]


def test_height_limits_by_regime_and_none_where_heights_are_not_read(rotor: Rotor) -> None:
    assert rotor.height_limit.tolist() == [15.0, 20.0, np.inf]
    assert rotor.height_stop_limit.tolist() == [120.0, 120.0, np.inf]


def test_figures_for_going_on_by_regime_and_sensor(tmp_path: Path) -> None:
    text = GOOD.replace("limit = 0.15", "limit = 0.15\ngo_on = 0.4")
    text = text.replace('name = "hover"', 'name = "hover"\ngo_on = 0.3\ngo_on_height_spread = 30')
    rotor = load(tmp_path, text)
    assert rotor.vibration_go_on.tolist() == [[np.inf, 0.4], [0.3, 0.3], [np.inf, np.inf]]  # nothing after the last
    assert rotor.height_go_on.tolist() == [np.inf, 30.0, np.inf]
    assert np.isinf(load(tmp_path, GOOD).vibration_go_on).all()


def test_a_place_is_main_unless_said(tmp_path: Path) -> None:
    assert load(tmp_path, GOOD).place == "main"
    assert load(tmp_path, GOOD.replace("rpm", 'place = "tail"\nrpm', 1)).place == "tail"


def test_stops_and_height_limits_may_be_left_out(tmp_path: Path) -> None:
    text = GOOD.replace("heights = false", "").replace('name = "flat_pitch"', 'name = "flat_pitch"\nheights = false')
    text = text.replace('name = "hover"', 'name = "hover"\nheights = false')
    text = text.replace('name = "cruise"', 'name = "cruise"\nheights = false')
    for line in ("vibration_stop = 1.2", "height_spread = 20.0", "height_spread_stop = 120.0", "stop = 1.0"):
        text = text.replace(f"\n{line}\n", "\n")
    rotor = load(tmp_path, text)
    assert np.isinf(rotor.vibration_stop_limit[:2]).all()
    assert np.isinf(rotor.height_limit).all()


def test_bounds_are_range_less_setting_and_the_largest_change(rotor: Rotor) -> None:
    setting = np.zeros((2, 5))
    setting[0] = [0.0, 600.0, 95.0, 450.0, 300.0]
    lowest, highest = rotor.step_bounds(setting)
    assert highest[0].tolist() == [30, 0, 30, 15, 30]
    assert lowest[0].tolist() == [0, -30, -9, -30, -30]
    assert (lowest[1, 0], highest[1, 0]) == (0, 0)  # fixed on blade 1
    assert highest[1, 1:].tolist() == [20] * 4  # 2.0 / 0.1: rounding must not lose the last step


@pytest.mark.parametrize(("beyond", "steps"), [(0.9e-9, 10), (1.1e-9, 9)], ids=["within-slack", "beyond-slack"])
def test_a_bound_may_be_exceeded_by_less_than_1e_9_step(tmp_path: Path, beyond: float, steps: int) -> None:
    text = GOOD.replace("step = 10.0", "step = 1.0").replace("maximum = 600.0", f"maximum = {10.0 - beyond!r}")
    lowest, highest = load(tmp_path, text).step_bounds(np.zeros((2, 5)))
    assert highest[0].tolist() == [steps] * 5
    assert lowest[0].tolist() == [0] * 5


@given(
    setting=st.floats(-2.0, 2.0),
    step=st.floats(0.01, 3.0),
    largest=st.floats(0.01, 5.0),
)
@examples(40, 60)
def test_every_whole_step_inside_the_bounds_is_allowed_and_no_other(
    tmp_path: Path, setting: float, step: float, largest: float
) -> None:
    text = GOOD.replace("step = 0.1", f"step = {step!r}\nlargest_change = {largest!r}")
    lowest, highest = load(tmp_path, text).step_bounds(np.full((2, 5), setting).clip(0.0, None) * [[0], [1]])
    here = max(setting, 0.0)
    slack = 2e-9 * step
    for steps in (int(lowest[1, 1]), int(highest[1, 1])):
        assert -2.0 - slack <= here + steps * step <= 2.0 + slack
        assert abs(steps * step) <= largest + slack
    for steps in (int(lowest[1, 1]) - 1, int(highest[1, 1]) + 1):
        inside = -2.0 <= here + steps * step <= 2.0 and abs(steps * step) <= largest
        assert not inside


# (what is replaced, by what, key named in the message)
BAD = {
    "no-name": ('name = "Invented five-blade rotor"', "", "name"),
    "empty-name": ('name = "Invented five-blade rotor"', 'name = ""', "name"),
    "name-a-number": ('name = "Invented five-blade rotor"', "name = 5", "name"),
    "unknown-key": ("track_weight = 1.0", "trackweight = 1.0", "trackweight"),
    "no-rpm": ("rpm = 190.0", "", "rpm"),
    "rpm-zero": ("rpm = 190.0", "rpm = 0", "rpm"),
    "rpm-negative": ("rpm = 190.0", "rpm = -190.0", "rpm"),
    "rpm-nan": ("rpm = 190.0", "rpm = nan", "rpm"),
    "rpm-inf": ("rpm = 190.0", "rpm = inf", "rpm"),
    "rpm-text": ("rpm = 190.0", 'rpm = "190"', "rpm"),
    "rpm-true": ("rpm = 190.0", "rpm = true", "rpm"),
    "rpm-beyond-float": ("rpm = 190.0", "rpm = 1" + "0" * 400, "rpm"),
    "rpm-beyond-belief": ("rpm = 190.0", "rpm = 1e7", "rpm"),
    "rpm-tiny": ("rpm = 190.0", "rpm = 1e-90", "rpm"),
    "one-blade": ('["1", "2", "3", "4", "5"]', '["1"]', "blades"),
    "no-blades": ('blades = ["1", "2", "3", "4", "5"]', "", "blades"),
    "empty-blades": ('["1", "2", "3", "4", "5"]', "[]", "blades"),
    "blade-twice": ('["1", "2", "3", "4", "5"]', '["1", "2", "2", "4", "5"]', "blades"),
    "blade-a-number": ('["1", "2", "3", "4", "5"]', '[1, 2, "3", "4", "5"]', "blades"),
    "blade-with-comma": ('["1", "2", "3", "4", "5"]', '["1,2", "2", "3", "4", "5"]', "blades"),
    "blade-with-blank-end": ('["1", "2", "3", "4", "5"]', '["1 ", "2", "3", "4", "5"]', "blades"),
    "blade-line-break": ('["1", "2", "3", "4", "5"]', '["1\\n", "2", "3", "4", "5"]', "blades"),
    "azimuth-short": ("rpm", "azimuth_deg = [0, 72]\nrpm", "azimuth_deg"),
    "azimuth-falling": ("rpm", "azimuth_deg = [0, 144, 72, 216, 288]\nrpm", "azimuth_deg"),
    "azimuth-repeated": ("rpm", "azimuth_deg = [0, 72, 72, 216, 288]\nrpm", "azimuth_deg"),
    "azimuth-not-from-0": ("rpm", "azimuth_deg = [1, 72, 144, 216, 288]\nrpm", "azimuth_deg"),
    "azimuth-full-turn": ("rpm", "azimuth_deg = [0, 72, 144, 216, 360]\nrpm", "azimuth_deg"),
    "azimuth-nan": ("rpm", "azimuth_deg = [0, nan, 144, 216, 288]\nrpm", "azimuth_deg"),
    "azimuth-text": ("rpm", 'azimuth_deg = [0, "72", 144, 216, 288]\nrpm', "azimuth_deg"),
    "phase-sense": ('phase_sense = "lag"', 'phase_sense = "behind"', "phase_sense"),
    "rotation": ("rpm", 'rotation = "left"\nrpm', "rotation"),
    "height-unit": ('height_unit = "mm"', 'height_unit = "cm"', "height_unit"),
    "track-weight": ("track_weight = 1.0", "track_weight = -1", "track_weight"),
    "limits-not-a-table": ("[limits]", "[[limits]]", "limits"),
    "limits-unknown-key": ("vibration_stop = 1.2", "vibration_stopp = 1.2", "limits.vibration_stopp"),
    "limit-zero": ("vibration = 0.2\n", "vibration = 0\n", "limits.vibration"),
    "limit-overflows-squared": ("vibration = 0.2\n", "vibration = 1e-200\n", "limits.vibration"),
    "no-vibration-limit": ("vibration = 0.2\n", "", "limits.vibration"),
    "no-height-limit": ("height_spread = 20.0\n", "", "limits.height_spread"),
    "stop-below-limit": ("vibration_stop = 1.2", "vibration_stop = 0.1", "limits.vibration_stop"),
    "height-stop-below-limit": ("height_spread_stop = 120.0", "height_spread_stop = 1", "limits.height_spread_stop"),
    "go-on-above-stop": ('name = "hover"', 'name = "hover"\ngo_on = 1.3', "go_on"),
    "go-on-negative": ("heights = false", "heights = false\ngo_on = -1", "regimes[3].go_on"),
    "place": ("rpm", 'place = "nose"\nrpm', "place"),
    "sensor-name-twice": ('"cockpit_lateral"', '"cockpit_vertical"', "sensors[2].name"),
    "sensor-name-height": ('"cockpit_lateral"', '"height"', "sensors[2].name"),
    "sensor-name-info": ('"cockpit_lateral"', '"info"', "sensors[2].name"),
    "sensor-name-bracket": ('"cockpit_lateral"', '"lat [1]"', "sensors[2].name"),
    "sensor-axis": ('axis = "lateral"', 'axis = "sideways"', "sensors[2].axis"),
    "sensor-unit": ('axis = "lateral"\nunit = "ips"', 'axis = "lateral"\nunit = "m/s"', "sensors[2].unit"),
    "sensor-no-unit": ('axis = "lateral"\nunit = "ips"', 'axis = "lateral"', "sensors[2].unit"),
    "sensor-unknown-key": ("limit = 0.15", "limits = 0.15", "sensors[2].limits"),
    "sensor-limit-negative": ("limit = 0.15", "limit = -0.15", "sensors[2].limit"),
    "harmonic-zero": ("limit = 0.15", "harmonic = 0", "sensors[2].harmonic"),
    "harmonic-fraction": ("limit = 0.15", "harmonic = 1.5", "sensors[2].harmonic"),
    "harmonic-true": ("limit = 0.15", "harmonic = true", "sensors[2].harmonic"),
    "harmonic-huge": ("limit = 0.15", "harmonic = 1" + "0" * 400, "sensors[2].harmonic"),
    "regime-name-twice": ('name = "hover"', 'name = "cruise"', "regimes[3].name"),
    "regime-flag": ("heights = false", 'heights = "no"', "regimes[3].heights"),
    "regime-unknown-key": ("heights = false", "height = false", "regimes[3].height"),
    "regime-weight": ("heights = false", "weight = -1", "regimes[3].weight"),
    "adjuster-kind": ('kind = "weight"', 'kind = "mass"', "adjusters[1].kind"),
    "adjuster-step-zero": ("step = 10.0", "step = 0", "adjusters[1].step"),
    "adjuster-step-tiny": ("step = 10.0", "step = 1e-50", "adjusters[1].step"),
    "adjuster-range-empty": ("maximum = 600.0", "maximum = 0", "adjusters[1].maximum"),
    "adjuster-no-minimum": ("minimum = 0.0\n", "", "adjusters[1].minimum"),
    "adjuster-change-zero": ("largest_change = 300.0", "largest_change = 0", "adjusters[1].largest_change"),
    "adjuster-fixed-blade": ('fixed_blades = ["1"]', 'fixed_blades = ["9"]', "adjusters[2].fixed_blades"),
    "adjuster-needs": ('needs = ["hover", "cruise"]', 'needs = ["climb"]', "adjusters[2].needs"),
    "adjuster-needs-text": ('needs = ["hover", "cruise"]', 'needs = "hover"', "adjusters[2].needs"),
    "adjuster-name-twice": ('name = "pitch_link"', 'name = "tip_weight"', "adjusters[2].name"),
    "adjuster-empty-word": ('positive = "add"', 'positive = ""', "adjusters[1].positive"),
}


@pytest.mark.parametrize(("old", "new", "key"), BAD.values(), ids=BAD.keys())
def test_a_bad_key_is_named_in_one_line(tmp_path: Path, old: str, new: str, key: str) -> None:
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        load(tmp_path, GOOD.replace(old, new, 1))
    message = str(caught.value)
    assert "\n" not in message
    assert str(tmp_path / "rotor.toml") in message
    assert f"column {key}:" in message
    assert "expected" in message


@pytest.mark.parametrize("section", ["sensors", "regimes", "adjusters"])
def test_each_list_needs_an_entry(tmp_path: Path, section: str) -> None:
    kept = [part for part in GOOD.split("\n\n") if not part.lstrip().startswith(f"[[{section}]]")]
    text = "\n\n".join(kept).replace('needs = ["hover", "cruise"]', "")
    with pytest.raises(InputError, match=rf"column {section}: found 'nothing'"):
        load(tmp_path, text)


@pytest.mark.parametrize("text", ["name = ", "a = [" * 5000, "a = 1" + "0" * 5000, "\x00", 'a = "\ud7ff'], ids=range(5))
def test_what_is_not_toml_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="expected valid TOML"):
        load(tmp_path, text)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    for name in ("missing.toml", ".", "latin.toml", "null\0byte"):
        with pytest.raises(InputError):
            Rotor.load(tmp_path / name)


def test_a_misspelt_key_gets_a_hint(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="did you mean largest_change"):
        load(tmp_path, GOOD.replace("largest_change", "largest_chnage"))


@given(data=st.binary(max_size=200))
@examples(60, 150)
def test_no_bytes_raise_anything_else(tmp_path: Path, data: bytes) -> None:
    file = tmp_path / "any.toml"
    file.write_bytes(data)
    with pytest.raises(InputError):
        Rotor.load(file)


@given(
    line=st.integers(0, GOOD.count("\n")),
    value=st.sampled_from(
        ["0", "-1", "1e308", "1e-308", "nan", "true", '""', '"x"', "[]", "[[1]]", "{}", "2024-01-01"]
    ),
)
@examples(60, 150)
def test_one_changed_value_is_read_or_refused(tmp_path: Path, line: int, value: str) -> None:
    lines = GOOD.split("\n")
    if " = " in lines[line]:
        lines[line] = f"{lines[line].partition(' = ')[0]} = {value}"
    try:
        rotor = load(tmp_path, "\n".join(lines))
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert (rotor.vibration_limit > 0.0).all()
        assert (rotor.vibration_stop_limit >= rotor.vibration_limit).all()


def test_amounts_are_decimal(rotor: Rotor) -> None:
    """Three steps of 0.1 are 0.3, so that plans and settings do not fill with 0.30000000000000004."""
    fine = replace(rotor, adjusters=tuple(replace(a, step=0.1) for a in rotor.adjusters))
    steps = np.zeros((2, len(rotor.adjusters), len(rotor.blades)), dtype=int)
    steps[1, 0, :2] = 3, -7
    amounts = fine.amounts(steps)
    assert amounts[1, 0, :2].tolist() == [0.3, -0.7] and np.count_nonzero(amounts) == 2
