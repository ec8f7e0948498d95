"""Noise and spread against a dense restricted likelihood, statsmodels and least squares."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from invented_fleet import Truth, plain_rotor, simulate
from numpy.typing import NDArray
from scipy.optimize import minimize, nnls
from scipy.stats import chi2, t
from statsmodels.regression.mixed_linear_model import MixedLM

from trackbal.base.phasor import blade_harmonic
from trackbal.estimate import mixed
from trackbal.estimate.estimate import Estimate, PriorKnowledge, _filled_noise, _parts, _total
from trackbal.estimate.identification import identify
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells
from trackbal.estimate.mixed import Components, climb, restricted_inverse, solve, stack
from trackbal.fitting import fit as fitting
from trackbal.fitting.fit import estimate_cells, fit
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History


class DenseCell:
    """One vibration cell with its full covariance matrix, job starts as dummies: no algebra of ours."""

    def __init__(self, rotor: Rotor, history: History, r: int, s: int) -> None:
        self.weight = history.vibration_count[:, r, s].astype(float)
        self.z = blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics[s])
        dummies = (history.job[:, None] == np.arange(len(history.jobs))).astype(complex)
        self.design = np.hstack([self.z, dummies])
        self.same_job = history.job[:, None] == history.job
        self.y = history.vibration[:, r, s]
        self.repeat_dof = (history.vibration_count[:, r, s] - 1).sum()
        self.repeat_squares = history.vibration_squares[:, r, s].sum()

    def solve(
        self, sigma2: float, spread: NDArray[np.float64]
    ) -> tuple[float, NDArray[np.complex128], NDArray[np.complex128]]:
        """Return restricted log-likelihood, coefficients and their covariance."""
        v = sigma2 * np.diag(1 / self.weight) + self.same_job * ((self.z * spread) @ self.z.conj().T)
        inverse = np.linalg.inv(v)
        normal = self.design.conj().T @ inverse @ self.design
        beta = np.linalg.solve(normal, self.design.conj().T @ inverse @ self.y)
        left = self.y - self.design @ beta
        value = -np.linalg.slogdet(v)[1] - np.linalg.slogdet(normal)[1] - (left.conj() @ inverse @ left).real
        value -= self.repeat_dof * np.log(sigma2) + self.repeat_squares / sigma2
        adjusters = self.z.shape[1]
        return value, beta[:adjusters], np.linalg.inv(normal)[:adjusters, :adjusters]


def by_adjuster(scale2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the parts of a spread that is in proportion to the coefficient, adjuster by adjuster: (A, C, A)."""
    parts: NDArray[np.float64] = np.eye(scale2.shape[1])[:, None, :] * scale2
    return parts


@pytest.fixture(scope="module")
def small() -> tuple[Rotor, History, Truth]:
    rotor = plain_rotor(blades=4, regimes=1, sensors=2, adjusters=2)
    truth = Truth.draw(rotor, seed=3, kappa=0.4)
    return rotor, simulate(rotor, truth, jobs=8, runs=5, seed=4, repeats=3), truth


def test_spread_and_noise_maximise_the_dense_restricted_likelihood(small: tuple[Rotor, History, Truth]) -> None:
    rotor, history, truth = small
    cells = HistoryCells(rotor, history).vibration_statistics
    dense = [DenseCell(rotor, history, 0, s) for s in range(2)]
    scale2 = np.abs(truth.alpha[:, 0, :].T) ** 2
    data = stack(cells, np.ones((2, 2)), np.zeros((2, 2, 2)))
    start = Components(np.full(2, 1e-3), np.full(2, 0.1))
    found = climb(data, by_adjuster(scale2), np.ones(2, dtype=bool), start)

    def loss(log_theta: NDArray[np.float64]) -> float:
        sigma2, kappa2 = np.exp(log_theta[:2]), np.exp(log_theta[2:])
        return -sum(dense[s].solve(sigma2[s], kappa2 * scale2[s])[0] for s in range(2))

    options = {"xatol": 1e-9, "fatol": 1e-12, "maxiter": 20000, "maxfev": 20000}
    best = minimize(loss, np.log([1e-3, 1e-3, 0.1, 0.1]), method="Nelder-Mead", options=options)
    ours = np.log(np.concatenate([found.sigma2, found.kappa2]))
    assert loss(ours) <= best.fun + 1e-8
    np.testing.assert_allclose(ours, best.x, atol=1e-4)  # the simplex stops at the square root of rounding

    at = solve(data, found.sigma2, found.kappa2 * scale2)
    for s in range(2):
        _, alpha, error = dense[s].solve(found.sigma2[s], found.kappa2 * scale2[s])
        np.testing.assert_allclose(at.alpha[s], alpha, rtol=1e-9)
        np.testing.assert_allclose(at.error[s], error, rtol=1e-9)
    elsewhere = solve(data, 1.3 * found.sigma2, 0.7 * found.kappa2 * scale2)
    change = loss(ours) - loss(ours + np.log([1.3, 1.3, 0.7, 0.7]))
    assert elsewhere.likelihood - at.likelihood == pytest.approx(change, rel=1e-9)


def test_no_step_lowers_the_likelihood(small: tuple[Rotor, History, Truth]) -> None:
    rotor, history, truth = small
    cells = HistoryCells(rotor, history).vibration_statistics
    scale2 = np.abs(truth.alpha[:, 0, :].T) ** 2
    data = stack(cells, np.ones((2, 2)), np.zeros((2, 2, 2)))
    start = Components(np.array([5.0, 1e-6]), np.array([1e-4, 30.0]))
    found = climb(data, by_adjuster(scale2), np.ones(2, dtype=bool), start)
    best = solve(data, found.sigma2, found.kappa2 * scale2).likelihood
    assert best > solve(data, start.sigma2, start.kappa2 * scale2).likelihood
    for factor in (0.97, 1.03):
        for i in range(2):
            moved = np.where(np.arange(2) == i, factor, 1.0)
            assert solve(data, found.sigma2 * moved, found.kappa2 * scale2).likelihood < best
            assert solve(data, found.sigma2, found.kappa2 * moved * scale2).likelihood < best


def test_spread_that_is_not_there_ends_at_zero() -> None:
    """With less scatter between jobs than noise alone would give, REML ends at the boundary."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=1)
    spreads = []
    for seed in range(6):
        truth = Truth.draw(rotor, seed=5, kappa=0.0, height_kappa=0.0)
        spreads.append(fit(rotor, simulate(rotor, truth, jobs=12, runs=4, seed=seed)).spread[0])
    assert min(spreads) == 0.0  # about half of such histories
    assert max(spreads) < 0.1


def test_heights_agree_with_statsmodels_mixedlm() -> None:
    """One adjuster, one regime: a random slope shared by the blades, starts as fixed effects.

    Heights relative to the mean tip have correlated noise; orthonormal contrasts of the
    blades (QR of the centring) make them independent, as MixedLM needs them.
    """
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=1)
    truth = Truth.draw(rotor, seed=2, height_kappa=0.5, height_sd=0.5)
    truth = replace(truth, tau=np.array([[0.8]]))
    history = simulate(rotor, truth, jobs=9, runs=4, seed=8)
    result = fit(rotor, history)

    contrast = np.linalg.qr(np.eye(4) - 0.25)[0][:, :3]
    y = (history.height[:, 0, :] @ contrast).ravel()
    slope = (history.change[:, 0, :] @ contrast).ravel()
    group = np.repeat(history.job, 3)
    cell = group * 3 + np.tile(np.arange(3), len(history.job))
    starts = (cell[:, None] == np.arange(27)).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = MixedLM(y, np.column_stack([slope, starts]), groups=group, exog_re=slope[:, None])
        reference = model.fit(reml=True, method="bfgs", gtol=1e-10)
    assert result.influence.tau[0, 0] == pytest.approx(reference.fe_params[0], rel=1e-6)
    assert result.influence.height_noise[0] == pytest.approx(np.sqrt(reference.scale), rel=1e-5)
    found = estimate_cells(HistoryCells(rotor, history)).height
    assert found.spread[0, 0] == pytest.approx(float(np.asarray(reference.cov_re)[0, 0]), rel=1e-4)
    assert np.sqrt(found.error[0, 0, 0]) == pytest.approx(reference.bse_fe[0], rel=1e-4)
    # the file's spread is wider, as a spread from nine jobs is itself uncertain
    wider = t(8).ppf(0.95) ** 2 / chi2(1).ppf(0.9)
    own = result.influence.mean_height_cov[0, 0, 0]  # type: ignore[index]
    assert own == pytest.approx(found.error[0, 0, 0], rel=1e-9)
    assert result.influence.height_cov[0, 0, 0] - own == pytest.approx(wider * found.spread[0, 0], rel=1e-9)


def test_without_spread_it_is_least_squares_with_job_dummies() -> None:
    """Coefficients, errors and noise of every cell against statsmodels OLS/WLS and numpy lstsq."""
    rotor = plain_rotor(blades=5, regimes=2, sensors=2, adjusters=3, harmonics=(1, 2))
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=4, runs=6, seed=1)
    found = estimate_cells(HistoryCells(rotor, history), spread=False)
    dummies = (history.job[:, None] == np.arange(4)).astype(float)
    for r in range(2):
        for s in range(2):
            z = np.hstack([blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics[s]), dummies])
            y = history.vibration[:, r, s]
            plain = np.linalg.lstsq(z, y, rcond=None)[0]
            c = 2 * r + s
            np.testing.assert_allclose(found.vibration.alpha[c], plain[:3], rtol=1e-8)
            real = np.block([[z.real, -z.imag], [z.imag, z.real]])
            reference = sm.OLS(np.concatenate([y.real, y.imag]), real).fit()
            np.testing.assert_allclose(found.vibration.alpha[c].real, reference.params[:3], rtol=1e-8)
            np.testing.assert_allclose(found.vibration.alpha[c].imag, reference.params[7:10], rtol=1e-8)
            assert found.vibration.sigma2[c] / 2 == pytest.approx(reference.scale, rel=1e-8)
            error = np.einsum("aa->a", found.vibration.error[c]).real / 2
            np.testing.assert_allclose(np.sqrt(error), reference.bse[:3], rtol=1e-8)
        _check_heights(history, found.height, r, dummies)


def _check_heights(history: History, found: Estimate, r: int, dummies: NDArray[np.float64]) -> None:
    contrast = np.linalg.qr(np.eye(5) - 0.2)[0][:, :4]
    y = (history.height[:, r, :] @ contrast).T.ravel()
    slopes = np.vstack([history.change @ contrast[:, k] for k in range(4)])
    reference = sm.OLS(y, np.hstack([slopes, np.kron(np.eye(4), dummies)])).fit()
    np.testing.assert_allclose(found.alpha[r], reference.params[:3], rtol=1e-8)
    np.testing.assert_allclose(np.sqrt(np.diag(found.error[r])), reference.bse[:3], rtol=1e-8)
    assert found.sigma2[r] == pytest.approx(reference.scale, rel=1e-8)


def test_repeated_readings_count_by_their_number() -> None:
    """Averages of m readings with their scatter give what the readings one by one give."""
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    rng = np.random.default_rng(6)
    single = simulate(rotor, Truth.draw(rotor, seed=6), jobs=3, runs=6, seed=6)
    times = rng.integers(1, 4, size=len(single.run))
    which = np.repeat(np.arange(len(times)), times)
    noisy = single.vibration[which] + 0.05 * (rng.normal(size=(len(which), 1, 1)) + 0j)
    apart = replace(
        single,
        job=single.job[which],
        run=np.arange(len(which)),
        vibration=noisy,
        vibration_count=np.ones((len(which), 1, 1), dtype=int),
        vibration_squares=np.zeros((len(which), 1, 1)),
        height=single.height[which],
        height_count=single.height_count[which],
        height_squares=single.height_squares[which],
        change=single.change[which],
    )
    mean = np.array([noisy[which == i].mean(axis=0) for i in range(len(times))])
    squares = np.array([(np.abs(noisy[which == i] - mean[i]) ** 2).sum(axis=0) for i in range(len(times))])
    count = np.broadcast_to(times[:, None, None], (len(times), 1, 1)).copy()
    averaged = replace(single, vibration=mean, vibration_count=count, vibration_squares=squares)
    one, other = fit(rotor, apart).influence, fit(rotor, averaged).influence
    np.testing.assert_allclose(one.alpha, other.alpha, rtol=1e-6)
    np.testing.assert_allclose(one.vibration_noise, other.vibration_noise, rtol=1e-6)
    np.testing.assert_allclose(one.vibration_cov, other.vibration_cov, rtol=1e-3, atol=1e-12)


def test_large_history_estimates_components_on_a_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    rotor = plain_rotor(blades=4, regimes=1, sensors=2, adjusters=2)
    truth = Truth.draw(rotor, seed=9)
    history = simulate(rotor, truth, jobs=600, runs=4, seed=9)
    whole = fit(rotor, history)
    monkeypatch.setattr("trackbal.estimate.estimate.COMPONENT_SAMPLE", 400)
    sampled = fit(rotor, history)
    assert (sampled.spread != whole.spread).all()
    np.testing.assert_allclose(sampled.spread, truth.kappa, rtol=0.15)  # 200 jobs x 2 cells: 5 % standard error
    np.testing.assert_allclose(whole.spread, truth.kappa, rtol=0.1)
    size = np.abs(truth.alpha).max()
    assert np.abs(sampled.influence.alpha - whole.influence.alpha).max() < 0.002 * size


def test_statistics_of_a_cell_total_what_all_runs_hold() -> None:
    """The sums over jobs are those of the centred runs, computed here run by run."""
    rotor = plain_rotor(blades=3, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=3, runs=3, seed=1, repeats=3)
    cell: CellStatistics = HistoryCells(rotor, history).vibration_statistics[0]
    gram = np.zeros((2, 2), dtype=complex)
    z = blade_harmonic(history.change, rotor.azimuth_deg, 1)
    for j in range(3):
        rows = history.job == j
        w = history.vibration_count[rows, 0, 0]
        centred = z[rows] - (w[:, None] * z[rows]).sum(axis=0) / w.sum()
        gram += centred.conj().T @ (w[:, None] * centred)
    np.testing.assert_allclose(_total(cell).gram[0], gram, rtol=1e-12)
    assert not identify(gram[None], np.array([10.0, 10.0])).unknown.any()


def test_a_job_without_a_reading_tells_nothing_of_the_noise() -> None:
    """Degrees of freedom: runs read less one, of a complex reading or of the tips about their mean."""
    rotor = plain_rotor(blades=3, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=3, runs=4, seed=1)
    unread, once = history.job == 0, (history.job == 1) & (history.run > 1)
    count = np.where((unread | once)[:, None], 0, history.height_count)
    height = np.where(count[..., None] > 0, history.height, np.nan)
    cell_count = np.where((unread | once)[:, None, None], 0, history.vibration_count)
    vibration = np.where(cell_count > 0, history.vibration, np.nan)
    partly = replace(history, height=height, height_count=count, vibration=vibration, vibration_count=cell_count)
    cells = HistoryCells(rotor, partly)
    assert cells.height_statistics[0].dof.tolist() == [0.0, 0.0, 6.0]
    assert cells.vibration_statistics[0].dof.tolist() == [0.0, 0.0, 3.0]
    tips, whole = cells.height_statistics[0], HistoryCells(rotor, history).height_statistics[0]
    assert tips.squares.tolist() == [0.0, 0.0, whole.squares[2]]
    np.testing.assert_array_equal(tips.moment, [[0.0, 0.0]] * 2 + [whole.moment[2].tolist()])


def test_the_even_part_of_a_spread_is_the_mean_square_of_its_own_sensor() -> None:
    """Two sensors of two cells, a hundred times apart; a cell that an adjuster does nothing to has no part in it."""
    size2 = np.array([[1.0, 4.0], [3.0, 0.0], [100.0, 0.0], [300.0, 0.0]])
    groups = np.array([0, 0, 1, 1])
    parts, estimated = _parts(size2, np.zeros_like(size2), groups, apart=True)
    assert estimated.tolist() == [False, *[True] * 6]
    np.testing.assert_array_equal(parts[1:3], by_adjuster(size2))
    first, second = [2.0, 2.0, 0.0, 0.0], [0.0, 0.0, 200.0, 200.0]
    alone = [4.0, 0.0, 0.0, 0.0]  # of the second adjuster: the one cell it acts on
    none = [0.0] * 4
    np.testing.assert_array_equal(parts[3:5], [np.transpose([first, none]), np.transpose([none, alone])])
    np.testing.assert_array_equal(parts[5:], [np.transpose([second, none]), np.transpose([none, none])])
    together, _ = _parts(size2, np.zeros_like(size2), groups, apart=False)
    np.testing.assert_array_equal(together[3], np.transpose([np.add(first, second), none]))


def test_a_cell_that_tells_no_noise_takes_its_priors_else_its_groups_else_none() -> None:
    """The group's is the mean of those of its cells that tell one, by degrees of freedom: (2 * 1 + 1 * 4) / 3."""
    sigma2, dof = np.array([1.0, 50.0, 9.0, 4.0, 7.0]), np.array([2.0, 0.5, 3.0, 1.0, 0.0])
    groups = np.array([0, 0, 1, 0, 2])
    np.testing.assert_allclose(_filled_noise(sigma2, dof, groups, None), [1.0, 2.0, 9.0, 4.0, 0.0])
    none = np.zeros((5, 1))
    prior = PriorKnowledge(none, none > 0, True, 4.0, np.array([0.0, 0.0, 0.3, 0.0, 0.2]))
    np.testing.assert_allclose(_filled_noise(sigma2, dof, groups, prior), [1.0, 2.0, 9.0, 4.0, 0.2])


@pytest.mark.parametrize("lost", [0, 1, 2])
def test_the_restricted_inverse_is_that_of_the_known_directions(lost: int) -> None:
    """Inverse and log-determinant against the matrix written in a basis of what is known."""
    rng = np.random.default_rng(lost)
    turn = np.linalg.qr(rng.normal(size=(4, 4)) + 1j * rng.normal(size=(4, 4)))[0]
    root = rng.normal(size=(4, 6)) + 1j * rng.normal(size=(4, 6))
    information = 7.0 * root @ root.conj().T
    gone, known = turn[:, :lost], turn[:, lost:]
    inverse, log_determinant = restricted_inverse(information[None], (gone @ gone.conj().T)[None])
    inner = known.conj().T @ information @ known
    np.testing.assert_allclose(inverse[0], known @ np.linalg.inv(inner) @ known.conj().T, atol=1e-12)
    assert log_determinant[0] == pytest.approx(np.linalg.slogdet(inner)[1], rel=1e-10)


@pytest.mark.parametrize("kappa", [0.15, 0.0])
def test_a_spread_comes_with_an_error_that_it_keeps_and_is_not_told_where_it_is_none(kappa: float) -> None:
    rotor = plain_rotor(adjusters=2)
    off, told, least = [], 0, np.inf
    for seed in range(30):
        truth = Truth.draw(rotor, 50, kappa=kappa, height_kappa=kappa)
        found = estimate_cells(HistoryCells(rotor, simulate(rotor, truth, 12, 4, seed=seed)))
        for part in (found.vibration, found.height):
            off += ((part.kappa**2 - kappa**2) / part.kappa2_error).tolist()
            told += int((part.kappa**2 > part.kappa2_error).sum())
            of_aircraft = np.sqrt(2.0 / 11.0) * part.kappa**2  # of 12 whose readings all depart together
            assert (part.kappa2_error >= of_aircraft * (1.0 - 1e-12)).all()
            least = min(least, *(part.kappa2_error / np.maximum(of_aircraft, 1e-12)))
    if kappa:
        assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.7  # of one standard error
        assert told > 80  # of 120
        assert least == pytest.approx(1.0, rel=1e-9)
    else:
        assert told < 40


def test_the_noise_at_a_given_spread_maximises_the_dense_restricted_likelihood(
    small: tuple[Rotor, History, Truth],
) -> None:
    rotor, history, truth = small
    spread = 0.16 * np.abs(truth.alpha[:, 0, :].T) ** 2
    data = stack(HistoryCells(rotor, history).vibration_statistics, np.ones((2, 2)), np.zeros((2, 2, 2)))
    found = mixed.noise_at(data, spread, np.full(2, 1e-2))
    for s in range(2):
        dense = DenseCell(rotor, history, 0, s)
        best = minimize(lambda v, d=dense, s=s: -d.solve(float(np.exp(v[0])), spread[s])[0], [np.log(1e-3)]).x
        assert found[s] == pytest.approx(float(np.exp(best[0])), rel=mixed.NOISE_SETTLED)


@pytest.mark.parametrize("exchanges", [30, 1])
def test_least_squares_without_negative_entries_are_those_of_scipy(
    exchanges: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the exchanges do not settle, and scipy is asked."""
    monkeypatch.setattr(mixed, "MOST_EXCHANGES", exchanges)
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(60):
        matrix, target = rng.normal(size=(9, 6)), rng.normal(size=9)
        found, expected = mixed.nonnegative_least_squares(matrix, target), nnls(matrix, target)[0]
        np.testing.assert_allclose(found, expected, atol=1e-12)
        held += int((expected == 0.0).sum())
    assert held > 60


def test_all_is_estimated_again_only_without_a_job_that_may_hide_a_wrong_reading(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One reading ten times too large in ten jobs: only without its own job does the noise fall."""
    rotor = plain_rotor(blades=4, regimes=2, sensors=2, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=3), jobs=10, runs=6, seed=4)
    wrong = history.vibration.copy()
    row = int(np.flatnonzero(history.job == 7)[2])
    wrong[row, 1, 0] *= 30.0
    again: list[int] = []

    def noted(cells: HistoryCells, *others: object) -> Estimate:
        again.append(bool(cells.history.vibration_count[cells.history.job == 7].any()))
        return estimate_cells(cells, *others)  # type: ignore[arg-type, return-value]

    monkeypatch.setattr(fitting, "estimate_cells", noted)
    for vibration, expected in ((history.vibration, []), (wrong, [False])):
        again.clear()
        cells = HistoryCells(rotor, replace(history, vibration=vibration))
        found = estimate_cells(cells)
        better = fitting.unmasked(cells, found, None, fitting.noise_floor(rotor))
        assert again == expected
        assert (better.vibration.sigma2[2] < found.vibration.sigma2[2] / 9.0) == bool(expected)
