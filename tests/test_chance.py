"""The chance that a plan passes: closed forms of scipy, and an independent Monte Carlo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_cases import invented_case, random_change
from plain_reference import no_change
from scipy import stats

from trackbal.influence.coefficients import Influence
from trackbal.plan.chance import SAMPLES, chances
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_run

OURS = 40_000


def chance_of(case, folder, *changes):
    """Return trackbal's chance of each change dict."""
    case.write(folder)
    rotor = Rotor.load(folder / "rotor.toml")
    influence = Influence.parse((folder / "influence.json").read_text(), "influence.json", rotor)
    arrays = np.array([[[c[a["name"], b] for b in case.blades] for a in case.adjusters] for c in changes])
    return chances(rotor, read_run(rotor, folder / "run.csv"), influence, arrays)


def error_of(p, samples):
    """Return the standard error of a chance p estimated twice, by trackbal and from `samples`."""
    p = min(max(p, 0.01), 0.99)
    return np.sqrt(p * (1 - p) * (1 / SAMPLES + (1 / samples if samples else 0.0)))


def one_reading(case, *, amplitude, sd):
    """Return the case with the one reading r1/s0 (limit 0.2), of known influence."""
    rows = [r | {"cov": [[0, 0], [0, 0]]} if "cov" in r else r for r in case.influence["rows"] if "adjuster" in r]
    noise = [{"regime": "r1", "sensor": "s0", "sd": sd}]
    return replace(
        case,
        readings={("r1", "s0"): (amplitude, 70.0)},
        heights={},
        influence=case.influence | {"rows": rows, "noise": noise},
    )


@pytest.mark.parametrize(("amplitude", "sd"), [(0.0, 0.1), (0.15, 0.05), (0.2, 0.02), (0.23, 0.03)])
def test_noise_alone_makes_the_amplitude_rician(tmp_path, amplitude, sd):
    """|V|^2 / sd^2 is noncentral chi-square of two degrees of freedom (Rice 1945, by scipy.stats.ncx2)."""
    case = one_reading(invented_case(1), amplitude=amplitude, sd=sd)
    exact = stats.ncx2.cdf((0.2 / sd) ** 2, 2, (amplitude / sd) ** 2) if amplitude else stats.chi2.cdf(4.0, 2)
    (found,) = chance_of(case, tmp_path, no_change(case))
    assert found == pytest.approx(exact, abs=5 * error_of(exact, 0))


@pytest.mark.parametrize("spread", [6.0, 9.0, 11.0])
def test_the_spread_of_two_tips_is_a_folded_normal(tmp_path, spread):
    """The difference of two tips has variance 2 sd^2; limit 12."""
    case = invented_case(2, blades=2)
    noise = [{"regime": "r0", "height": 1.5}]
    case = replace(case, readings={}, heights={"r0": {"b1": spread, "b2": 0.0}})
    case = replace(case, influence=case.influence | {"noise": noise})
    sd = 1.5 * np.sqrt(2)
    exact = stats.norm.cdf((12 - spread) / sd) - stats.norm.cdf((-12 - spread) / sd)
    (found,) = chance_of(case, tmp_path, no_change(case))
    assert found == pytest.approx(exact, abs=5 * error_of(exact, 0))


def test_covariance_counts_as_much_as_the_change_is_large(tmp_path):
    """One blade changed by x: the coefficient's equal covariance acts as noise of sd x, with the noise's own."""
    case = invented_case(3, adjusters=1)
    rows = [
        {"adjuster": "a0", "regime": "r1", "sensor": "s0", "re": 0.0, "im": 0.0, "cov": [[0.0004, 0], [0, 0.0004]]},
    ]
    case = replace(case, readings={("r1", "s0"): (0.1, 10.0)}, heights={})
    noise = [{"regime": "r1", "sensor": "s0", "sd": 0.01}]
    case = replace(case, influence=case.influence | {"rows": rows, "noise": noise})
    changes = [no_change(case) | {("a0", "b2"): x} for x in (0.0, 2.0, -5.0)]
    found = chance_of(case, tmp_path, *changes)
    for x, p in zip((0.0, 2.0, -5.0), found, strict=True):
        variance = 0.01**2 + (0.02 * x) ** 2
        exact = stats.ncx2.cdf(0.04 / variance, 2, 0.01 / variance)
        assert p == pytest.approx(exact, abs=5 * error_of(exact, 0))


@given(st.integers(0, 2**32 - 1), st.integers(2, 5), st.sampled_from(["lag", "lead"]), st.floats(0.1, 0.6))
@settings(max_examples=25, deadline=None)
def test_the_chance_of_any_change_is_that_of_another_monte_carlo(tmp_path_factory, seed, blades, sense, size):
    case = invented_case(seed, blades=blades, phase_sense=sense, size=size, harmonics=(1, 3))
    small = {k: 0.15 * v for k, v in random_change(case, seed).items()}
    found = chance_of(case, tmp_path_factory.mktemp("case"), no_change(case), small)
    for p, change in zip(found, (no_change(case), small), strict=True):
        expected = case.chance(change, OURS)
        assert p == pytest.approx(expected, abs=5 * error_of(expected, OURS))


@pytest.mark.parametrize("joint", [True, False], ids=["joint-rows", "no-joint-rows"])
def test_covariance_between_adjusters_counts(tmp_path, joint):
    """Two adjusters moved alike, their errors exactly opposite: nothing is left of them, if the file says so."""
    case = invented_case(5)
    cov = [[0.01, 0.0], [0.0, 0.01]]
    rows = [{"adjuster": a, "regime": "r1", "sensor": "s0", "re": 0.0, "im": 0.0, "cov": cov} for a in ("a0", "a1")]
    opposite = {"adjusters": ["a0", "a1"], "regime": "r1", "sensor": "s0", "cov": [[-0.01, 0.0], [0.0, -0.01]]}
    case = replace(case, readings={("r1", "s0"): (0.15, 0.0)}, heights={})
    noise = [{"regime": "r1", "sensor": "s0", "sd": 0.0}]
    case = replace(case, influence=case.influence | {"rows": [*rows, *([opposite] if joint else [])], "noise": noise})
    change = no_change(case) | {("a0", "b1"): 1.0, ("a1", "b1"): 1.0}
    (found,) = chance_of(case, tmp_path, change)
    if joint:
        assert found == pytest.approx(1.0, abs=1e-12)  # a sum of the weights of an integration
    else:
        exact = stats.ncx2.cdf(0.04 / 0.02, 2, 0.15**2 / 0.02)
        assert found == pytest.approx(exact, abs=5 * error_of(exact, 0))


def test_influence_rows_of_different_readings_err_independently(tmp_path):
    """Two readings of equal chance p pass together with p^2."""
    case = invented_case(6, adjusters=1)
    row = {"adjuster": "a0", "re": 0.0, "im": 0.0, "cov": [[0.01, 0.0], [0.0, 0.01]]}
    rows = [row | {"regime": r, "sensor": "s0"} for r in ("r0", "r1")]
    case = replace(case, readings={("r0", "s0"): (0.0, 0.0), ("r1", "s0"): (0.0, 0.0)}, heights={})
    case = replace(case, influence=case.influence | {"rows": rows, "noise": []})
    (found,) = chance_of(case, tmp_path, no_change(case) | {("a0", "b1"): 1.0})
    exact = stats.chi2.cdf(0.09 / 0.01, 2) * stats.chi2.cdf(0.04 / 0.01, 2)  # limits 0.3 and 0.2
    assert found == pytest.approx(exact, abs=5 * error_of(exact, 0))


def test_what_was_not_read_does_not_count(tmp_path):
    """The chance is that of the readings taken: without the hopeless one it is another."""
    case = invented_case(7, size=0.1)
    bad = replace(case, readings=case.readings | {("r1", "s1"): (5.0, 0.0)})
    assert chance_of(bad, tmp_path, no_change(bad)) == 0.0
    kept = bad.without([("r1", "s1")])
    expected = kept.chance(no_change(kept), OURS)
    assert expected > 0.5
    (found,) = chance_of(kept, tmp_path, no_change(kept))
    assert found == pytest.approx(expected, abs=5 * error_of(expected, OURS))


def test_with_nothing_uncertain_the_chance_is_yes_or_no(tmp_path):
    case = one_reading(invented_case(8), amplitude=0.19, sd=0.0)
    assert chance_of(case, tmp_path, no_change(case)) == pytest.approx(1.0, abs=1e-12)  # a sum of weights
    case = one_reading(case, amplitude=0.21, sd=0.0)
    assert chance_of(case, tmp_path, no_change(case)) == pytest.approx(0.0, abs=1e-12)


def test_the_same_readings_give_the_same_chance_in_any_company(tmp_path):
    case = invented_case(9, size=0.3)
    changes = [{k: s * v for k, v in random_change(case, 1).items()} for s in (0.0, 0.05, 0.1)]
    together = chance_of(case, tmp_path, *changes)
    assert (chance_of(case, tmp_path, *changes) == together).all()
    assert 0.0 < together[0] < 1.0
    for k, change in enumerate(changes):
        (alone,) = chance_of(case, tmp_path, change)
        assert alone == pytest.approx(together[k], abs=5 * error_of(together[k], SAMPLES))


def test_relabelling_blade_1_or_writing_lead_leaves_the_chance(tmp_path):
    case = invented_case(10, blades=4, size=0.3)
    lead = replace(case.with_rotor(phase_sense="lead"), readings={k: (a, -d) for k, (a, d) in case.readings.items()})
    change = {k: 0.1 * v for k, v in random_change(case, 2).items()}
    (found,) = chance_of(case, tmp_path, change)
    (same,) = chance_of(lead, tmp_path, change)
    assert 0.0 < found < 1.0
    assert same == pytest.approx(found, abs=5 * error_of(found, SAMPLES))
