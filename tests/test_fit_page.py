"""The page of a fit, and the residuals on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from page_checks import Page, assert_contrast, assert_pictures_are_told, assert_stands_alone
from page_rotors import history_of, influence_of, rotor_of

from trackbal.commands.group import run as trackbal
from trackbal.fitting.fit import fit
from trackbal.fitting.residuals import residuals
from trackbal.pages.fit_page import fit_page
from trackbal.reports.fit_report import report
from trackbal.runs.sheets import write_history
from trackbal.virtual import VirtualType


def test_without_noise_the_true_coefficients_leave_nothing():
    rotor = rotor_of(4, 2, 2)
    influence = influence_of(rotor, noise=0.0)
    left = residuals(rotor, history_of(rotor, influence), influence)
    assert np.abs(left.vibration).max() < 1e-12
    assert np.abs(left.height).max() < 1e-10
    assert np.abs(left.vibration_measured).max() > 0.1
    per_job, per_job_height = left.by_job(rotor)
    assert per_job.shape == per_job_height.shape == (5, 2) and per_job.max() < 1e-10


def test_residuals_by_hand():
    """One job of three runs: readings 1, 3, 2 about their mean 2; predicted changes 0, 1, 2 about theirs."""
    rotor = rotor_of(2, 1, 1, vibration=4.0, vibration_stop=9.0)
    influence = influence_of(rotor)
    alpha = np.zeros_like(influence.alpha)
    alpha[0] = 0.1
    history = history_of(rotor, influence, jobs=1, runs=3)
    change = np.zeros((3, 3, 2))
    change[:, 0, 0] = [0.0, 10.0, 20.0]
    readings = np.array([1.0, 3.0, 2.0]).reshape(3, 1, 1) + 0j
    history = replace(history, change=change, vibration=readings)
    left = residuals(rotor, history, replace(influence, alpha=alpha, tau=0.0 * influence.tau))
    assert left.vibration_measured.ravel() == pytest.approx([-1.0, 1.0, 0.0])
    assert left.vibration_predicted.ravel() == pytest.approx([-1.0, 0.0, 1.0])
    assert left.by_job(rotor)[0] == pytest.approx(np.sqrt(2.0 / 3.0) / 4.0)  # residuals 0, 1, -1 over the limit of 4
    spread = history.height - history.height.mean(axis=0)
    wanted = np.sqrt(np.mean(spread**2)) / (15.0 / 2.0)
    assert left.by_job(rotor)[1] == pytest.approx(wanted)


@pytest.mark.parametrize(("aircraft", "said"), [(1, "cannot be told"), (4, "rests on fewer than 8 aircraft")])
def test_jobs_of_few_aircraft_are_counted_as_these(aircraft, said):
    """Ten jobs of one aircraft tell nothing of another: what a coefficient rests on is aircraft, and is called so."""
    rotor = rotor_of(3, 1, 1)
    history = history_of(rotor, influence_of(rotor), jobs=10, runs=4)
    history = replace(history, aircraft=tuple(f"No. {j % aircraft}" for j in range(10)))
    found = fit(rotor, history)
    text = " ".join(report(rotor, found).split())
    assert f"of 10 jobs of {aircraft} aircraft." in text and "± aircraft runs" in text
    assert any(said in line for line in found.cautions) and not any("fewer than 8 jobs" in c for c in found.cautions)
    if aircraft == 1:
        assert any("from 10 jobs of 1 aircraft (it takes 3 aircraft" in line for line in found.cautions)
    page = fit_page(rotor, history, found)
    assert "of 10 jobs of" in page and ">Aircraft<" in page


def test_two_runs_are_enough_to_show_a_change():
    rotor = rotor_of(3, 1, 1)
    influence = influence_of(rotor)
    left = residuals(rotor, history_of(rotor, influence, jobs=2, runs=2), influence)
    assert np.isfinite(left.vibration_measured).all() and np.isfinite(left.height_measured).all()
    assert all(np.isfinite(part).all() for part in left.by_job(rotor))


def test_readings_that_show_no_change_are_left_out():
    rotor = rotor_of(3, 2, 1)
    history = history_of(rotor, influence_of(rotor), jobs=2, runs=3)
    count = history.vibration_count.copy()
    count[1:3, 0, 0] = 0  # regime 1 read once only in job 1
    history = replace(history, vibration_count=count, vibration=np.where(count > 0, history.vibration, np.nan))
    left = residuals(rotor, history, influence_of(rotor))
    assert np.isnan(left.vibration_measured[:3, 0, 0]).all()
    assert np.isfinite(left.vibration_measured[3:]).all() and np.isfinite(left.vibration_measured[:3, 1]).all()
    assert np.isnan(left.by_job(rotor)[0]).tolist() == [[True, False], [False, False]]


def test_tips_that_were_not_read_leave_nothing():
    """Of three runs of a job one is without tips: the two others show a change, it has no residual."""
    rotor = rotor_of(3, 2, 1)
    history = history_of(rotor, influence_of(rotor), jobs=2, runs=3)
    count = history.height_count.copy()
    count[1, 0] = 0
    count[3:5, 0] = 0  # read once only in the second job: no change to show
    height = np.where(count[..., None] > 0, history.height, np.nan)
    left = residuals(rotor, replace(history, height_count=count, height=height), influence_of(rotor))
    assert np.isnan(left.height_measured[1, 0]).all() and np.isnan(left.height_predicted[1, 0]).all()
    assert np.isfinite(left.height_measured[[0, 2], 0]).all() and np.isfinite(left.height_predicted[[0, 2], 0]).all()
    assert np.isnan(left.height_measured[3:, 0]).all() and np.isfinite(left.height_measured[3:, 1]).all()
    assert np.isnan(left.by_job(rotor)[1]).tolist() == [[False, False], [True, False]]
    of_two = np.concatenate([left.height[0, 0], left.height[2, 0]]) / (rotor.height_limit[0] / 2.0)
    assert left.by_job(rotor)[1][0, 0] == pytest.approx(np.sqrt(np.mean(of_two**2)), rel=1e-12)


def test_the_page_says_what_the_fit_says():
    rotor = rotor_of(3, 2, 2)
    history = history_of(rotor, influence_of(rotor), jobs=2)
    found = fit(rotor, history)
    source = fit_page(rotor, history, found)
    assert_stands_alone(source)
    assert_contrast(source)
    assert assert_pictures_are_told(source) == 3 * 2 * 2 + 3 + 2
    words = Page(source).words
    assert found.cautions
    for caution in found.cautions:
        assert caution in words
    for a in range(3):
        assert f"{abs(found.influence.alpha[a, 1, 1]):.4g}" in words
    assert source == fit_page(rotor, history, found)


def test_runs_that_do_not_fit_are_named():
    rotor = rotor_of(4, 2, 2)
    history = history_of(rotor, influence_of(rotor), jobs=8, runs=4)
    vibration = history.vibration.copy()
    vibration[9] += 30.0
    history = replace(history, vibration=vibration)
    found = fit(rotor, history)
    assert found.suspects
    words = Page(fit_page(rotor, history, found)).words
    for suspect in found.suspects:
        assert f"Job {suspect.job}, run {suspect.run}: {suspect.why}." in words


def test_hostile_names_stay_text_and_unknown_is_said():
    bad = "</td><script>x</script> $x$"
    rotor = rotor_of(3, 2, 1)
    history = history_of(rotor, influence_of(rotor), jobs=3)
    change = history.change.copy()
    change[:, 2] = 0.0
    history = replace(history, change=change, jobs=tuple(f"{bad} {j}" for j in range(3)))
    rotor = replace(
        rotor,
        name=bad,
        sensors=(replace(rotor.sensors[0], name=bad),),
        regimes=tuple(replace(r, name=f"{bad} {i}", label=bad) for i, r in enumerate(rotor.regimes)),
        adjusters=tuple(replace(a, name=f"{bad} {i}", unit=bad) for i, a in enumerate(rotor.adjusters)),
    )
    found = fit(rotor, history)
    assert found.influence.unknown_vibration[2].all()
    source = fit_page(rotor, history, found)
    assert_stands_alone(source)
    assert Page(source).words.count("not known") >= 4


def test_many_sensors_have_tables_and_no_dials():
    rotor = rotor_of(3, 4, 36)  # 432 coefficients
    history = history_of(rotor, influence_of(rotor), jobs=3)
    source = fit_page(rotor, history, fit(rotor, history))
    assert assert_pictures_are_told(source) == 36 + 1 + 2
    assert "too many for pictures" in source


def test_the_command_writes_the_page_whole_or_not_at_all(tmp_path, capsys):
    kind = VirtualType.shipped("tail2")
    rotor = kind.rotor
    aircraft = kind.aircraft(4)
    rng = np.random.default_rng(2)
    steps = [np.zeros((2, 2)), np.array([[3.0, 0.0], [0.0, 0.0]]), np.array([[0.0, 0.0], [5.0, 0.0]])]
    runs = []
    change = np.zeros((3, 2, 2))
    for i, step in enumerate(steps):
        aircraft = aircraft.adjust(step)
        change[i] = change[i - 1] + step
        runs.append(aircraft.fly(rng))
    base = history_of(rotor_of(2, 2, 2), influence_of(rotor_of(2, 2, 2)), jobs=1, runs=3)
    columns = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    history = replace(base, change=change, **{c: np.stack([getattr(r, c) for r in runs]) for c in columns})
    write_history(rotor, tmp_path / "h.csv", tmp_path / "ha.csv", history, force=False)
    given = ["fit", "--rotor", str(VirtualType.rotor_file("tail2")), "--runs", str(tmp_path / "h.csv")]
    given += ["--adjustments", str(tmp_path / "ha.csv"), "--out", str(tmp_path / "i.json")]
    page = tmp_path / "fit.html"
    page.write_text("mine")
    assert trackbal([*given, "--page", str(page)]) == 2
    assert page.read_text() == "mine" and not (tmp_path / "i.json").exists()
    page.unlink()
    assert trackbal([*given, "--page", str(page)]) == 0
    assert_stands_alone(page.read_text())
    capsys.readouterr()


def test_the_page_says_how_well_readings_are_known() -> None:
    """Noise, condition and spread stand in tables; a spread that two jobs cannot tell is not 0 %."""
    from invented_fleet import Truth, plain_rotor, simulate

    rotor = plain_rotor()
    for jobs, told in ((2, False), (12, True)):
        history = simulate(rotor, Truth.draw(rotor, seed=4), jobs=jobs, runs=5, seed=4)
        found = fit(rotor, history)
        html = fit_page(rotor, history, found)
        part = html[html.index("How well readings are known") : html.index("<h2>Coefficients")]
        assert ("cannot be told" in part) != told and "0 %</td>" not in part.replace("10 %", "").replace("20 %", "")
        assert f"{found.influence.vibration_noise[0, 0]:.3g}" in part and f"{found.condition[1, 1]:.3g}" in part
        assert "Left over by sensor" in html and "In the worst job" in html


def test_a_phase_carries_its_error() -> None:
    """Across a phasor of 1 at lag 0 lies its imaginary part: 0.1 there is 5.7 degrees, whatever the real part's."""
    from trackbal.pages.fit_page import _phase_error

    assert _phase_error(1.0 + 0j, np.diag([4.0, 0.01])) == "\u00b16\u00b0"
    assert _phase_error(1j, np.diag([0.01, 4.0])) == "\u00b16\u00b0"
    assert _phase_error(0.01 + 0j, np.eye(2)) == "any"
