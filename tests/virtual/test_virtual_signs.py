"""Signs and phases, looked for in the raw signal or worked out by hand; no phasor formula is used to judge."""

from __future__ import annotations

import numpy as np
import pytest
from plain_virtual import plain_type

from trackbal.virtual import VirtualType


def _with_weight(aircraft, grams: float, blade: int, adjuster: int = 0):
    change = np.zeros_like(aircraft.setting)
    change[adjuster, blade] = grams
    return aircraft.adjust(change)


def _peak_after_tach(records, sensor: int, regime: int = 0) -> float:
    """Return degrees of rotation from the tach pulse to the next positive peak of the raw samples."""
    time, tach = records.time_s[regime], records.tach_s[regime]
    since = time - tach[0]
    one_turn = (since > -1e-12) & (since < tach[1] - tach[0] - 1e-12)
    peak = since[one_turn][np.argmax(records.signal[regime, sensor, one_turn])]
    return float(360.0 * peak / (tach[1] - tach[0]))


@pytest.mark.parametrize("blade", [0, 1, 2, 3])
@pytest.mark.parametrize("tach", [30.0, 200.0])
def test_a_stiff_airframe_follows_the_heavy_blade(tmp_path, tach, blade):
    """A weight pulls outwards; far below resonance the airframe moves with the pull (elementary mechanics).

    The pick-up looks towards azimuth 90. The pulse comes with blade 1 over `tach`; the heavy blade follows blade 1
    by 90 degrees a blade; so it points at 90 when the rotor has turned 90 - tach + 90 b beyond the pulse.
    Velocity peaks 90 degrees before the displacement, acceleration 180 before.
    """
    kind = plain_type(tmp_path, units=("mil", "ips", "mm/s", "g"), tach=tach)
    aircraft = _with_weight(kind.as_drawn(), 100.0, blade)
    records, reading = aircraft.records(), aircraft.true_run().vibration[0]
    displaced = 90.0 - tach + 90.0 * blade
    for sensor, ahead in enumerate((0.0, 90.0, 90.0, 180.0)):
        by_hand = displaced - ahead
        by_eye = _peak_after_tach(records, sensor)
        lag = -np.degrees(np.angle(reading[sensor]))  # V = A exp(-i lag)
        for found, tolerance in ((by_eye, 360.0 / 64), (lag, 0.1)):
            assert abs((found - by_hand + 180.0) % 360.0 - 180.0) <= tolerance


def test_amplitudes_by_hand_in_every_unit(tmp_path):
    """x = m r W^2 / k on a stiff mode (elementary mechanics), and its derivatives; mil is peak to peak."""
    kind = plain_type(tmp_path, units=("mil", "ips", "mm/s", "g"))
    reading = np.abs(_with_weight(kind.as_drawn(), 100.0, 0).true_run().vibration[0])
    omega = 10.0 * np.pi
    force = 0.1 * (0.95 * 6.0) * omega**2
    x = force / (1000.0 * ((2 * np.pi * 500.0) ** 2 - omega**2))
    expected = [2 * x / 2.54e-5, x * omega / 0.0254, x * omega * 1e3, x * omega**2 / 9.80665]
    assert reading == pytest.approx(expected, rel=1e-6)


def test_above_resonance_the_airframe_moves_against_the_pull(tmp_path):
    """Half a turn later than below resonance: J. P. Den Hartog, Mechanical Vibrations (1956), ch. 2; from memory."""
    kind = plain_type(tmp_path, frequency=0.5, tach=30.0)
    aircraft = _with_weight(kind.as_drawn(), 100.0, 0)
    assert _peak_after_tach(aircraft.records(), 0) == pytest.approx(60.0 + 180.0, abs=360.0 / 64)
    lag = -np.degrees(np.angle(aircraft.true_run().vibration[0, 0])) % 360.0
    assert lag == pytest.approx(240.0, abs=0.2)


def test_phase_of_the_second_harmonic_is_in_its_own_degrees(tmp_path):
    """v = A cos(2 W t - phi): the second-harmonic part of the record peaks phi / 2 of rotation after the pulse."""
    kind = plain_type(tmp_path, units=("ips",), harmonic=2, frequency=30.0, thrust=40000.0)
    aircraft = kind.as_drawn()
    # two opposite blades changed alike shake the hub twice per rev only through their lift in forward flight;
    # put that in by hand as a pure second harmonic peaking 40 degrees of rotation after blade 1 passes azimuth 0
    signal = np.zeros_like(aircraft.signal)
    signal[..., 2] = 0.3 * np.exp(-2j * np.radians(40.0))
    object.__setattr__(aircraft, "signal", signal)
    lag = -np.degrees(np.angle(aircraft.true_run().vibration[0, 0])) % 360.0
    assert lag == pytest.approx(2 * (40.0 - 30.0), abs=1e-6)  # the tach is at 30
    assert _peak_after_tach(aircraft.records(), 0) == pytest.approx(10.0, abs=360.0 / 64)


def test_longer_link_and_tab_up_fly_higher_and_weight_lower():
    kind = VirtualType.shipped("main5")
    _, tau = kind.as_drawn().true_influence()
    weight, link, tab = tau
    airborne = [r.airborne for r in kind.rotor.regimes]
    assert (link > 0).all() and (tab > 0).all() and (weight[airborne] < 0).all()
    assert tab[-1] / tab[1] > link[-1] / link[1] > 1.0  # a tab's lift grows with speed faster than a link's
    assert 2.0 < link[1] < 15.0  # mm a flat: common practice, no published source


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7", "uneven4"])
@pytest.mark.parametrize("adjuster", [0, 1])
def test_the_same_change_on_a_later_blade_is_the_same_signal_later(name, adjuster):
    """Blade b passes everywhere azimuth_b after blade 1, so its part of the raw record comes that much later."""
    kind = VirtualType.shipped(name)
    drawn = kind.as_drawn()
    step = kind.rotor.adjusters[adjuster].step
    still = drawn.signal
    turn = np.radians(np.arange(0.0, 360.0, 2.0))  # angle of blade 1

    def part(blade: int, angle: np.ndarray) -> np.ndarray:
        change = _with_weight(drawn, step, blade, adjuster).signal - still
        return np.real(change @ np.exp(1j * np.multiply.outer(np.arange(change.shape[-1]), angle)))

    first = np.abs(part(0, turn)).max(axis=-1)
    for blade in range(1, len(kind.rotor.blades)):
        behind = np.radians(kind.rotor.azimuth_deg[blade])
        assert np.abs(part(blade, turn) - part(0, turn - behind)).max(axis=-1) == pytest.approx(
            0.0, abs=0.02 * first.max()
        )
        early = np.abs(part(blade, turn) - part(0, turn + behind)).max()
        if abs(behind - np.pi) > 1e-9:  # half a turn is the same early or late
            assert early > 0.2 * first.max()


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7"])
def test_equal_changes_on_all_blades_leave_once_per_rev_and_track_alone(name):
    kind = VirtualType.shipped(name)
    for adjuster in range(len(kind.rotor.adjusters)):
        change = np.zeros((len(kind.rotor.adjusters), len(kind.rotor.blades)))
        change[adjuster] = 2 * kind.rotor.adjusters[adjuster].step
        drawn = kind.as_drawn()
        assert np.abs(drawn.adjust(change).true_run().vibration).max() < 1e-9
        craft = kind.aircraft(1)
        before, after = craft.true_run(), replace_change(craft, change).true_run()
        # unequal blades answer a common change a little unequally: within 1 % of what they show already
        limit = kind.rotor.vibration_limit
        assert np.max(np.abs(after.vibration - before.vibration) / limit) < 0.01 * np.max(
            np.abs(before.vibration) / limit
        )
        assert np.max(np.abs(after.height - before.height)) < 0.02 * np.max(np.abs(before.height))


def replace_change(craft, change):
    """Return the craft changed without regard to what is installed: only the physics is looked at."""
    from dataclasses import replace

    return replace(craft, change=craft.change + change)


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7"])
def test_linear_for_small_changes_and_not_for_large(name):
    """Doubling a small change doubles the answer within 3 %; a large one departs from it measurably."""
    kind = VirtualType.shipped(name)
    craft = kind.aircraft(2, severity=0.3)
    unit = np.zeros_like(craft.setting)
    unit[:, 0] = [a.step for a in kind.rotor.adjusters]
    base = craft.true_run()

    def per_unit(steps: float) -> tuple[np.ndarray, np.ndarray]:
        run = replace_change(craft, steps * unit).true_run()
        return (run.vibration - base.vibration) / steps, (run.height - base.height) / steps

    small, double, large = per_unit(1.0), per_unit(2.0), per_unit(12.0)
    scale = np.abs(small[0]).max()
    assert np.abs(double[0] - small[0]).max() < 0.03 * scale
    departure = np.abs(large[0] - small[0]).max() / scale
    assert 0.01 < departure < 0.25
    assert np.abs(double[1] - small[1]).max() < 0.02 * np.abs(small[1]).max()


def test_once_per_rev_of_lift_in_the_body_frame_needs_speed():
    """In hover a blade's lift is steady in its own frame, so unequal lift gives no once-per-rev thrust."""
    from trackbal.virtual.flapping import hub_loads

    kind = VirtualType.shipped("main5")
    craft = _with_weight(kind.as_drawn(), 3.0, 0, kind.rotor.adjuster_index("pitch_link"))
    loads = hub_loads(craft.air, craft.trim, craft.blades, craft.motion, kind.rotor.azimuth_deg)
    thrust = np.abs(loads[:, 0, 1])
    assert thrust[1] < 1e-6
    assert thrust[2] > 50.0 and thrust[3] > thrust[2]
