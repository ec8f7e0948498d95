"""Correlations of departures, and faults, estimated from fleets that were drawn with known ones."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from invented_rotor import ROTOR
from test_own_aircraft import NOISE, TIP_NOISE, A, B, Fleet, R, S, even_departures, invented_influence

from trackbal.aircraft.entries import RunEntries, basis_of, entries_of
from trackbal.aircraft.posterior import posterior
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.errors import InputError
from trackbal.estimate.blade_differences import find_blade_differences
from trackbal.estimate.identification import identify
from trackbal.estimate.job_statistics import CellStatistics
from trackbal.estimate.likeness import as_correlation, family_likeness, find_likeness
from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures_file import departures_document
from trackbal.influence.influence_writer import influence_document, influence_text
from trackbal.runs.run import History


def scores_of(rng, regimes, sensors, jobs, noise):
    """Return (score, information, departure) of jobs whose departures have the given correlations."""
    r, s = len(regimes), len(sensors)
    root = np.kron(np.linalg.cholesky(regimes), np.linalg.cholesky(sensors))
    design = rng.normal(size=(jobs, 5, A)) + 1j * rng.normal(size=(jobs, 5, A))
    size = 0.3 * np.exp(2j * np.pi * rng.random((r * s, A)))
    normal = lambda *shape: (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)  # noqa: E731
    relative = np.einsum("cd,dja->cja", root, normal(r * s, jobs, A))
    readings = np.einsum("jta,ca,cja->cjt", design, size, relative) + noise * normal(r * s, jobs, 5)
    cov = noise**2 * np.eye(5) + np.einsum("jta,ca,jua->cjtu", design, np.abs(size) ** 2, design.conj())
    weighed = np.linalg.solve(cov, np.broadcast_to(design, (r * s, jobs, 5, A)))
    score = np.einsum("cjta,cjt->cja", weighed.conj(), readings)
    information = np.einsum("cjta,jtb->cjab", weighed.conj(), design)
    return score, information, size


def test_correlations_between_regimes_and_sensors_are_found():
    regimes = np.array([[1.0, 0.2, 0.2], [0.2, 1.0, 0.9], [0.2, 0.9, 1.0]])
    sensors = np.array([[1.0, 0.5], [0.5, 1.0]])
    found = find_likeness(*scores_of(np.random.default_rng(2), regimes, sensors, 400, 0.3), (3, 2))
    assert found.regimes == pytest.approx(regimes, abs=0.08)
    assert found.sensors == pytest.approx(sensors, abs=0.08)


def test_departures_that_share_nothing_are_found_to_share_next_to_nothing():
    found = find_likeness(*scores_of(np.random.default_rng(3), np.eye(3), np.eye(2), 400, 0.3), (3, 2))
    assert np.abs(found.regimes - np.eye(3)).max() < 0.08
    assert np.abs(found.sensors - np.eye(2)).max() < 0.08


@pytest.mark.parametrize("jobs", [2, 4])
def test_of_few_jobs_the_mean_that_is_taken_from_them_costs_one(jobs):
    """Jobs of one design, so that the type's coefficients are the mean of theirs: as a sum of squares over n - 1."""
    rng, regimes, cells = np.random.default_rng(4), np.array([[1.0, 0.6], [0.6, 1.0]]), 60
    departure = np.full((2 * cells, A), 1.0 + 0.0j)
    normal = (rng.normal(size=(2, cells, jobs, A)) + 1j * rng.normal(size=(2, cells, jobs, A))) / np.sqrt(2.0)
    relative = np.einsum("rs,scja->rcja", np.linalg.cholesky(regimes), normal).reshape(2 * cells, jobs, A)
    information = np.broadcast_to(np.eye(A), (2 * cells, jobs, A, A))
    score = relative - relative.mean(axis=1, keepdims=True)
    found = find_likeness(score, information, departure, (2, cells))
    assert found.regimes[0, 1] == pytest.approx(0.6, abs=0.12)  # three standard errors of 60 cells of 2 adjusters


def test_a_correlation_matrix_is_left_as_it_is_and_others_made_one():
    whole = np.array([[1.0, 0.5, 0.2], [0.5, 1.0, 0.3], [0.2, 0.3, 1.0]])
    assert as_correlation(whole) == pytest.approx(whole, rel=1e-12)
    made = as_correlation(np.array([[1.0, 0.9, 0.9], [0.9, 1.0, -0.9], [0.9, -0.9, 1.0]]))
    assert np.diag(made) == pytest.approx(1.0, rel=1e-12) and np.linalg.eigvalsh(made).min() > 0.0


@pytest.mark.parametrize("twin", [False, True])
def test_correlations_of_a_family_are_those_of_its_readings_written_out(twin):
    """Scores and information with every job's covariance of readings written out, in the adjusters' own units.

    `twin`: a third adjuster always moved with the first, so that neither is known, and neither tells anything.
    """
    rng, jobs, runs = np.random.default_rng(6), 40, 4
    z = rng.normal(size=(2, jobs, runs, A)) * [20.0, 0.5]
    alpha, spread, sigma2 = rng.normal(size=(2, A)) / [20.0, 0.5], np.array([[1e-2, 8.0], [2e-2, 5.0]]), [0.3, 0.2]
    alike = np.linalg.cholesky([[1.0, 0.5], [0.5, 1.0]])
    departure = (
        np.einsum("cd,dja->cja", alike, rng.normal(size=(2, jobs, A))) * (np.sign(alpha) * np.sqrt(spread))[:, None]
    )
    if twin:
        departure = np.concatenate([departure, departure[..., :1]], axis=-1)
        z = np.concatenate([z, z[..., :1]], axis=-1)
        alpha, spread = np.concatenate([alpha, alpha[:, :1]], axis=1), np.concatenate([spread, spread[:, :1]], axis=1)
    known = np.array([0.0, 1.0, 0.0]) if twin else np.ones(2)
    y = np.einsum("cjna,cja->cjn", z, alpha[:, None] + departure) + 0.5 * rng.normal(size=(2, jobs, runs))
    z, y = z - z.mean(axis=2, keepdims=True), y - y.mean(axis=2, keepdims=True)
    cov = np.einsum("cjna,ca,cjma->cjnm", z, spread, z) + np.multiply.outer(sigma2, np.eye(runs))[:, None]
    left = y - np.einsum("cjna,ca->cjn", z, alpha)
    score = np.einsum("cjna,cjn->cja", z, np.linalg.solve(cov, left[..., None])[..., 0])
    information = np.einsum("cjna,cjnb->cjab", z, np.linalg.solve(cov, z))
    wanted = find_likeness(score, information, known * np.sqrt(spread) * np.sign(alpha), (2, 1))
    read = np.full(jobs, runs)
    cells = [
        CellStatistics(
            np.einsum("jna,jnb->jab", z[c], z[c]),
            np.einsum("jna,jn->ja", z[c], y[c]),
            np.einsum("jn,jn->j", y[c], y[c]),
            read - 1.0,
            read,
            0.0,
            0.0,
        )
        for c in range(2)
    ]
    told = identify(np.array([cell.gram.sum(axis=0) for cell in cells]), np.array([20.0, 0.5, 20.0])[: alpha.shape[1]])
    found = SimpleNamespace(identification=told, sigma2=np.array(sigma2), spread=spread, alpha=alpha)
    assert 0.05 < wanted.regimes[0, 1] < 0.95  # neither limit
    assert family_likeness(cells, found, (2, 1)).regimes == pytest.approx(wanted.regimes, rel=1e-9)


@pytest.mark.parametrize(("tips", "share"), [(0.3, 0.0), (1.5, 0.0), (1.5, 0.7)])
def test_blade_differences_and_the_unexplained_are_found_from_first_runs(tips, share):
    influence = invented_influence()
    truth = replace(even_departures(0.6, fault=(25.0, 2.0), rest_alike=share), unexplained_height=tips)
    fleet = Fleet(influence, truth, 7)
    starts = [fleet.read(*fleet.draw()) for _ in range(120)]
    found = find_blade_differences(ROTOR, influence, truth, starts)
    # three standard errors of 120 times 3 numbers
    assert found.blade_differences == pytest.approx(truth.blade_differences, rel=0.12)
    # three of 120 times 8, noise taken off, is 0.1; what regimes share passes in part for blade differences
    assert found.unexplained == pytest.approx(truth.unexplained, rel=0.15)
    # three of 120 times R (B - 1) numbers about their mean, of variance tips^2 + TIP_NOISE^2, that taken off
    error = (tips**2 + TIP_NOISE**2) * np.sqrt(2.0 / (120 * R * (B - 1)))
    assert found.unexplained_height**2 == pytest.approx(tips**2, abs=3.0 * error)


def shares(entries, alike):
    """Return what a unit of each variance adds to a first run's covariance, shape (A + 2 (S + 1), D, D)."""
    about_mean = np.eye(B) - 1.0 / B
    size, cells = entries.values.size, 2 * len(entries.regime)
    result = []
    for a in range(A):
        effect = entries.effect[:, a * B : (a + 1) * B]
        result.append(effect @ about_mean @ effect.T)
    limit = np.tile(ROTOR.vibration_limit[entries.regime, entries.sensor], 2)
    half = ROTOR.height_limit[entries.height_regime] / 2.0
    for regimes, heights in ((np.eye(R), np.eye(R)), (alike.regimes, alike.heights)):
        for s in range(S):
            mine = np.where(np.tile(entries.sensor == s, 2), 1.0 / limit, 0.0)
            part = np.kron(np.eye(2), regimes[np.ix_(entries.regime, entries.regime)]) * np.outer(mine, mine)
            result.append(np.zeros((size, size)))
            result[-1][:cells, :cells] = part
        tips = np.zeros((size, size))
        between = heights[np.ix_(entries.height_regime, entries.height_regime)] / np.outer(half, half)
        tips[cells:, cells:] = np.kron(between, about_mean)
        result.append(tips)
    return np.array(result)


def test_what_nothing_explains_is_never_found_to_be_0():
    """Where there is none, it comes out near what so many first runs could have missed: neither 0 nor large."""
    influence = invented_influence()
    truth = replace(even_departures(0.6, fault=(25.0, 2.0)), unexplained=np.zeros(S), unexplained_height=0.0)
    fleet = Fleet(influence, truth, 3)
    for jobs in (6, 60):
        found = find_blade_differences(ROTOR, influence, truth, [fleet.read(*fleet.draw()) for _ in range(jobs)])
        # a variance is told to within that of the noise and sqrt(2 / numbers), far less well what regimes share
        could_miss = NOISE**2 * np.sqrt(2.0 / (jobs * 2 * R))
        assert (found.unexplained**2 > 0.05 * could_miss).all()
        assert (found.unexplained < (2.0 if jobs == 6 else 1.0) * NOISE).all()


def test_the_blade_differences_found_are_the_most_likely():
    """Against the likelihood of all first runs written out: no variance a little off makes them more probable."""
    influence, truth = invented_influence(), even_departures(0.6, fault=(25.0, 2.0), rest_alike=0.5)
    fleet = Fleet(influence, truth, 8)
    starts = [fleet.read(*fleet.draw()) for _ in range(30)]
    found = find_blade_differences(ROTOR, influence, truth, starts)
    model = TypeModel.of(ROTOR, influence, found)
    # the departures of the coefficients come in at the best estimate of the blade differences and stay as they are
    rest = np.array([*found.unexplained, found.unexplained_height]) ** 2
    part = np.array([*found.unexplained_alike, found.unexplained_height_alike])
    best = np.concatenate([found.blade_differences**2, rest * (1.0 - part), rest * part])
    at_best = []
    for start in starts:
        entries = entries_of(model, start)
        seen = RunEntries(0, entries, np.zeros((A, B)), np.zeros(A * B), basis_of(model, entries))
        share = shares(entries, truth)
        at_best.append((entries.values, posterior(model, (seen,)).cov - np.tensordot(best, share, axes=1), share))

    def loss(variances):
        total = 0.0
        for values, fixed, share in at_best:
            cov = fixed + np.tensordot(variances, share, axes=1)
            total += np.linalg.slogdet(cov)[1] + values @ np.linalg.solve(cov, values)
        both = variances[A:].reshape(2, -1).sum(axis=0)
        return total - np.log(both).sum()  # times the standard deviations of what is left unexplained

    for k in range(best.size):
        for factor in (0.9, 1.1):  # departures are taken at an estimate that is settled to less
            off = best.copy()
            off[k] *= factor
            assert loss(off) > loss(best) - 0.02  # some are next to 0 and act on nothing


KEYS = ("blade_differences", "unexplained", "unexplained_height", "setting_error", "unexplained_alike")


def test_an_adjuster_that_does_nothing_here_tells_no_blade_difference():
    full = invented_influence()
    alpha, tau = full.alpha.copy(), full.tau.copy()
    alpha[1], tau[1] = 0.0, 0.0
    influence = replace(full, alpha=alpha, tau=tau)
    truth = even_departures(0.6, fault=(25.0, 2.0))
    fleet = Fleet(influence, truth, 7)
    found = find_blade_differences(ROTOR, influence, truth, [fleet.read(*fleet.draw()) for _ in range(60)])
    assert found.blade_differences == pytest.approx([25.0, 0.0], rel=0.3)


def test_only_what_nothing_explains_is_kept_off_0():
    """Blades that do not differ in an adjuster are found so, where its variance would climb to what it cannot be."""
    influence, truth = invented_influence(), even_departures(0.6, fault=(25.0, 0.0))
    found = []
    for seed in (7, 8, 9):
        fleet = Fleet(influence, truth, seed)
        starts = [fleet.read(*fleet.draw()) for _ in range(40)]
        found.append(find_blade_differences(ROTOR, influence, truth, starts).blade_differences[1])
    assert min(found) < 1e-3


def invented_history(jobs, runs, seed):
    influence, truth = invented_influence(), even_departures(0.5)
    fleet, rng = Fleet(influence, truth, seed), np.random.default_rng(seed)
    read, change = [], []
    for _ in range(jobs):
        alpha, tau, fault, rest, rest_height = fleet.draw()
        total = np.zeros((A, B))
        for _ in range(runs):
            read.append(fleet.read(alpha, tau, fault + total, rest, rest_height))
            change.append(total.copy())
            total[rng.integers(A), rng.integers(B)] += rng.choice([-1.0, 1.0]) * rng.integers(1, 4)
            total[0] += 20.0 * rng.integers(-2, 3, B)
    stack = lambda name: np.array([getattr(run, name) for run in read])  # noqa: E731
    return History(
        tuple(f"J{j}" for j in range(jobs)),
        np.repeat(np.arange(jobs), runs),
        np.tile(np.arange(1, runs + 1), jobs),
        stack("vibration"),
        stack("vibration_count"),
        stack("vibration_squares"),
        stack("height"),
        stack("height_count"),
        stack("height_squares"),
        np.array(change),
    )


@pytest.fixture(scope="module")
def fitted():
    return fit(ROTOR, invented_history(40, 4, 5)).influence


def test_a_fit_finds_what_departures_share(fitted):
    assert fitted.departures is not None
    off = fitted.departures.regimes[~np.eye(R, dtype=bool)]
    assert off.mean() == pytest.approx(0.5, abs=0.12)
    assert fitted.departures.blade_differences == pytest.approx([25.0, 2.0], rel=0.25)
    assert fitted.vibration_noise == pytest.approx(np.full((R, S), NOISE), rel=0.4)


def test_departures_survive_writing_and_reading(fitted):
    back = Influence.parse(influence_text(ROTOR, fitted), "influence.json", ROTOR)
    for name in ("regimes", "sensors", "heights", *KEYS):
        assert np.array_equal(getattr(back.departures, name), getattr(fitted.departures, name))


def test_names_may_stand_in_another_order(fitted):
    document = influence_document(ROTOR, fitted)
    given = departures_document(ROTOR, fitted.departures)
    order = [2, 0, 3, 1]
    given["regimes"] = [given["regimes"][i] for i in order]
    for key in ("between_regimes", "between_regimes_height"):
        given[key] = [[given[key][i][j] for j in order] for i in order]
    document["departures"] = given
    import json

    back = Influence.parse(json.dumps(document), "influence.json", ROTOR)
    assert np.array_equal(back.departures.regimes, fitted.departures.regimes)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("fault", [1.0], "column departures.fault: found"),
        ("fault", [1.0, -1.0], "a finite number of at least 0"),
        ("regimes", ["hover", "hover"], "some of flat_pitch, hover, cruise, descent, each once"),
        ("regimes", ["hover"], "1 rows of 1 numbers"),
        ("between_sensors", [[1.0, 2.0, 0.0]] * 3, "a correlation matrix"),
        ("between_sensors", "none", "3 rows of 3 numbers"),
        ("unexplained_height", None, "a finite number of at least 0"),
    ],
)
def test_departures_that_do_not_fit_are_refused_in_one_line(fitted, key, value, says):
    import json

    document = influence_document(ROTOR, fitted)
    document["departures"] = {**document["departures"], key: value}
    with pytest.raises(InputError, match=says) as caught:
        Influence.parse(json.dumps(document), "influence.json", ROTOR)
    assert "\n" not in str(caught.value)


def test_few_jobs_claim_nothing_of_what_departures_share():
    assert fit(ROTOR, invented_history(2, 4, 5)).influence.departures is None
