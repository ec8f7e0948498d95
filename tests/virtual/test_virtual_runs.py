"""Flying virtual aircraft: readings, noise, adjustments, and how aircraft of a type differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plain_virtual import plain_type

from trackbal.base.errors import InputError, TrackbalError
from trackbal.base.phasor import blade_harmonic, phase_deg, to_phasor
from trackbal.virtual import VirtualType, type_names
from trackbal.virtual.instrument import take_readings
from trackbal.virtual.physics import Variation

MAIN = ["main3", "main4", "main5", "main7"]
TAIL = ["tail2", "uneven4"]


def test_shipped_types_are_the_ones_tested_here():
    assert sorted(MAIN + TAIL) == sorted(type_names())


def test_a_run_is_laid_out_as_run_documents():
    kind = VirtualType.shipped("main7")
    craft = kind.aircraft(4)
    run = craft.fly(np.random.default_rng(1), ["hover", "speed_100"], repeats=3)
    taken = np.array([False, True, False, True, False])
    assert run.vibration.shape == (5, 3) and run.height.shape == (5, 7)
    assert (run.vibration_read == taken[:, None]).all() and (run.height_read == taken).all()
    assert np.isnan(run.vibration[~taken]).all() and np.isnan(run.height[~taken]).all()
    assert (run.vibration_count[taken] == 3).all() and (run.height_count[taken] == 3).all()
    assert (run.height_taken == taken[:, None]).all()
    assert run.rpm[taken] == pytest.approx(kind.rotor.rpm) and np.isnan(run.rpm[~taken]).all()
    assert run.height[taken].mean(axis=1) == pytest.approx(0.0, abs=1e-12)
    assert (run.vibration_squares[taken] > 0).all() and (run.height_squares[taken] > 0).all()


def test_no_heights_where_the_regime_has_none():
    run = VirtualType.shipped("uneven4").aircraft(1).fly(np.random.default_rng(1))
    assert list(run.height_read) == [True, False, False]
    assert np.isnan(run.height[1:]).all()
    assert not VirtualType.shipped("tail2").aircraft(1).fly(np.random.default_rng(1)).height_read.any()


def test_same_seed_same_aircraft_and_same_readings():
    kind = VirtualType.shipped("main4")
    runs = [kind.aircraft(9).fly(np.random.default_rng(3)) for _ in range(2)]
    assert (runs[0].vibration == runs[1].vibration).all() and (runs[0].height == runs[1].height).all()
    other = kind.aircraft(10).fly(np.random.default_rng(3))
    assert np.abs(other.vibration - runs[0].vibration).max() > 0.05
    faulty = kind.aircraft(9, fault="source")
    assert (faulty.faults.span_moment == kind.aircraft(9).faults.span_moment).all()


def test_noise_of_readings_has_the_size_the_physics_says():
    """sd of one part: scatter and broadband sqrt(2 / samples), independent (any signal text); 400 readings."""
    kind = VirtualType.shipped("main5")
    craft, rng = kind.aircraft(2), np.random.default_rng(11)
    truth = craft.true_run()
    runs = [craft.fly(rng) for _ in range(400)]
    error = np.array([r.vibration for r in runs]) - truth.vibration
    instrument = craft.physics.instrument
    expected = np.hypot(instrument.scatter, instrument.broadband * np.sqrt(2.0 / (64 * instrument.revolutions)))
    assert np.abs(error.mean(axis=0)).max() < 5 * expected.max() / 20.0
    for part in (error.real, error.imag):
        assert part.std(axis=0) == pytest.approx(np.broadcast_to(expected, (4, 2)), rel=0.15)
    assert ((expected > 0.009) & (expected < 0.02)).all()  # ips
    height_error = np.array([r.height for r in runs]) - truth.height
    assert height_error.std(axis=0) == pytest.approx(1.5 * np.sqrt(1 - 1 / 5), rel=0.15)  # mean tip taken off


def test_readings_do_not_depend_on_where_a_record_starts():
    """The tach pulse, not the start, carries the phase: quiet records from random starts read alike."""
    kind = VirtualType.shipped("main3")
    craft = kind.aircraft(5)
    quiet = replace(craft.physics.instrument, broadband=np.zeros(2), scatter=np.zeros(2))
    craft = replace(craft, physics=replace(craft.physics, instrument=quiet))
    starts = [craft.records(np.random.default_rng(s)) for s in range(3)]
    assert np.ptp([r.tach_s[0, 0] for r in starts]) > 1e-3
    for seed in range(3):
        read = craft.fly(np.random.default_rng(seed)).vibration
        assert read == pytest.approx(craft.true_run().vibration, abs=1e-11)


def test_repeats_are_averaged_and_their_scatter_kept():
    kind = VirtualType.shipped("main5")
    craft = kind.aircraft(2)
    rng = np.random.default_rng(1)
    run = craft.fly(rng, repeats=200)
    expected = np.hypot(0.010, 0.15 * np.sqrt(2.0 / 1024))
    assert np.sqrt(run.vibration_squares / (2 * 199)) == pytest.approx(np.full((4, 2), expected), rel=0.15)
    assert np.sqrt(run.height_squares / (199 * 4)) == pytest.approx(np.full(4, 1.5), rel=0.1)


def test_adjusting_makes_another_aircraft_and_tracks_what_is_installed():
    kind = VirtualType.shipped("main4")
    craft = kind.aircraft(6)
    before = craft.setting.copy()
    change = np.zeros_like(before)
    change[0, 1], change[1, 2], change[2, 3] = 30.0, 2.0, -0.5
    after = craft.adjust(change)
    assert (craft.setting == before).all() and (after.setting == before + change).all()
    assert (after.change == change).all()
    assert np.abs(after.true_run().vibration - craft.true_run().vibration).max() > 0.02
    back = after.adjust(-change)
    assert back.true_run().vibration == pytest.approx(craft.true_run().vibration, abs=1e-9)


def test_setting_errors_fall_on_what_was_changed_only(tmp_path):
    craft = plain_type(tmp_path).as_drawn()
    change = np.zeros_like(craft.setting)
    change[0, 1], change[1, 2], change[2, 3] = 30.0, 2.0, -0.5
    rng = np.random.default_rng(2)
    errors = np.array([craft.adjust(change, rng).change - change for _ in range(500)])
    assert (errors[:, change == 0.0] == 0.0).all()
    sizes = errors[:, change != 0.0].std(axis=0)
    assert sizes == pytest.approx([1.0, 0.05, 0.1], rel=0.12)


def test_refusals_say_what_was_found_and_expected():
    kind = VirtualType.shipped("main5")
    craft = kind.aircraft(1)
    change = np.zeros_like(craft.setting)
    change[0, 0] = -5000.0
    with pytest.raises(TrackbalError, match=r"tip_weight of blade 1 would be -\d+ g, expected 0 to 900"):
        craft.adjust(change)
    with pytest.raises(TrackbalError, match="shape"):
        craft.adjust(np.zeros((2, 2)))
    with pytest.raises(TrackbalError, match="'taxi', expected some of flat_pitch, hover"):
        craft.fly(np.random.default_rng(1), ["taxi"])
    with pytest.raises(TrackbalError, match="repeats 0"):
        craft.fly(np.random.default_rng(1), repeats=0)
    with pytest.raises(TrackbalError, match="fault 'rust', expected one of source, damper"):
        kind.aircraft(1, fault="rust")
    with pytest.raises(InputError, match="main9"):
        VirtualType.shipped("main9")
    with pytest.raises(TrackbalError, match="did not settle"):
        kind.aircraft(1, severity=1e4).true_run()


@pytest.mark.parametrize("name", MAIN + TAIL)
def test_found_settings_are_whole_steps_inside_their_ranges(name):
    kind = VirtualType.shipped(name)
    for seed in range(10):
        setting = kind.aircraft(seed).setting
        for row, adjuster, physics in zip(setting, kind.rotor.adjusters, kind.physics.adjusters, strict=True):
            assert (adjuster.minimum <= row).all() and (row <= adjuster.maximum).all()
            steps = (row - physics.initial) / adjuster.step
            assert steps == pytest.approx(np.rint(steps), abs=1e-9)
        low, high = kind.rotor.step_bounds(setting)
        assert (low < 0).any() and (high > 0).any()


@pytest.mark.parametrize("name", MAIN + TAIL)
def test_severity_one_is_a_few_times_the_limits(name):
    kind = VirtualType.shipped(name)
    runs = [kind.aircraft(seed).true_run() for seed in range(24)]
    worst = [np.max(np.abs(r.vibration) / kind.rotor.vibration_limit) for r in runs]
    assert 2.0 < np.median(worst) < 6.0
    assert (
        max(
            np.max(np.abs(kind.aircraft(s, severity=0.0).true_run().vibration) / kind.rotor.vibration_limit)
            for s in range(8)
        )
        < 1.0
    )
    if name in MAIN:
        spread = np.median([np.max(r.spread / kind.rotor.height_limit) for r in runs])
        assert 0.8 < spread < 5.0


@pytest.mark.parametrize("name", MAIN + TAIL)
def test_aircraft_of_a_type_differ_by_ten_to_twenty_percent_or_so(name):
    """Spread of the coefficients that matter, from different physics alone: severity 0, 16 aircraft."""
    kind = VirtualType.shipped(name)
    own, _ = kind.as_drawn().true_influence()
    ratio = np.array([kind.aircraft(s, severity=0.0).true_influence()[0] for s in range(16)]) / own
    size = np.abs(own) / kind.rotor.vibration_limit
    matters = size > 0.5 * size.max(axis=(1, 2), keepdims=True)
    amplitude = np.abs(ratio).std(axis=0)[matters]
    phase = np.degrees(np.angle(ratio).std(axis=0))[matters]
    assert 0.06 < np.median(amplitude) < 0.25
    assert 1.5 < np.median(phase) < 15.0


def test_influence_is_the_same_from_any_blade_of_an_equal_rotor():
    kind = VirtualType.shipped("main5")
    drawn = kind.as_drawn()
    alpha, tau = drawn.true_influence()
    for blade in (1, 4):
        other_alpha, other_tau = drawn.true_influence(blade)
        assert other_alpha == pytest.approx(alpha, abs=1e-3 * np.abs(alpha).max())
        assert other_tau == pytest.approx(tau, abs=1e-3 * np.abs(tau).max())


@pytest.mark.parametrize("name", MAIN)
def test_heights_answer_a_small_change_by_the_contract(name):
    """H[r, b] = H0[r, b] + tau[r] (x[b] - mean of x), with the aircraft's own tau, on several blades at once."""
    kind = VirtualType.shipped(name)
    craft = kind.aircraft(3)
    _, tau = craft.true_influence()
    link = kind.rotor.adjuster_index("pitch_link")
    x = np.zeros(len(kind.rotor.blades))
    x[0], x[2] = 1.0, -0.5
    change = np.zeros_like(craft.setting)
    change[link] = x
    moved = replace(craft, change=change).true_run().height - craft.true_run().height
    expected = np.outer(tau[link], x - x.mean())
    assert moved == pytest.approx(expected, abs=0.01 * np.abs(expected).max())


@pytest.mark.parametrize("spread", Variation.__dataclass_fields__)
def test_every_spread_of_the_physics_shows_in_the_influence(spread):
    kind = VirtualType.shipped("main5")
    none = Variation(**dict.fromkeys(Variation.__dataclass_fields__, 0.0))
    alpha, tau = kind.as_drawn().true_influence()
    for size, differs in ((0.0, False), (0.1, True)):
        only = VirtualType(kind.rotor, replace(kind.physics, variation=replace(none, **{spread: size})))
        other_alpha, other_tau = only.aircraft(7, severity=0.0).true_influence()
        change = max(np.abs(other_alpha / alpha - 1.0).max(), np.abs(other_tau / tau - 1.0).max())
        assert (change > 0.02) if differs else (change < 0.01)


@pytest.mark.parametrize("fault", ["source", "damper"])
def test_a_mechanical_fault_is_not_cured_by_adjusting(fault):
    """Least squares over all adjusters, with the aircraft's own influence: the best it can do stays beyond limits."""
    kind = VirtualType.shipped("main5")
    left = {None: [], fault: []}
    for seed in range(12):
        for case, kept in left.items():
            craft = kind.aircraft(seed, fault=case)
            alpha, _ = craft.true_influence()
            behind = np.exp(-1j * np.radians(kind.rotor.azimuth_deg))
            weight = 1.0 / kind.rotor.vibration_limit.ravel()
            columns = (alpha.reshape(3, -1)[:, :, None] * behind).transpose(1, 0, 2).reshape(8, -1) * weight[:, None]
            now = craft.true_run().vibration.ravel() * weight
            stacked, target = np.vstack([columns.real, columns.imag]), np.concatenate([now.real, now.imag])
            x = np.linalg.lstsq(stacked, -target, rcond=None)[0]
            kept.append(np.abs(now + columns @ x).max())
    assert np.median(left[fault]) > 3.0 * np.median(left[None])
    assert np.median(left[fault]) > 0.8 and np.median(left[None]) < 0.5


@pytest.mark.parametrize("name", MAIN + TAIL)
def test_the_rest_of_trackbal_reads_the_same_signs(name):
    """phasor.blade_harmonic and phase_deg, which the virtual rotor does not use, describe what it does."""
    kind = VirtualType.shipped(name)
    craft = kind.aircraft(3, severity=0.3)
    alpha, _ = craft.true_influence()
    rng = np.random.default_rng(8)
    steps = np.array([[a.step] for a in kind.rotor.adjusters])
    x = steps * rng.integers(-1, 2, craft.setting.shape)
    x[:, 1] = steps[:, 0]
    moved = replace(craft, change=x).true_run().vibration - craft.true_run().vibration
    expected = np.einsum("ars,as->rs", alpha, blade_harmonic(x, kind.rotor.azimuth_deg, kind.rotor.harmonics))
    scale = np.abs(expected).max(axis=0)
    assert (np.abs(moved - expected).max(axis=0) < 0.06 * scale).all()

    units = [s.unit for s in kind.rotor.sensors]
    amplitude, lag_deg = take_readings(craft.records(), kind.rotor.harmonics, units)
    read = craft.true_run().vibration
    assert to_phasor(amplitude, lag_deg, "lag") == pytest.approx(read, abs=1e-12)
    assert np.exp(1j * np.radians(phase_deg(read, "lead"))) == pytest.approx(read / amplitude, abs=1e-9)
