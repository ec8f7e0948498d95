"""Checks of the model behind a fit, against dense least squares and against simulated faults of the model."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from damaged_fleet import fly_fleet
from invented_fleet import Truth, circular, plain_rotor, random_changes, simulate
from scipy.stats import f, kstest

from trackbal.base.phasor import blade_harmonic
from trackbal.commands.group import run
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.examination.comparisons import compare_jobs
from trackbal.examination.job_prediction import predict_jobs
from trackbal.examination.model_checks import QUESTIONS, check_model, extra_columns
from trackbal.examination.next_change import lessons
from trackbal.examination.own_coefficients import own_answers, own_coefficients
from trackbal.fitting.fit import estimate_cells
from trackbal.runs.run import History
from trackbal.runs.sheets import write_history


def dense_cell(cells: HistoryCells, extra: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return readings, base columns and job dummies of vibration cell 0, not centred, no sums."""
    history, rotor = cells.history, cells.rotor
    z = blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics)[:, :, 0]
    dummies = (history.job[:, None] == np.arange(len(history.jobs))).astype(float)
    return history.vibration[:, 0, 0], z, dummies


@pytest.mark.parametrize("question", QUESTIONS)
def test_added_columns_match_dense_generalised_least_squares(question: str) -> None:
    """Size and error of the added columns against the normal equations written out with the full covariance."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=2), jobs=7, runs=5, seed=2, repeats=2)
    cells = HistoryCells(rotor, history)
    estimates = estimate_cells(cells)
    found = estimates.vibration
    y, z, dummies = dense_cell(cells)
    same = history.job[:, None] == history.job
    spread = np.einsum("ia,a,ja->ij", z, found.spread[0], z.conj()) * same
    v = spread + np.diag(found.sigma2[0] / history.vibration_count[:, 0, 0])
    kernel = np.exp(-1j * np.deg2rad(rotor.azimuth_deg))
    for check in check_model(cells, estimates):
        if check.question != question:
            continue
        added = (extra_columns(cells, check.question, check.adjuster) @ kernel).T
        x = np.concatenate([z, dummies, added], axis=1)
        inverse = np.linalg.inv(v)
        cov = np.linalg.inv(x.conj().T @ inverse @ x)
        value = (cov @ x.conj().T @ inverse @ y)[-added.shape[1] :]
        own = cov[-added.shape[1] :, -added.shape[1] :]
        (answer,) = [a for a in check.answers if a.sensor == 0]
        scale = abs(found.alpha[0, check.adjuster])
        assert answer.size == pytest.approx(np.sqrt(np.mean(np.abs(value) ** 2)) / scale, rel=1e-6)
        assert answer.error == pytest.approx(np.sqrt(np.mean(np.diag(own).real)) / scale, rel=1e-6)


def test_directions_that_cannot_be_told_are_not_counted() -> None:
    """Blades 1 and 2 always changed alike: their columns are not told apart. Against the F test on those that are."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    change = random_changes(rotor, 12, 5, np.random.default_rng(5))
    change[..., 1] = change[..., 0]
    history = simulate(rotor, Truth.draw(rotor, seed=2), 12, 5, seed=2, change=change)
    cells = HistoryCells(rotor, history)
    estimates = estimate_cells(cells)
    found = estimates.vibration
    y, z, dummies = dense_cell(cells)
    v = np.einsum("ia,a,ja->ij", z, found.spread[0], z.conj()) * (history.job[:, None] == history.job)
    white = np.linalg.inv(np.linalg.cholesky(v + np.diag(np.full(len(y), found.sigma2[0]))))
    kernel = np.exp(-1j * np.deg2rad(rotor.azimuth_deg))
    for check in check_model(cells, estimates):
        if check.question != "blades":
            continue
        base, _ = np.linalg.qr(white @ np.concatenate([z, dummies], axis=1))
        added = white @ (extra_columns(cells, check.question, check.adjuster) @ kernel).T
        added = added - base @ (base.conj().T @ added)
        own, sizes, _ = np.linalg.svd(added, full_matrices=False)
        rank = int((sizes > 1e-8 * sizes[0]).sum())
        assert 0 < rank < added.shape[1]
        statistic = np.sum(np.abs(own[:, :rank].conj().T @ white @ y) ** 2)
        p = f.sf(statistic / rank, 2 * rank, 2 * float(found.noise_dof[0]))
        (answer,) = [a for a in check.answers if a.sensor == 0]
        assert answer.p == pytest.approx(p, rel=1e-6)


def test_a_blade_never_changed_between_two_readings_tells_nothing() -> None:
    """Its change stands in every run that took the reading: less the job's mean it is nothing, but for rounding."""
    rotor = plain_rotor(blades=5, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=2), jobs=8, runs=5, seed=0)
    count = np.where(((history.job == 3) & (history.run == 1))[:, None, None], 0, history.vibration_count)
    found = []
    for amount in (0.7, 0.0):
        change = history.change.copy()
        change[:, 0, 2] = np.where((history.job == 3) & (history.run > 1), amount, 0.0)
        cells = HistoryCells(rotor, replace(history, change=change, vibration_count=count))
        (answer,) = [one for one in check_model(cells, estimate_cells(cells))[0].answers if one.sensor == 0]
        found.append(answer)
    assert found[0].p == pytest.approx(found[1].p, rel=1e-6)
    assert found[0].size < 10.0 and found[0].error < 10.0


def test_jobs_of_one_aircraft_are_no_drift_from_first_to_last() -> None:
    """Three sound aircraft of eight jobs each, one after the other: their differences are no trend of 24 jobs."""
    rotor = plain_rotor(regimes=2, sensors=2, adjusters=2)
    firm, found = 0, 0
    for seed in range(4):
        history = simulate(rotor, Truth.draw(rotor, seed=seed, kappa=0.2), jobs=3, runs=40, seed=seed)
        job = history.job * 8 + (history.run - 1) // 5
        start = np.searchsorted(job, np.arange(24))
        history = replace(
            history,
            jobs=tuple(f"job{j}" for j in range(24)),
            job=job,
            run=(history.run - 1) % 5 + 1,
            change=history.change - history.change[start[job]],
            aircraft=tuple(f"No. {j // 8}" for j in range(24)),
        )
        cells = HistoryCells(rotor, history)
        estimates = estimate_cells(cells)
        firm += sum(check.firm for check in check_model(cells, estimates))
        found += sum(c.found for c in compare_jobs(cells, estimates))
        answers = own_answers(cells, estimates)
        assert [a.aircraft for a in answers] == ["No. 0", "No. 1", "No. 2"] and not any(a.unlike for a in answers)
        prediction = predict_jobs(rotor, cells, estimates)
        assert 0.3 < np.nanmean(prediction.calibration) < 3.0
    assert firm == 0 and found == 0  # counted job by job, 6 and 4 questions of these fleets


def test_chances_are_even_where_the_model_holds() -> None:
    """Probabilities of one reading are evenly spread over 0 to 1 (Kolmogorov-Smirnov), question by question."""
    rotor = plain_rotor(regimes=1, sensors=1, adjusters=2)
    seen: dict[str, list[float]] = {q: [] for q in QUESTIONS}
    for seed in range(60):
        cells = HistoryCells(rotor, simulate(rotor, Truth.draw(rotor, seed), jobs=20, runs=5, seed=seed))
        for check in check_model(cells, estimate_cells(cells)):
            seen[check.question].append(next(a.p for a in check.answers if a.sensor == 0))
    for question, p in seen.items():
        assert kstest(p, "uniform").pvalue > 0.001, question


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_model_that_does_not_hold_is_told(question: str) -> None:
    """Readings are made of the very departure that is asked for, in adjuster 1 alone."""
    rotor = plain_rotor()
    truth = replace(Truth.draw(rotor, seed=5), kappa=0.05)
    rng = np.random.default_rng(5)
    change = random_changes(rotor, 20, 5, rng)
    history = simulate(rotor, truth, 20, 5, seed=5, change=change)
    cells = HistoryCells(rotor, history)
    extra = extra_columns(cells, question, 1)  # type: ignore[arg-type]
    moved = blade_harmonic(extra[0], rotor.azimuth_deg, rotor.harmonics)  # (n, S)
    spoiled = replace(history, vibration=history.vibration + 0.8 * truth.alpha[1] * moved[:, None])
    cells = HistoryCells(rotor, spoiled)
    checks = check_model(cells, estimate_cells(cells))
    firmest = min(checks, key=lambda check: check.p)
    assert (firmest.question, firmest.adjuster) == (question, 1) and firmest.firm
    assert all(a.sensor >= 0 for a in firmest.answers[:2])
    assert {c.adjuster for c in checks if c.firm} == {1}  # one blade's excess shows in the amounts too


def test_jobs_left_out_match_fits_without_them() -> None:
    """The error of prediction against refitting without each job, the variances held."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=3), jobs=6, runs=4, seed=3, repeats=2)
    cells = HistoryCells(rotor, history)
    estimates = estimate_cells(cells)
    found = estimates.vibration
    y, z, _ = dense_cell(cells)
    weight = history.vibration_count[:, 0, 0].astype(float)
    squares, dof = 0.0, 0
    for left_out in range(6):
        information, score = np.zeros((2, 2), complex), np.zeros(2, complex)
        for j in range(6):
            rows = history.job == j
            n = int(rows.sum())
            v = z[rows] * found.spread[0] @ z[rows].conj().T + np.diag(found.sigma2[0] / weight[rows])
            one = np.ones((n, 1))
            inverse = np.linalg.inv(v)
            inverse = inverse - inverse @ one @ np.linalg.inv(one.T @ inverse @ one) @ one.T @ inverse
            if j != left_out:
                information += z[rows].conj().T @ inverse @ z[rows]
                score += z[rows].conj().T @ inverse @ y[rows]
            else:
                own = (y[rows], z[rows], weight[rows])
        alpha = np.linalg.solve(information, score)
        left = own[0] - own[1] @ alpha
        left = left - np.average(left, weights=own[2])
        squares += float(np.sum(own[2] * np.abs(left) ** 2))
        dof += len(left) - 1
    seen = predict_jobs(rotor, cells, estimates)
    assert seen.error[0, 0] == pytest.approx(np.sqrt(squares / dof / 2), rel=1e-6)


def test_prediction_is_calibrated_and_better_than_nothing() -> None:
    rotor = plain_rotor()
    seen = []
    for seed in range(15):
        cells = HistoryCells(rotor, simulate(rotor, Truth.draw(rotor, seed), jobs=15, runs=5, seed=seed))
        seen.append(predict_jobs(rotor, cells, estimate_cells(cells)))
    assert np.mean([s.calibration for s in seen]) == pytest.approx(1.0, abs=0.06)
    assert np.mean([s.height_calibration for s in seen]) == pytest.approx(1.0, abs=0.06)
    assert all((s.error < s.change).all() and (s.height_error < s.height_change).all() for s in seen)


def test_own_coefficients_are_those_of_the_joint_normal_law() -> None:
    """Mean and covariance given the job's readings, from the dense joint law of coefficients and readings."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=4), jobs=8, runs=4, seed=4)
    cells = HistoryCells(rotor, history)
    found = estimate_cells(cells).vibration
    own = own_coefficients(cells.vibration_statistics, found)
    y, z, _ = dense_cell(cells)
    rows = history.job == 2
    # the type's mean as all OTHER jobs and this one have it: exact when that error is left out
    between = np.diag(found.spread[0]).astype(complex)
    flat = 1e5 * np.ones((4, 4))
    v = z[rows] @ between @ z[rows].conj().T + found.sigma2[0] * np.eye(4) + flat
    gain = between @ z[rows].conj().T @ np.linalg.inv(v)
    expected = found.alpha[0] + gain @ (y[rows] - z[rows] @ found.alpha[0])
    assert own.alpha[0, 2] == pytest.approx(expected, abs=1e-6)
    without_mean_error = replace(found, error=np.zeros_like(found.error))
    error = own_coefficients(cells.vibration_statistics, without_mean_error).error[0, 2]
    assert error == pytest.approx(between - gain @ z[rows] @ between, abs=1e-9)


def test_own_regions_hold_the_truth() -> None:
    """Of simulated aircraft, 90 % regions of own coefficients hold 86 to 94 % of the true ones."""
    rotor = plain_rotor(regimes=4, sensors=1, adjusters=2)
    held = []
    jobs, runs = 20, 4
    for seed in range(20):
        truth = Truth.draw(rotor, seed)
        rng = np.random.default_rng(900 + seed)
        history = simulate(rotor, truth, jobs, runs, seed=seed)
        own = truth.alpha[:, :, 0].T * (1 + truth.kappa * circular(rng, (jobs, 4, 2)))
        z = blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics)[:, :, 0]
        vibration = np.einsum("nra,na->nr", own[history.job], z) + truth.sd * np.sqrt(2) * circular(
            rng, (jobs * runs, 4)
        )
        cells = HistoryCells(rotor, replace(history, vibration=vibration[:, :, None]))
        seen = own_coefficients(cells.vibration_statistics, estimate_cells(cells).vibration)
        left = own - seen.alpha.swapaxes(0, 1)
        distance = np.einsum("jra,rjab,jrb->jr", left.conj(), np.linalg.inv(seen.error), left).real
        held.append(2 * distance < 7.779)  # chi-square, 4 degrees of freedom, 90 % (any table)
    assert 0.86 < np.mean(held) < 0.94


def test_an_aircraft_unlike_its_type_is_named() -> None:
    rotor = plain_rotor()
    truth = Truth.draw(rotor, seed=6)
    history = simulate(rotor, truth, jobs=20, runs=5, seed=6)
    assert not any(o.unlike for o in own_answers(*_fitted(rotor, history)))
    rows = history.job == 7
    z = blade_harmonic(history.change[rows], rotor.azimuth_deg, rotor.harmonics)
    vibration = history.vibration.copy()
    vibration[rows] += np.einsum("ars,nas->nrs", 1.2 * truth.alpha, z)
    answers = own_answers(*_fitted(rotor, replace(history, vibration=vibration)))
    assert [o.aircraft for o in answers if o.unlike] == ["job7"]
    assert np.nanmean(answers[7].departure) > 1.3


def _fitted(rotor: object, history: History) -> tuple[HistoryCells, object]:
    cells = HistoryCells(rotor, history)  # type: ignore[arg-type]
    return cells, estimate_cells(cells)


def test_the_lesson_promised_is_the_lesson_learnt() -> None:
    """Saved error against adding that very job's sums to the information, the variances held."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=7), jobs=6, runs=4, seed=7)
    rotor = replace(rotor, height_spread=1e9)  # tips weigh nothing
    cells = HistoryCells(rotor, history)
    estimates = estimate_cells(cells)
    found, amount = estimates.vibration, cells.largest_change
    now = np.diag(found.error[0]).real * amount**2
    for lesson in lessons(cells, estimates):
        a = lesson.adjuster
        gram = np.zeros((2, 2))
        gram[a, a] = amount[a] ** 2 / 2  # two runs, a change on blade 1 in between
        w = np.linalg.inv(found.sigma2[0] * np.eye(2) + gram * found.spread[0]) @ gram
        after = np.linalg.inv(np.linalg.inv(found.error[0]) + w)
        saved = 1 - np.sum(np.diag(after).real * amount**2) / now.sum()
        assert lesson.saved == pytest.approx(saved, rel=1e-6)
        assert lesson.amount == amount[a] and not lesson.unknown


def test_what_was_never_changed_teaches_first() -> None:
    rotor = plain_rotor()
    change = random_changes(rotor, 8, 5, np.random.default_rng(1))
    change[:, :, 2] = 0.0
    cells = HistoryCells(rotor, simulate(rotor, Truth.draw(rotor, seed=1), 8, 5, 1, change=change))
    first = lessons(cells, estimate_cells(cells))[0]
    assert first.adjuster == 2 and first.unknown


def test_command(tmp_path: object, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = fly_fleet("tail2", 12, seed=2)
    files = [f"{tmp_path}/runs.csv", f"{tmp_path}/adj.csv"]
    write_history(fleet.kind.rotor, *files, fleet.history, force=False)
    arguments = [
        "examine",
        "--rotor",
        str(fleet.kind.rotor_file("tail2")),
        "--runs",
        files[0],
        "--adjustments",
        files[1],
    ]
    code = run(arguments)
    text = capsys.readouterr().out
    for word in ("Does the model hold?", "predicted from the others", "against its type", "would teach"):
        assert word in text
    assert run([*arguments, "--json"]) == code
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["checks"]) == 3 * 2 and len(answer["prediction"]) == 4
    assert [a["aircraft"] for a in answer["aircraft"]] == [f"job{j}" for j in range(12)]
    warns = any(not c["holds"] for c in answer["checks"]) or any(a["unlike"] for a in answer["aircraft"])
    assert code == int(warns)


def test_one_job_alone_is_compared_with_nothing() -> None:
    rotor = plain_rotor()
    cells = HistoryCells(rotor, simulate(rotor, Truth.draw(rotor, seed=1), jobs=1, runs=3, seed=1))
    (own,) = own_answers(cells, estimate_cells(cells))
    assert np.isnan(own.p) and not own.unlike
