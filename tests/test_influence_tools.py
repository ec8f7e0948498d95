"""Influence files compared, merged and restricted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from damaged_fleet import fly_fleet
from how_much import much
from invented_fleet import Truth, jobs_of, plain_rotor, simulate
from statsmodels.stats.multitest import multipletests

from trackbal.commands.group import run
from trackbal.fitting.fit import fit
from trackbal.fitting.merge import merge, restrict
from trackbal.influence.coefficients import Influence
from trackbal.influence.compare import compare, holm
from trackbal.influence.influence_writer import write_influence
from trackbal.plan.advice import advise
from trackbal.runs.rotor import Rotor


@pytest.fixture(scope="module")
def halves() -> tuple[Rotor, Truth, Influence, Influence, Influence]:
    rotor = plain_rotor()
    truth = Truth.draw(rotor, seed=2)
    history = simulate(rotor, truth, jobs=40, runs=5, seed=2)
    parts = [fit(rotor, jobs_of(history, r)).influence for r in (range(20), range(20, 40))]
    return rotor, truth, *parts, fit(rotor, history).influence


def test_holm_is_that_of_statsmodels() -> None:
    p = np.random.default_rng(0).random(30) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_two_halves_of_one_type_do_not_differ(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    rotor, _, first, second, _ = halves
    changes = compare(rotor, first, second)
    assert len(changes) == 3 * 2 * 3
    assert not any(c.firm for c in changes)
    assert all(0.0 <= c.p <= c.adjusted <= 1.0 for c in changes)


def test_chances_are_even_between_fits_of_one_type() -> None:
    rotor = plain_rotor(adjusters=2)
    p = []
    for seed in range(much(5, 20)):
        history = simulate(rotor, Truth.draw(rotor, seed), jobs=30, runs=5, seed=seed)
        files = [fit(rotor, jobs_of(history, r)).influence for r in (range(15), range(15, 30))]
        p += [c.p for c in compare(rotor, *files) if c.sensor >= 0]
    assert 0.02 < np.mean(np.array(p) < 0.1) < 0.22  # of 40 chances: 0.1 +- 0.05, and the spread is estimated


def test_a_change_is_found_and_only_it(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    rotor, _, first, second, _ = halves
    alpha = second.alpha.copy()
    alpha[1, 0, 1] *= 1.6
    changes = compare(rotor, first, replace(second, alpha=alpha))
    assert [(c.adjuster, c.regime, c.sensor) for c in changes if c.firm] == [(1, 0, 1)]


def test_what_only_one_file_knows_counts_as_changed(
    halves: tuple[Rotor, Truth, Influence, Influence, Influence],
) -> None:
    rotor, _, first, _, _ = halves
    changes = compare(rotor, first, restrict(rotor, first, adjusters=("adjuster0", "adjuster1")))
    assert {c.adjuster for c in changes if c.firm} == {2}
    assert all(c.known == (True, False) for c in changes if c.firm)


def test_merged_halves_are_the_whole(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    """Two halves merged against one fit of all: the same answer but for the variances each half estimated."""
    rotor, truth, first, second, whole = halves
    merged = merge(rotor, [first, second])
    assert whole.mean_vibration_cov is not None and merged.mean_vibration_cov is not None
    error = np.sqrt(np.einsum("rsii->rsi", whole.mean_vibration_cov)[..., ::2].transpose(2, 0, 1) * 2)
    assert (np.abs(merged.alpha - whole.alpha) < 0.35 * error).all()
    ratio = np.einsum("rsii->rs", merged.mean_vibration_cov) / np.einsum("rsii->rs", whole.mean_vibration_cov)
    assert ratio.min() > 0.8 and ratio.max() < 1.25
    assert merged.vibration_noise == pytest.approx(whole.vibration_noise, rel=0.05)
    assert merged.source["jobs"] == 40 and merged.source["runs"] == 200
    assert np.linalg.norm(merged.alpha - truth.alpha) < np.linalg.norm(first.alpha - truth.alpha)


def test_order_of_merging_does_not_matter(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    rotor, _, first, second, _ = halves
    one, other = merge(rotor, [first, second]), merge(rotor, [second, first])
    assert one.alpha == pytest.approx(other.alpha, rel=1e-9)
    assert one.vibration_cov == pytest.approx(other.vibration_cov, rel=1e-9)


def test_parts_merge_to_what_both_know(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    rotor, _, first, second, _ = halves
    a, b = restrict(rotor, first, regimes=("regime0",)), restrict(rotor, second, regimes=("regime1",))
    merged = merge(rotor, [a, b])
    assert not merged.unknown_vibration.any() and not merged.unknown_height.any()
    assert merged.alpha[:, 0] == pytest.approx(first.alpha[:, 0])
    assert merged.alpha[:, 1] == pytest.approx(second.alpha[:, 1])
    assert merged.vibration_noise[0] == pytest.approx(first.vibration_noise[0])


def test_value_without_error_stands(halves: tuple[Rotor, Truth, Influence, Influence, Influence]) -> None:
    rotor, _, first, second, _ = halves
    zero = {name: np.zeros_like(getattr(first, name)) for name in ("vibration_cov", "height_cov")}
    exact = replace(first, mean_vibration_cov=zero["vibration_cov"], mean_height_cov=zero["height_cov"], **zero)
    merged = merge(rotor, [exact, second])
    assert merged.alpha == pytest.approx(first.alpha)
    assert not merged.mean_vibration_cov.any()  # type: ignore[union-attr]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str, str, Path]:
    folder = tmp_path_factory.mktemp("files")
    fleet = fly_fleet("main4", 16, seed=3)
    rotor = fleet.kind.rotor
    for name, jobs in (("a.json", range(8)), ("b.json", range(8, 16))):
        write_influence(folder / name, rotor, fit(rotor, jobs_of(fleet.history, jobs)).influence)
    return str(fleet.kind.rotor_file("main4")), str(folder / "a.json"), str(folder / "b.json"), folder


def test_commands(files: tuple[str, str, str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    rotor_file, first, second, folder = files
    rotor = Rotor.load(rotor_file)
    assert run(["compare", "--rotor", rotor_file, first, first]) == 0
    assert "0 changed" in capsys.readouterr().out
    code = run(["compare", "--rotor", rotor_file, first, second, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert code == int(answer["changed"] > 0) and len(answer["rows"]) == 3 * 4 * 3
    out = str(folder / "m.json")
    assert run(["merge", "--rotor", rotor_file, first, second, "--out", out]) == 0
    assert Influence.load(out, rotor).source["jobs"] == 16
    assert run(["merge", "--rotor", rotor_file, first, second, "--out", out]) == 2
    assert "--force" in capsys.readouterr().err
    assert run(["merge", "--rotor", rotor_file, first, "--out", out, "--force"]) == 2
    assert run(["merge", "--rotor", rotor_file, out, second, "--out", str(folder / "n.json")]) == 2  # b's jobs twice
    assert "expected jobs that the runs behind" in capsys.readouterr().err and not (folder / "n.json").exists()
    kept = str(folder / "hover.json")
    assert run(["restrict", "--rotor", rotor_file, first, "--regime", "hover", "--out", kept, "--json"]) == 0
    hover = rotor.regime_index("hover")
    unknown = Influence.load(kept, rotor).unknown_vibration
    assert not unknown[:, hover].any() and unknown.sum() == unknown.size * 3 // 4
    assert run(["restrict", "--rotor", rotor_file, first, "--regime", "hoover", "--out", kept, "--force"]) == 2
    assert "expected one of" in capsys.readouterr().err


def test_restricted_influence_is_not_advised_on_elsewhere(files: tuple[str, str, str, Path]) -> None:
    rotor_file, first, _, _ = files
    rotor = Rotor.load(rotor_file)
    aircraft = fly_fleet("main4", 1, seed=9).aircraft[0]
    seen = aircraft.fly(np.random.default_rng(0))
    only = restrict(rotor, Influence.load(first, rotor), adjusters=("tip_weight",))
    plans = advise(rotor, seen, only, aircraft.setting, override_stop=True, most=2).plans
    a = rotor.adjuster_index("tip_weight")
    assert plans[-1].change[a].any() and not np.delete(plans[-1].change, a, axis=0).any()
