"""Cost and expected cost against the contract's sums in plain loops, and their symmetries."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_cases import invented_case, random_change
from plain_reference import Case, no_change

from trackbal.influence.coefficients import Influence
from trackbal.plan.quadratic import build_quadratic
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_run


def loaded(case, folder):
    """Return rotor, run and influence as trackbal reads them from the case's files."""
    case.write(folder)
    rotor = Rotor.load(folder / "rotor.toml")
    run = read_run(rotor, folder / "run.csv")
    return rotor, run, Influence.parse((folder / "influence.json").read_text(), "influence.json", rotor)


def in_steps(case, change):
    """Return a change dict as the vector the quadratic takes: steps, adjuster by adjuster."""
    return np.array([change[a["name"], b] / a["step"] for a in case.adjusters for b in case.blades])


def assert_costs_as_printed(case, folder):
    quadratic = build_quadratic(*loaded(case, folder))
    for change in [no_change(case), *(random_change(case, seed) for seed in range(4))]:
        x = in_steps(case, change)
        assert quadratic.cost(x) == pytest.approx(case.cost(change), rel=1e-10)
        assert quadratic.expected_cost(x) == pytest.approx(case.expected_cost(change), rel=1e-10)
    assert quadratic.noise == pytest.approx(case.noise_constant(), rel=1e-12)


def override_limits(case):
    """Return the case with limits on sensors, on regimes and on both."""
    sensors = [case.sensors[0] | {"limit": 0.15}, *case.sensors[1:]]
    regimes = [case.regimes[0] | {"vibration": 0.1}, case.regimes[1] | {"vibration": 0.4}, *case.regimes[2:]]
    return case.with_rotor(sensors=sensors, regimes=regimes)


def no_heights_in(case, regime):
    regimes = [r | {"heights": False} if r["name"] == regime else r for r in case.regimes]
    return case.with_rotor(regimes=regimes)


def weights(case, *values):
    regimes = [r | {"weight": w} for r, w in zip(case.regimes, values, strict=True)]
    return case.with_rotor(regimes=regimes)


def rows_left_out(case, keep):
    """Return the case with only the influence rows a test keeps."""
    return replace(case, influence=case.influence | {"rows": [r for r in case.influence["rows"] if keep(r)]})


UNEVEN = [0.0, 55.0, 180.0, 251.0]
CASES = {
    "everything-read": invented_case(1),
    "two-blades": invented_case(2, blades=2),
    "seven-blades": invented_case(3, blades=7, sensors=3, regimes=5, adjusters=4),
    "harmonics-2-and-5": invented_case(4, blades=5, harmonics=(2, 5)),
    "harmonic-3-of-three-blades": invented_case(5, blades=3, harmonics=(3, 1)),
    "uneven-blades": invented_case(6, blades=4, azimuth_deg=UNEVEN),
    "uneven-blades-harmonic-4": invented_case(7, blades=4, azimuth_deg=UNEVEN, harmonics=(4, 3)),
    "phase-as-lead": invented_case(8, phase_sense="lead"),
    "phase-as-lead-uneven": invented_case(9, blades=4, phase_sense="lead", azimuth_deg=UNEVEN),
    "heights-in-inches": invented_case(10, height_unit="in"),
    "a-reading-missing": invented_case(11).without([("r0", "s1")]),
    "a-sensor-missing": invented_case(12).without([("r0", "s0"), ("r1", "s0")]),
    "a-regime-missing": invented_case(13).without([("r1", "s0"), ("r1", "s1")], ["r1"]),
    "heights-missing": invented_case(14).without(heights=["r0"]),
    "one-tip-missing": invented_case(15).without(heights=[("r1", "b2")]),
    "heights-only": invented_case(16).without([(r, s) for r in ("r0", "r1") for s in ("s0", "s1")]),
    "heights-false": no_heights_in(invented_case(17), "r1"),
    "limits-overridden": override_limits(invented_case(18)),
    "regime-weights": weights(invented_case(19), 0.0, 7.0),
    "track-weight-0": invented_case(20, track_weight=0.0),
    "track-weight-3": invented_case(21, track_weight=3.0),
    "no-joint-rows": rows_left_out(invented_case(22), lambda row: "adjuster" in row),
    "an-adjuster-without-rows-in-a-regime": rows_left_out(
        invented_case(23),
        lambda row: row["regime"] == "r0" or "a1" not in (row.get("adjuster"), *row.get("adjusters", ())),
    ),
    "no-noise-rows": replace(invented_case(24), influence=invented_case(24).influence | {"noise": []}),
    "columns-in-other-units": replace(
        invented_case(25, sensors=4), columns={"s0": "mm/s", "s1": "ips", "s2": "mil", "s3": "g"}, rpm={"r1": 220.5}
    ),
    "columns-in-other-units-as-lead": replace(
        invented_case(26, sensors=4, phase_sense="lead"), columns={"s0": "g", "s1": "mil", "s2": "g", "s3": "ips"}
    ),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_costs_are_the_printed_sums(case, tmp_path):
    assert_costs_as_printed(case, tmp_path)


@given(
    st.integers(0, 2**32 - 1),
    st.integers(2, 6),
    st.tuples(st.integers(1, 3), st.integers(1, 3), st.integers(1, 3)),
    st.tuples(st.integers(1, 7), st.integers(1, 7)),
    st.sampled_from(["lag", "lead"]),
)
@settings(max_examples=30, deadline=None)
def test_costs_are_the_printed_sums_of_any_rotor(tmp_path_factory, seed, blades, shape, harmonics, sense):
    sensors, regimes, adjusters = shape
    case = invented_case(
        seed,
        blades=blades,
        sensors=sensors,
        regimes=regimes,
        adjusters=adjusters,
        harmonics=harmonics,
        phase_sense=sense,
    )
    rng = np.random.default_rng(seed)
    gone = [key for key in case.readings if rng.random() < 0.3]
    tips = [r["name"] for r in case.regimes[1:] if rng.random() < 0.3]
    assert_costs_as_printed(case.without(gone, tips), tmp_path_factory.mktemp("case"))


def test_costs_worked_by_hand(tmp_path):
    """Two blades, one regime: 0.4 ips at 90 deg, limit 0.2; tips +-5 mm, limit 20; alpha 0.1 ips per step, tau 2 mm.

    V = -0.4i, Q = 4 + 25/100. With +1 on blade 1: V = 0.1 - 0.4i, u = (0.5, -0.5), H = (6, -6):
    Q = (0.01 + 0.16)/0.04 + 36/100 = 4.61. Its covariance adds (0.0001 + 0.0003)/0.04 = 0.01 and
    0.16 * 0.25/100 = 0.0004; noise of 0.02 and 1 mm adds 2 * 0.0004/0.04 = 0.02 and 0.5 * 1/100 = 0.005.
    """
    case = Case(
        rotor={
            "name": "two blades",
            "rpm": 300.0,
            "blades": ["1", "2"],
            "limits": {"vibration": 0.2, "height_spread": 20.0},
            "sensors": [{"name": "s", "axis": "lateral", "unit": "ips"}],
            "regimes": [{"name": "r"}],
            "adjusters": [
                {"name": "a", "kind": "tab", "unit": "deg", "step": 1.0, "minimum": -5.0, "maximum": 5.0},
            ],
        },
        readings={("r", "s"): (0.4, 90.0)},
        heights={"r": {"1": 47.0, "2": 37.0}},
        influence={
            "schema": 1,
            "rotor": "two blades",
            "blades": 2,
            "rows": [
                {"adjuster": "a", "regime": "r", "sensor": "s", "re": 0.1, "im": 0, "cov": [[1e-4, 0], [0, 3e-4]]},
                {"adjuster": "a", "regime": "r", "height": 2.0, "var": 0.16},
            ],
            "noise": [{"regime": "r", "sensor": "s", "sd": 0.02}, {"regime": "r", "height": 1.0}],
        },
    )
    quadratic = build_quadratic(*loaded(case, tmp_path))
    assert quadratic.cost(np.zeros(2)) == pytest.approx(4.25, rel=1e-12)
    assert quadratic.expected_cost(np.zeros(2)) == pytest.approx(4.275, rel=1e-12)
    assert quadratic.cost(np.array([1.0, 0.0])) == pytest.approx(4.61, rel=1e-12)
    assert quadratic.expected_cost(np.array([1.0, 0.0])) == pytest.approx(4.61 + 0.01 + 0.0004 + 0.025, rel=1e-12)


def test_expected_cost_is_the_mean_cost_of_sampled_influence(tmp_path):
    """E Q by its meaning: the mean of Q over influence and noise drawn from the file's covariances."""
    case = invented_case(31)
    change = random_change(case, 5)
    quadratic = build_quadratic(*loaded(case, tmp_path))
    rng = np.random.default_rng(0)
    costs = sampled_costs(case, change, rng, 100_000)
    error = costs.std() / math.sqrt(len(costs))
    assert quadratic.expected_cost(in_steps(case, change)) == pytest.approx(costs.mean(), abs=5 * error)
    assert quadratic.cost(in_steps(case, change)) < costs.mean() - 20 * error  # the test can tell them apart


def sampled_costs(case, change, rng, samples):
    """Return Q of next runs drawn reading by reading."""
    names = [a["name"] for a in case.adjusters]
    total, t = np.zeros(samples), case.rotor["track_weight"]
    for regime in case.regimes:
        for sensor in case.sensors:
            place = (regime["name"], sensor["name"])
            cov = np.block([[case.cov(a, c, *place) for c in names] for a in names])
            parts = rng.multivariate_normal(np.zeros(len(cov)), cov, samples, method="svd")
            v = case.phasor(regime, sensor) + case.vibration_change(change, regime, sensor)
            for i, a in enumerate(names):
                v = v + (parts[:, 2 * i] + 1j * parts[:, 2 * i + 1]) * case.z(change, a, sensor["harmonic"])
            v = v + case.sd(*place) * (rng.normal(size=samples) + 1j * rng.normal(size=samples))
            total += regime["weight"] * abs(v) ** 2 / case.limit(regime, sensor) ** 2
        cov = np.array([[case.cov(a, c, regime["name"]) for c in names] for a in names])
        parts = rng.multivariate_normal(np.zeros(len(cov)), cov, samples, method="svd")
        tips, moved = case.tips(regime), case.height_change(change, regime)
        h = np.array(
            [
                tips[b] + moved[b] + sum(parts[:, i] * case.u(change, a)[b] for i, a in enumerate(names))
                for b in case.blades
            ]
        )
        h += case.sd(regime["name"]) * rng.normal(size=h.shape)
        h -= h.mean(axis=0)
        total += regime["weight"] * t * np.mean(h**2, axis=0) / (case.spread_limit(regime) / 2) ** 2
    return total


# ---- symmetries ----------------------------------------------------------------------------


def costs_of(case, folder, changes):
    """Return (Q, E Q) of changes."""
    folder.mkdir()
    quadratic = build_quadratic(*loaded(case, folder))
    found = [in_steps(case, change) for change in changes]
    return [(quadratic.cost(x), quadratic.expected_cost(x)) for x in found]


def relabelled(case, first):
    """Return the case as seen from another blade 1, with the tach pulse at that blade's passing.

    Later by psi, the pulse sees every phase smaller by h psi; azimuths count from the new blade.
    """
    k, psi = case.blades.index(first), case.psi(first)
    blades = case.blades[k:] + case.blades[:k]
    azimuth = [math.degrees(case.psi(b) - psi) % 360.0 for b in blades]
    harmonic = {s["name"]: s["harmonic"] for s in case.sensors}
    turn = {s: math.degrees(harmonic[s] * psi) for s in harmonic}
    readings = {(r, s): (a, (d - turn[s]) % 360.0) for (r, s), (a, d) in case.readings.items()}
    return replace(case.with_rotor(blades=blades, azimuth_deg=azimuth), readings=readings)


@pytest.mark.parametrize("azimuth", [None, UNEVEN], ids=["even", "uneven"])
@pytest.mark.parametrize("first", ["b2", "b4"])
def test_which_blade_is_called_first_turns_phases_but_changes_no_cost(tmp_path, azimuth, first):
    case = invented_case(41, blades=4, **({"azimuth_deg": azimuth} if azimuth else {}))
    changes = [random_change(case, seed) for seed in range(3)]
    same = costs_of(relabelled(case, first), tmp_path / "turned", changes)
    assert np.array(same) == pytest.approx(np.array(costs_of(case, tmp_path / "as_is", changes)), rel=1e-10)


def test_a_unit_scaled_everywhere_changes_no_cost(tmp_path):
    """Vibration from ips to mm/s, heights from mm to inches, the adjusters from u to u / 28.35."""
    case = invented_case(42, sensors=1)
    scaled = in_other_units(case, 25.4, 1 / 25.4, 28.35)
    changes = [random_change(case, seed) for seed in range(3)]
    more = [{k: 28.35 * v for k, v in change.items()} for change in changes]
    same = costs_of(scaled, tmp_path / "scaled", more)
    assert np.array(same) == pytest.approx(np.array(costs_of(case, tmp_path / "as_is", changes)), rel=1e-10)


def in_other_units(case, vibration, height, amount):
    """Return the case with every number of a unit multiplied by that unit's factor."""
    rotor = case.rotor
    limits = {"vibration": rotor["limits"]["vibration"] * vibration}
    limits["height_spread"] = rotor["limits"]["height_spread"] * height
    regimes = [
        r
        | ({"vibration": r["vibration"] * vibration} if "vibration" in r else {})
        | ({"height_spread": r["height_spread"] * height} if "height_spread" in r else {})
        for r in case.regimes
    ]
    adjusters = [a | {k: a[k] * amount for k in ("step", "minimum", "maximum")} for a in case.adjusters]
    rows = []
    for row in case.influence["rows"]:
        factor = height if "height" in row else vibration
        power = {"re": 1, "im": 1, "height": 1, "var": 2, "cov": 2}
        scale = {k: (factor / amount) ** p for k, p in power.items()}
        rows.append(
            {k: (np.array(v) * scale[k]).tolist() if k in scale and v is not True else v for k, v in row.items()}
        )
    noise = [
        {k: v * {"sd": vibration, "height": height}.get(k, 1) if isinstance(v, float) else v for k, v in row.items()}
        for row in case.influence["noise"]
    ]
    return Case(
        rotor=rotor
        | {"limits": limits, "regimes": regimes, "adjusters": adjusters, "height_unit": "in"}
        | {"sensors": [s | {"unit": "mm/s"} for s in case.sensors]},
        readings={k: (a * vibration, d) for k, (a, d) in case.readings.items()},
        heights={r: {b: v * height for b, v in tips.items()} for r, tips in case.heights.items()},
        influence=case.influence | {"rows": rows, "noise": noise},
    )


def test_a_constant_added_to_the_heights_of_a_regime_changes_no_cost(tmp_path):
    case = invented_case(43)
    raised = replace(case, heights=case.heights | {"r1": {b: v - 1234.5 for b, v in case.heights["r1"].items()}})
    changes = [no_change(case), random_change(case, 1)]
    same = costs_of(raised, tmp_path / "raised", changes)
    assert np.array(same) == pytest.approx(np.array(costs_of(case, tmp_path / "as_is", changes)), rel=1e-10)


def test_phases_written_as_lead_are_those_of_lag_negated(tmp_path):
    case = invented_case(44)
    lead = replace(case.with_rotor(phase_sense="lead"), readings={k: (a, -d) for k, (a, d) in case.readings.items()})
    changes = [random_change(case, seed) for seed in range(2)]
    same = costs_of(lead, tmp_path / "lead", changes)
    assert np.array(same) == pytest.approx(np.array(costs_of(case, tmp_path / "lag", changes)), rel=1e-12)


@pytest.mark.parametrize(("harmonic", "seen"), [(1, False), (3, True)], ids=["h-1", "h-of-N"])
def test_equal_changes_on_all_blades_are_seen_only_by_a_harmonic_that_is_a_multiple_of_n(tmp_path, harmonic, seen):
    case = invented_case(45, blades=3, harmonics=(harmonic, harmonic))
    drift = {(a, b): 2.0 if a == "a0" else 0.0 for a, b in no_change(case)}
    (before, _), (after, _) = costs_of(case, tmp_path / "case", [no_change(case), drift])
    assert (abs(after - before) > 1e-6) is seen


def test_unevenly_spaced_blades_make_equal_changes_act(tmp_path):
    case = invented_case(46, blades=4, azimuth_deg=UNEVEN, harmonics=(1, 1))
    drift = {(a, b): 2.0 if a == "a0" else 0.0 for a, b in no_change(case)}
    (before, _), (after, _) = costs_of(case, tmp_path / "case", [no_change(case), drift])
    assert abs(after - before) > 1e-6


def test_the_quadratic_form_is_symmetric_and_never_negative(tmp_path):
    quadratic = build_quadratic(*loaded(invented_case(47, blades=5, adjusters=3), tmp_path))
    for form in (quadratic.quad, quadratic.quad_spread):
        np.testing.assert_allclose(form, form.T, rtol=0, atol=1e-12)
        assert np.linalg.eigvalsh(form).min() > -1e-9 * np.abs(form).max()
