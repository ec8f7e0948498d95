"""Pieces of an estimate worked out by hand: floors of noise, jobs that count, spreads pooled and made relative."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trackbal.estimate import estimate as estimate_module
from trackbal.estimate.estimate import (
    Floor,
    PriorKnowledge,
    _pooled_spread,
    _relative,
    _support,
    _total,
    _unexplained,
    estimate,
    sample_jobs,
)
from trackbal.estimate.identification import identify
from trackbal.estimate.job_statistics import CellStatistics, by_aircraft
from trackbal.estimate.mixed import noise_floor, plain_noise, stack

NOTHING = Floor(np.array([0.5]), np.zeros(1), np.zeros(1))


def cell_of(
    z: NDArray[np.float64], y: NDArray[np.float64], repeats: tuple[float, float] = (0.0, 0.0)
) -> CellStatistics:
    """Return the sums of a cell of jobs of as many runs each: z (J, n, A) and y (J, n)."""
    z, y = z - z.mean(axis=1, keepdims=True), y - y.mean(axis=1, keepdims=True)
    runs = np.full(len(z), z.shape[1])
    moment, squares = np.einsum("jna,jn->ja", z, y), np.einsum("jn,jn->j", y, y)
    return CellStatistics(np.einsum("jna,jnb->jab", z, z), moment, squares, runs - 1.0, runs, *repeats)


@pytest.mark.parametrize(
    ("sigma2", "dof", "expected"),
    [
        (0.0, 0.0, 7.0),  # nobody says anything: what is assumed
        (0.0, 0.5, 7.0),
        (0.0, 0.6, 2.0),  # told, and told to be nothing: what the user states, as few runs tell it
        (0.0, 4.9, 2.0),
        (0.0, 5.0, 0.1),  # many do: the digit of the instrument
        (1.0, 4.9, 2.0),
        (3.0, 4.9, 3.0),
        (1.0, 5.0, 1.0),
        (0.05, 50.0, 0.1),
        (3.0, 0.0, 3.0),  # a prior's
    ],
)
def test_no_noise_is_below_its_floor(sigma2: float, dof: float, expected: float) -> None:
    floor = Floor(np.array([7.0]), np.array([2.0]), np.array([0.1]))
    assert floor.under(np.array([sigma2]), np.array([dof])) == pytest.approx([expected])


def test_jobs_and_runs_count_where_an_adjuster_was_seen_to_move() -> None:
    """The first adjuster moves by up to 20, in jobs 0 and 2; the second by rounding errors only in job 1."""
    gram = np.zeros((3, 2, 2))
    gram[:, 0, 0] = [100.0, 400.0 * 0.9e-14, 400.0 * 1.1e-14]
    gram[:, 1, 1] = [5.0, 1e-17, 7.0]
    cell = CellStatistics(gram, np.zeros((3, 2)), np.zeros(3), np.zeros(3), np.array([2, 3, 5]), 0.0, 0.0)
    jobs, runs = _support([cell, cell], np.array([20.0, 1.0]))
    assert jobs.tolist() == [[2, 2]] * 2
    assert runs.tolist() == [[7, 7]] * 2


def test_a_relative_spread_is_the_mean_over_the_sensors_that_tell_one() -> None:
    """First adjuster: (1 + 3) / (2 + 6) and 9 / 4, second only the second sensor's 1 / 4, third none."""
    between = np.array([[1.0, 5.0, 0.0], [3.0, 5.0, 0.0], [9.0, 1.0, 0.0]])
    size2 = np.array([[2.0, 0.0, 0.0], [6.0, 0.0, 0.0], [4.0, 4.0, 0.0]])
    found = _relative(between, size2, np.array([0, 0, 1]))
    assert found == pytest.approx([(0.5 + 2.25) / 2.0, 0.25, 0.0])  # squares


def test_spreads_of_history_and_prior_are_pooled_by_jobs_less_one() -> None:
    history, jobs = np.array([[2.0, 2.0, 2.0, 2.0]]), np.array([[4, 1, 4, 4]])
    free = np.array([True, True, False, True])
    assert _pooled_spread(history, None, free, jobs).tolist() == [[2.0, 0.0, 0.0, 2.0]]
    known = np.array([[True, True, True, False]])
    split = PriorKnowledge(np.full((1, 4), 5.0), known, True, 7.0, np.zeros(1))
    together = (3.0 * 2.0 + 6.0 * 5.0) / 9.0
    assert _pooled_spread(history, split, free, jobs)[0] == pytest.approx([together, 5.0, 5.0, 2.0])
    assumed = PriorKnowledge(np.full((1, 4), 5.0), known, False, 7.0, np.zeros(1))  # only where history tells none
    assert _pooled_spread(history, assumed, free, jobs)[0] == pytest.approx([2.0, 0.0, 5.0, 2.0])
    of_one = PriorKnowledge(np.full((1, 4), 5.0), known, True, 1.5, np.zeros(1))  # counts as one at least
    assert _pooled_spread(history, of_one, free, jobs)[0, 0] == pytest.approx((3.0 * 2.0 + 5.0) / 4.0)


@pytest.mark.parametrize(
    ("cells", "most", "expected"),
    [(2, 8, [0, 3, 6, 9]), (2, 20, list(range(10))), (2, 19, [0, 1, 2, 3, 4, 5, 6, 7, 9]), (9, 8, [0, 4, 9])],
)
def test_the_sample_is_evenly_spaced_jobs_three_at_least(
    monkeypatch: pytest.MonkeyPatch, cells: int, most: int, expected: list[int]
) -> None:
    monkeypatch.setattr(estimate_module, "COMPONENT_SAMPLE", most)
    cell = CellStatistics(
        np.zeros((10, 1, 1)), np.zeros((10, 1)), np.zeros(10), np.arange(10.0), np.arange(10), 3.0, 2.0
    )
    sample = sample_jobs([cell] * cells)
    if most == 19:  # nine of ten jobs: the ends, and as even as may be
        assert len(sample[0].runs) == 9 and {0, 9} <= set(sample[0].runs.tolist())
    else:
        assert sample[0].runs.tolist() == expected
    assert len(sample) == cells and (sample[-1].repeat_squares, sample[-1].repeat_dof) == (3.0, 2.0)
    assert sample[0].dof.tolist() == sample[0].runs.tolist()


def test_what_is_left_over_is_per_degree_of_freedom() -> None:
    """Readings 0, 2, 4 where 0, 1, 2 steps at 1.5 a step were predicted: -0.5, 0, 0.5 about the mean, of 2 degrees."""
    cell = cell_of(np.array([[[0.0], [1.0], [2.0]]]), np.array([[0.0, 2.0, 4.0]]))
    assert _unexplained([_total(cell)], np.array([[1.5]])) == pytest.approx([0.25])
    empty = cell_of(np.zeros((1, 1, 1)), np.zeros((1, 1)))
    assert np.isnan(_unexplained([_total(empty)], np.array([[1.5]]))).all()


def test_plain_noise_is_least_squares_with_the_scatter_of_repeats() -> None:
    """Against numpy's least squares on two jobs of four runs: 6 degrees less 2 coefficients, and 5 of the repeats."""
    rng = np.random.default_rng(3)
    z, y = rng.normal(size=(2, 4, 2)), rng.normal(size=(2, 4))
    cell = _total(cell_of(z, y, (1.25, 5.0)))
    centred, read = (z - z.mean(axis=1, keepdims=True)).reshape(8, 2), (y - y.mean(axis=1, keepdims=True)).ravel()
    left = float(np.linalg.lstsq(centred, read, rcond=None)[1][0])
    known = identify(cell.gram, np.ones(2))
    data = stack([cell], known.column, known.null)
    sigma2, dof = plain_noise(data)
    assert dof == pytest.approx([9.0])
    assert sigma2 == pytest.approx([(left + 1.25) / 9.0])
    assert noise_floor(data) == pytest.approx([1e-8 * (float(read @ read) + 1.25) / 11.0])


def cells_of_one_run_more(slope: float, jobs: int) -> CellStatistics:
    """Return jobs of two runs of one adjuster, noise of size 0.1 in turn up and down: each job has one change."""
    z = np.array([[[0.0], [1.0 + j]] for j in range(jobs)])
    y = np.array([[0.0, slope * (1.0 + j) + 0.1 * (-1.0) ** j] for j in range(jobs)])
    return cell_of(z, y)


def test_a_noise_is_assumed_only_where_neither_history_nor_prior_tells_one() -> None:
    """One job of two runs tells the coefficient and no noise: the prior's, else the floor's; several tell their own."""
    one, two = cells_of_one_run_more(2.0, 1), cells_of_one_run_more(2.0, 4)
    known = np.zeros((1, 1), dtype=bool)
    floor = Floor(np.array([0.5]), np.zeros(1), np.zeros(1))
    prior = PriorKnowledge(np.zeros((1, 1)), known, True, 4.0, np.array([0.3]))
    for cells, knows, assumed, sigma2 in (([one], None, True, 0.5), ([one], prior, False, 0.3)):
        found = estimate(cells, np.ones(1), np.zeros(1, dtype=int), floor, knows)
        assert found.assumed.tolist() == [assumed]
        assert found.sigma2 == pytest.approx([sigma2])
        assert found.noise_dof == pytest.approx([0.0])
    found = estimate([two], np.ones(1), np.zeros(1, dtype=int), floor, spread=False)
    assert not found.assumed.any() and found.noise_dof == pytest.approx([3.0])
    z, y = np.array([1.0, 2.0, 3.0, 4.0]), 2.0 * np.array([1.0, 2.0, 3.0, 4.0]) + 0.1 * np.array([1, -1, 1, -1])
    left = y - z * (z @ y) / (z @ z)
    assert found.sigma2 == pytest.approx([float(left @ left) / 2.0 / 3.0])
    assert found.alpha[0] == pytest.approx([(z @ y) / (z @ z)])


def test_jobs_of_one_aircraft_add_up_in_the_order_of_their_first() -> None:
    z, y = np.arange(8.0).reshape(4, 2, 1) ** 2, np.arange(8.0).reshape(4, 2) ** 3
    cell = cell_of(z, y, (1.0, 2.0))
    (found,) = by_aircraft([cell], ["b", "a", "b", "c"])
    for name in ("gram", "moment", "squares", "dof", "runs"):
        whole = getattr(cell, name)
        np.testing.assert_allclose(getattr(found, name), np.stack([whole[0] + whole[2], whole[1], whole[3]]))
    assert (found.repeat_squares, found.repeat_dof) == (1.0, 2.0)
    assert by_aircraft([cell], ["a", "b", "c", "d"])[0] is cell


def test_a_sample_tells_the_noise_as_surely_as_all_jobs_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """Components are estimated on 10 of 40 jobs; the noise still rests on about the degrees of freedom of all."""
    rng = np.random.default_rng(8)
    z = rng.normal(size=(40, 5, 1))
    slope = 2.0 + 0.3 * rng.normal(size=(40, 1))
    cell = cell_of(z, z[..., 0] * slope + 0.1 * rng.normal(size=(40, 5)))
    dof = []
    for most in (1_000, 10):
        monkeypatch.setattr(estimate_module, "COMPONENT_SAMPLE", most)
        found = estimate([cell], np.ones(1), np.zeros(1, dtype=int), NOTHING)
        assert found.sigma2 == pytest.approx([0.01], rel=0.4)  # of 30 degrees: standard error 26 %
        dof += found.noise_dof.tolist()
    assert 110.0 < dof[0] < 160.0  # 160 less one coefficient, less what the spread takes of 40 jobs
    assert dof[1] == pytest.approx(dof[0], rel=0.1)


def test_a_prior_spread_serves_where_no_noise_is_told() -> None:
    known = np.ones((1, 1), dtype=bool)
    prior = PriorKnowledge(np.full((1, 1), 0.2), known, True, 4.0, np.array([0.3]))
    found = estimate([cells_of_one_run_more(2.0, 1)], np.ones(1), np.zeros(1, dtype=int), NOTHING, prior)
    assert found.spread == pytest.approx(np.array([[0.2]]))
    assert not found.assumed.any()
