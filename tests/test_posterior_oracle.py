"""The posterior of one aircraft against its joint normal distribution written out as one matrix.

Every random number is named and has its place in one vector: blade differences of each job, setting errors of
each adjustment, departures of every coefficient, what nothing explains, noise. Readings are then a matrix times
that vector, and conditioning is scipy's linear algebra (Rasmussen & Williams 2006, eq. A.6, from memory).
Nothing of trackbal/aircraft is used to get there. Rotor, influence and readings are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import ROTOR
from scipy import linalg, stats
from test_own_aircraft import A, B, R, S, as_run, invented_influence

from trackbal.aircraft.entries import entries_of
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.posterior import own_aircraft
from trackbal.aircraft.surprise import held_against, surprise
from trackbal.aircraft.type_model import TypeModel
from trackbal.influence.departures import Departures
from trackbal.plan.chance import chances

LEAST = 1e-9  # variance in limits squared that the model adds to every reading
HEIGHTS = [r for r, regime in enumerate(ROTOR.regimes) if regime.heights]
HALF = ROTOR.height_limit / 2.0
VIBRATION = ROTOR.vibration_limit
CLOSE = {"rtol": 1e-8, "atol": 1e-8}
STEPS = np.array([10.0, 1.0])


def correlation(rng, n):
    """Return a correlation matrix with no two entries the same."""
    root = 0.5 * rng.normal(size=(n, n)) + 1.0
    cov = root @ root.T + np.eye(n)
    return cov / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))


def invented_type(seed, setting_error, aircraft=9):
    """Return influence with full covariances, and departures in which everything differs."""
    rng = np.random.default_rng(seed)
    influence = invented_influence(seed)
    scale = 0.08 * np.repeat(np.abs(influence.alpha).transpose(1, 2, 0), 2, axis=-1)
    cov = np.array([[correlation(rng, 2 * A) for _ in range(S)] for _ in range(R)])
    cov *= scale[..., :, None] * scale[..., None, :]
    tips = 0.1 * influence.tau.T
    height_cov = np.array([correlation(rng, A) for _ in range(R)]) * tips[:, :, None] * tips[:, None, :]
    known = np.repeat(rng.uniform(0.3, 0.9, (R, S, A)), 2, axis=-1), rng.uniform(0.3, 0.9, (R, A))  # of a deviation
    influence = replace(
        influence,
        vibration_cov=cov,
        height_cov=height_cov,
        mean_vibration_cov=known[0][..., :, None] * cov * known[0][..., None, :],
        mean_height_cov=known[1][..., :, None] * height_cov * known[1][..., None, :],
        source={"jobs": 30, "aircraft": aircraft},
        vibration_noise=rng.uniform(0.005, 0.02, (R, S)),
        height_noise=rng.uniform(0.5, 1.0, R),
    )
    rest = rng.uniform(0.01, 0.03, S)
    alike = correlation(rng, R), correlation(rng, S), correlation(rng, R)
    parts = rest, 0.4, np.array(setting_error), rng.uniform(0.2, 0.8, S), 0.6, rng.uniform(0.3, 1.0, S), 0.7, 0.12
    return influence, Departures(*alike, np.array([25.0, 2.0]), *parts)


def invented_run(rng, size=0.15):
    """Return readings of which one is missing, averaged from one to three."""
    tips = 5.0 * rng.normal(size=(R, B))
    run = as_run(size * (rng.normal(size=(R, S)) + 1j * rng.normal(size=(R, S))), tips - tips.mean(axis=1)[:, None])
    count = rng.integers(1, 4, (R, S))
    count[rng.integers(R), rng.integers(S)] = 0
    return replace(run, vibration_count=count, height_count=run.height_count * rng.integers(1, 4, R))


def invented_change(rng, runs):
    """Return adjustments summed, shape (T, A, B), some entries never touched."""
    made = STEPS[:, None] * rng.integers(-2, 3, (runs, A, B)) * rng.integers(0, 2, (runs, A, B))
    made[0] = 0.0
    return made.cumsum(axis=0)


class Dense:
    """One vector of readings of all runs, in units of the limits, and its joint normal distribution.

    A reading is (job, run, family, regime, sensor or tip, part); runs are (job, changes so far, list of readings).
    """

    def __init__(self, influence, departures, jobs):
        self.influence, self.departures, self.jobs = influence, departures, len(jobs)
        self.rows, self.values, self.noise = [], [], []
        self.made = {}
        for j, job in enumerate(jobs):
            for t, (run, change) in enumerate(zip(job.runs, job.change, strict=True)):
                self.made[j, t] = change
                for row, value, noise in readings_of(influence, departures, run):
                    self.rows.append((j, t, *row))
                    self.values.append(value)
                    self.noise.append(noise)
        self.values, self.noise = np.array(self.values), np.array(self.noise)
        self.delta_cov = self.departures_cov()
        self.prior = linalg.block_diag(
            *[f**2 * (np.eye(B) - 1.0 / B) for _ in range(self.jobs) for f in departures.blade_differences]
        )
        self.solve()

    def departures_cov(self):
        """Return the covariance of re, im of every delta, then of heights', (2 A R S + A R) squared."""
        influence, departures = self.influence, self.departures
        blocks, owns = [], []
        for r in range(R):
            for s in range(S):
                turn = np.zeros((2 * A, 2 * A))  # coordinates along and across each coefficient
                for a in range(A):
                    unit = influence.alpha[a, r, s] / abs(influence.alpha[a, r, s])
                    turn[2 * a : 2 * a + 2, 2 * a : 2 * a + 2] = [[unit.real, unit.imag], [-unit.imag, unit.real]]
                both = influence.vibration_cov[r, s], influence.mean_vibration_cov[r, s]
                owns.append(own_part(influence, *(turn @ cov @ turn.T for cov in both)))
                blocks.append(turn.T @ linalg.sqrtm(turn @ influence.vibration_cov[r, s] @ turn.T).real)
        tips = [linalg.sqrtm(influence.height_cov[r]).real for r in range(R)]
        root = linalg.block_diag(*blocks, *tips)
        shared = np.kron(np.kron(departures.regimes, departures.sensors), np.ones((2 * A, 2 * A)))
        cells, tips = np.repeat(np.arange(R * S), 2 * A), np.repeat(np.arange(R), A)
        parts = [
            (shared, cells, np.tile(np.arange(2 * A), R * S), np.concatenate(owns)),
            (
                np.kron(departures.heights, np.ones((A, A))),
                tips,
                np.tile(np.arange(A), R),
                own_part(influence, influence.height_cov, influence.mean_height_cov).ravel(),
            ),
        ]
        middle = []
        for alike, cell, coordinate, own in parts:
            together = alike * np.sqrt(np.outer(1.0 - own, 1.0 - own))
            together[np.equal.outer(cell, cell)] = 1.0
            middle.append(together * np.equal.outer(coordinate, coordinate))
        return root @ linalg.block_diag(*middle) @ root.T

    def of_unit(self, row, a, b):
        """Return what one unit of an adjuster on a blade does to a reading: the type's part, delta's row."""
        _, _, family, r, s, part = row
        delta = np.zeros(len(self.delta_cov))
        if family == "tip":
            share = (float(b == s) - 1.0 / B) / HALF[r]
            delta[2 * A * R * S + r * A + a] = share
            return self.influence.tau[a, r] * share, delta
        turn = np.exp(-1j * ROTOR.sensors[s].harmonic * np.deg2rad(90.0 * b)) / ROTOR.vibration_limit[r, s]
        at = 2 * A * (r * S + s) + 2 * a
        real, imag = (turn.real, -turn.imag), (turn.imag, turn.real)
        delta[at : at + 2] = imag if part else real
        moved = self.influence.alpha[a, r, s] * turn
        return (moved.imag if part else moved.real), delta

    def matrices(self, rows):
        """Return the type's effects (D, A B), and delta's rows for a unit of each adjuster on each blade."""
        both = [[self.of_unit(row, a, b) for a in range(A) for b in range(B)] for row in rows]
        return np.array([[e for e, _ in one] for one in both]), np.array([[d for _, d in one] for one in both])

    def own_cov(self, rows, effect):
        """Return the covariance of setting errors and of what nothing explains."""
        changed = sorted(self.made)
        errors = np.zeros((len(rows), len(changed) * A * B))
        sd = np.zeros(len(changed) * A * B)
        for k, (j, t) in enumerate(changed):
            if t:
                at = slice(k * A * B, (k + 1) * A * B)
                moved = (self.made[j, t] != self.made[j, t - 1]).astype(float)
                sd[at] = (moved * self.departures.setting_error[:, None]).ravel()
                after = np.array([row[0] == j and row[1] >= t for row in rows])
                errors[after, at] = effect[after]
        names = sorted({(row[0], *row[2:]) for row in rows})
        rest = np.zeros((len(rows), len(names)))
        for i, row in enumerate(rows):
            _, _, family, r, s, _ = row
            tip = self.departures.unexplained_height / HALF[r]
            size = tip if family == "tip" else self.departures.unexplained[s] / ROTOR.vibration_limit[r, s]
            rest[i, names.index((row[0], *row[2:]))] = size
        return errors @ np.diag(sd**2) @ errors.T + rest @ self.rest_cov(names) @ rest.T

    def rest_cov(self, names):
        """Return how what nothing explains goes together in readings: its own, and in part alike in the regimes."""
        cov = np.eye(len(names))
        for i, (j, family, r, s, part) in enumerate(names):
            for k, (other_j, other_family, q, other_s, other_part) in enumerate(names):
                if i != k and (j, family, s, part) == (other_j, other_family, other_s, other_part):
                    tip, departures = family == "tip", self.departures
                    share = departures.unexplained_height_alike if tip else departures.unexplained_alike[s]
                    cov[i, k] = share * (departures.heights if tip else departures.regimes)[r, q]
        return cov

    def joint(self, rows, fault, doubt):
        """Return effects of x, mean, rows of delta, covariance without noise, at an estimate of x and its doubt."""
        effect, unit = self.matrices(rows)
        of_job = np.zeros((len(rows), self.jobs, A * B))
        made = np.zeros((len(rows), A * B))
        for i, row in enumerate(rows):
            of_job[i, row[0]] = effect[i]
            made[i] = self.made[row[0], row[1]].ravel()
        wide = of_job.reshape(len(rows), -1)
        x = np.array([fault.reshape(self.jobs, -1)[row[0]] for row in rows]) + made
        lever = np.einsum("dk,dkn->dn", x, unit)
        cov = wide @ self.prior @ wide.T + self.own_cov(rows, effect) + lever @ self.delta_cov @ lever.T
        between = np.einsum("dkn,nm,elm->dekl", unit, self.delta_cov, unit, optimize=True)
        where = np.array([row[0] for row in rows])
        unsure = doubt.reshape(self.jobs, A * B, self.jobs, A * B)[where][:, :, where].transpose(0, 2, 1, 3)
        cov += np.einsum("dekl,dekl->de", between, unsure)  # of the product of two independent numbers
        cov += self.departures.blades_unlike**2 * np.einsum("dk,ek,dk,ek->de", effect, effect, x, x)
        for j in range(self.jobs):  # of one blade's differences in two jobs nothing is taken to go together
            doubted = np.diagonal(doubt.reshape(self.jobs, A * B, self.jobs, A * B)[j, :, j])
            of_it = effect * np.equal.outer(where, [j])
            cov += self.departures.blades_unlike**2 * (of_it * doubted) @ of_it.T
        return wide, (effect * made).sum(axis=1), lever, cov

    def solve(self):
        """Find the best estimate of x at which delta times x is taken: four rounds, as the model says."""
        found, doubt = np.zeros(len(self.prior)), np.zeros_like(self.prior)
        for _ in range(4):
            self.fault, self.doubt = found, doubt
            wide, mean, _, cov = self.joint(self.rows, found, doubt)
            cov = cov + np.diag(self.noise + LEAST)
            gain = linalg.solve(cov, wide @ self.prior, assume_a="pos").T
            found = gain @ (self.values - mean)
            doubt = self.prior - gain @ wide @ self.prior
        self.cov, self.misfit = cov, self.values - mean

    def given(self, cross, mean, cov):
        """Return mean and covariance of something normal given the readings."""
        gain = linalg.solve(self.cov, cross.T, assume_a="pos").T
        return mean + gain @ self.misfit, cov - gain @ cross.T

    def next_run(self, run, change):
        """Return what a run after another change reads, mean and covariance, noise apart; and its noises."""
        j, t = self.rows[-1][:2]
        self.made[j, t + 1] = self.made[j, t] + change
        wanted = [(j, t + 1, *row) for row, _, _ in readings_of(self.influence, self.departures, run)]
        n = len(self.rows)
        _, mean, _, cov = self.joint([*self.rows, *wanted], self.fault, self.doubt)
        return self.given(cov[n:, :n], mean[n:], cov[n:, n:])

    def coefficients(self):
        """Return delta, mean and covariance, given the readings."""
        lever = self.joint(self.rows, self.fault, self.doubt)[2]
        return self.given(self.delta_cov @ lever.T, np.zeros(len(self.delta_cov)), self.delta_cov)


def own_part(influence, cov, mean_cov):
    """Return the part of each variance that comes of the noise of past readings, so that no other cell shares it."""
    total, error = (np.diagonal(one, axis1=-2, axis2=-1) for one in (cov, mean_cov))
    return np.maximum(error - (total - error) / influence.source["aircraft"], 0.0) / total


def readings_of(influence, departures, run):
    """Return ((family, regime, sensor or tip, part), value, variance) of what was read, over the limits."""
    found = []
    for part in (0, 1):
        for r in range(R):
            for s in range(S):
                if run.vibration_count[r, s]:
                    value = (run.vibration[r, s].imag if part else run.vibration[r, s].real) / ROTOR.vibration_limit[
                        r, s
                    ]
                    noise = (influence.vibration_noise[r, s] / ROTOR.vibration_limit[r, s]) ** 2
                    noise *= departures.noise_alone[s]
                    found.append((("cell", r, s, part), value, noise / run.vibration_count[r, s]))
    for r in HEIGHTS:
        for b in range(B):
            noise = departures.noise_height_alone * (influence.height_noise[r] / HALF[r]) ** 2 / run.height_count[r]
            found.append((("tip", r, b, 0), run.height[r, b] / HALF[r], noise))
    return found


def times(departures, factor):
    """Return departures with what nothing explains so many times as large."""
    more = factor * departures.unexplained, factor * departures.unexplained_height
    return replace(departures, unexplained=more[0], unexplained_height=more[1])


def case(name):
    """Return influence, departures and jobs of one invented aircraft."""
    seed, runs, setting_error = {
        "first run": (1, (1,), (0.0, 0.0)),
        "second run": (2, (2,), (0.0, 0.0)),
        "setting errors": (3, (3,), (2.0, 0.1)),
        "an earlier job": (4, (2, 2), (2.0, 0.1)),
    }[name]
    rng = np.random.default_rng(seed)
    influence, departures = invented_type(seed, setting_error)
    jobs = [JobRuns([invented_run(rng) for _ in range(n)], invented_change(rng, n)) for n in runs]
    return influence, departures, jobs, rng


CASES = ("first run", "second run", "setting errors", "an earlier job")


@pytest.mark.parametrize("name", CASES)
def test_the_posterior_is_that_of_the_joint_distribution_written_out(name):
    influence, departures, jobs, _ = case(name)
    own = own_aircraft(TypeModel.of(ROTOR, influence, departures), jobs)
    dense = Dense(influence, times(departures, own.unlike), jobs)
    np.testing.assert_allclose(own.blade_differences.ravel(), dense.fault, **CLOSE)
    np.testing.assert_allclose(own.cov, dense.cov, **CLOSE)
    last = jobs[-1].runs[-1]
    change = STEPS[:, None] * np.array([[1, 0, -2, 0], [0, 2, 0, -1]])
    mean, cov = own.predict(entries_of(own.model, last), change)
    expected, left = dense.next_run(last, change)
    np.testing.assert_allclose(mean, expected, **CLOSE)
    np.testing.assert_allclose(cov, left, **CLOSE)
    assert np.abs(left).max() > 1e-3  # else 1e-8 would say little


@pytest.mark.parametrize("name", CASES)
def test_the_present_state_and_own_coefficients_are_those_of_the_joint_distribution(name):
    influence, departures, jobs, _ = case(name)
    own = own_aircraft(TypeModel.of(ROTOR, influence, departures), jobs)
    dense = Dense(influence, times(departures, own.unlike), jobs)
    n = len(own.state())
    signal = dense.cov - np.diag(dense.noise + LEAST)
    made = (dense.values - dense.misfit)[-n:]
    np.testing.assert_allclose(own.state(), dense.given(signal[-n:], made, signal[-n:, -n:])[0], **CLOSE)
    delta, cov = dense.coefficients()
    found = own.influence()
    cells = 2 * A * R * S
    moved = delta[:cells].reshape(R, S, A, 2)
    size, tip_size = np.abs(influence.alpha), np.abs(influence.tau)
    alpha = influence.alpha + (moved[..., 0] + 1j * moved[..., 1]).transpose(2, 0, 1)
    tau = influence.tau + delta[cells:].reshape(R, A).T
    assert np.abs((found.alpha - alpha) / size).max() < 1e-8 and np.abs((found.tau - tau) / tip_size).max() < 1e-8
    assert np.abs((alpha - influence.alpha) / size).max() > 1e-3  # the readings do tell of them
    for r in range(R):
        tips = slice(cells + A * r, cells + A * r + A)
        np.testing.assert_allclose(
            found.height_cov[r], cov[tips, tips], rtol=1e-7, atol=1e-8 * tip_size[:, r].min() ** 2
        )
        for s in range(S):
            own_part = slice(2 * A * (r * S + s), 2 * A * (r * S + s + 1))
            small = 1e-8 * size[:, r, s].min() ** 2
            np.testing.assert_allclose(found.vibration_cov[r, s], cov[own_part, own_part], rtol=1e-7, atol=small)


def test_how_unlike_the_record_an_aircraft_is_comes_of_the_density_of_its_first_run():
    """By scipy's density of the readings at each of the values tried, a log-normal before them."""
    influence, departures, jobs, rng = case("second run")
    first = JobRuns(jobs[0].runs[:1], jobs[0].change[:1])
    dense = Dense(influence, times(departures, 1.5), [first])
    drawn = linalg.cholesky(dense.cov, lower=True) @ rng.normal(size=len(dense.cov))
    run = written_over(first.runs[0], readings_of(influence, departures, first.runs[0]), drawn)
    first = JobRuns([run], first.change)
    tried = np.array([0.7, 0.85, 1.0, 1.2, 1.5, 1.9, 2.4, 3.0, 4.0])
    weight = []
    for factor in tried:
        dense = Dense(influence, times(departures, factor), [first])
        density = stats.multivariate_normal.logpdf(dense.misfit, np.zeros(len(dense.misfit)), dense.cov)
        weight.append(density + stats.norm.logpdf(np.log(factor), scale=0.7))
    weight = np.exp(np.array(weight) - max(weight))
    expected = np.exp(weight @ np.log(tried) / weight.sum())
    found = own_aircraft(TypeModel.of(ROTOR, influence, departures), [first]).unlike
    assert found == pytest.approx(expected, rel=1e-8)
    assert abs(np.log(found)) > 0.01


def free_numbers(rows):
    """Return orthonormal rows that leave the mean tip of every regime out."""
    tips = [np.array([row[2] == "tip" and row[3] == r for row in rows], dtype=float) for r in HEIGHTS]
    return linalg.null_space(np.array([t for t in tips if t.any()])).T


def written_over(run, told, values):
    """Return a run that reads some values, over the limits; tips about their mean."""
    vibration, height = run.vibration.copy(), run.height.copy()
    for ((family, r, s, part), _, _), value in zip(told, values, strict=True):
        if family == "tip":
            height[r, s] = value * HALF[r]
        else:
            parts = [vibration[r, s].real, vibration[r, s].imag]
            parts[part] = value * ROTOR.vibration_limit[r, s]
            vibration[r, s] = complex(*parts)
    return replace(run, vibration=vibration, height=height - height.mean(axis=1, keepdims=True))


def assert_alone(found, rows, expected, limit):
    assert found == pytest.approx([expected[row][0] * limit for row in rows], rel=1e-8, abs=1e-8)


@pytest.mark.parametrize("runs", [2, 3])
def test_a_surprise_is_the_mahalanobis_distance_from_the_joint_distribution(runs):
    rng = np.random.default_rng(30 + runs)
    influence, departures = invented_type(5, (2.0, 0.1), aircraft=10**8)  # they tell exactly how aircraft differ
    influence = replace(influence, departures=departures)
    change = invented_change(rng, runs)
    flown = [invented_run(rng) for _ in range(runs)]
    before = [JobRuns(flown[:-1], change[:-1])]
    unlike = own_aircraft(TypeModel.of(ROTOR, influence, departures), before).unlike
    dense = Dense(influence, times(departures, unlike), before)
    read = np.any([run.vibration_count > 0 for run in flown[:-1]], axis=0)
    now = replace(flown[-1], vibration_count=np.where(read, flown[-1].vibration_count, 0))
    told = readings_of(influence, departures, now)
    mean, cov = dense.next_run(now, change[-1] - change[-2])
    cov = cov + np.diag([noise for _, _, noise in told])
    drawn = mean + 1.1 * linalg.cholesky(cov, lower=True) @ rng.normal(size=len(mean))  # somewhat surprising
    flown[-1] = written_over(flown[-1], told, drawn)
    stack = lambda name: np.array([getattr(run, name) for run in flown])  # noqa: E731
    job = JobArrays(stack("vibration"), stack("vibration_count"), stack("height"), stack("height_count"), change)
    seen = held_against(ROTOR, job, runs - 1, range(runs - 1), influence)
    free = free_numbers([(0, 0, *row) for row, _, _ in told])
    compared = readings_of(influence, departures, replace(flown[-1], vibration_count=now.vibration_count))
    miss = free @ (np.array([value for _, value, _ in compared]) - mean)
    spread = free @ cov @ free.T
    squared = float(miss @ linalg.solve(spread, miss, assume_a="pos"))
    assert seen.dof == len(miss)
    assert seen.chi2 == pytest.approx(squared, rel=1e-8)
    weight, angle = [0.5], [stats.chi2.sf(squared, len(miss))]
    moved = np.argwhere(change[-1] - change[-2])
    for a, b in moved:  # along what each recorded adjustment does, half the weight among them
        does = free @ np.array([dense.of_unit((0, 0, *row), a, b)[0] for row, _, _ in told])
        part = float(does @ linalg.solve(spread, miss, assume_a="pos"))
        part = part**2 / float(does @ linalg.solve(spread, does, assume_a="pos"))
        weight.append(0.5 / len(moved))
        angle.append(stats.chi2.sf(part, 1))
    turned = np.tan((0.5 - np.minimum(angle, 0.99)) * np.pi)
    assert seen.p == pytest.approx(stats.cauchy.sf(np.sum(np.array(weight) * turned)), rel=1e-6)
    assert 1e-4 < seen.p < 0.9
    density = stats.multivariate_normal.logpdf(miss, np.zeros(len(miss)), spread)
    assert seen.log_likelihood == pytest.approx(density, rel=1e-8)
    expected = {row: (value, i) for i, ((row, _, _), value) in enumerate(zip(told, mean, strict=True))}
    missed = np.array([value for _, value, _ in compared]) - mean
    for r in range(R):
        for s in range(S):
            rows = [("cell", r, s, part) for part in (0, 1)]
            assert seen.vibration_compared[r, s] == (rows[0] in expected)
            if rows[0] in expected:
                assert_alone([seen.vibration[r, s].real, seen.vibration[r, s].imag], rows, expected, VIBRATION[r, s])
                at = [expected[row][1] for row in rows]
                own = cov[np.ix_(at, at)]
                assert seen.vibration_sd[r, s] == pytest.approx(np.sqrt(np.trace(own) / 2.0) * VIBRATION[r, s])
                assert seen.vibration_chi2[r, s] == pytest.approx(missed[at] @ linalg.solve(own, missed[at]), rel=1e-7)
            else:
                assert np.isnan([seen.vibration[r, s], seen.vibration_sd[r, s]]).all()
                assert seen.vibration_chi2[r, s] == 0.0
        rows = [("tip", r, b, 0) for b in range(B)]
        assert seen.height_compared[r] == (rows[0] in expected)
        if rows[0] in expected:
            assert_alone(seen.height[r], rows, expected, HALF[r])
            at = [expected[row][1] for row in rows]
            about_mean = np.eye(B) - 1.0 / B
            own = about_mean @ cov[np.ix_(at, at)] @ about_mean
            assert seen.height_sd[r] == pytest.approx(np.sqrt(np.trace(own) / (B - 1)) * HALF[r])
            alone = missed[at] @ linalg.pinvh(own, rtol=1e-9) @ missed[at]
            assert seen.height_chi2[r] == pytest.approx(alone, rel=1e-7)
        else:
            assert np.isnan([*seen.height[r], seen.height_sd[r]]).all() and seen.height_chi2[r] == 0.0
    if runs == 2:
        again = surprise(ROTOR, job, influence)
        assert again is not None and (again.chi2, again.p, again.rests_on) == (seen.chi2, seen.p, (0,))


def quieter(run):
    return replace(run, vibration=0.2 * run.vibration, height=1.4 * run.height)


@pytest.mark.parametrize("name", ["first run", "setting errors"])
def test_a_chance_is_the_part_of_draws_from_the_joint_distribution_inside_limits(name):
    """Tolerance: four standard errors of the difference of two counts, of 10,000 and of 100,000 draws."""
    influence, departures, jobs, rng = case(name)
    departures = replace(departures, blade_differences=np.array([12.0, 1.0]))
    jobs = [replace(job, runs=[quieter(run) for run in job.runs]) for job in jobs]
    own = own_aircraft(TypeModel.of(ROTOR, influence, departures), jobs)
    last = jobs[-1].runs[-1]
    best = -np.round(own.blade_differences[-1].reshape(A, B) / STEPS[:, None]) * STEPS[:, None]
    tried = np.array([0.0 * best, best, best + np.array([[0.0], [0.4]]) * np.array([1.0, -1.0, 0.0, 0.0])])
    found = chances(ROTOR, last, replace(influence, departures=departures), tried, own)
    single = replace(
        last, vibration_count=np.minimum(last.vibration_count, 1), height_count=last.height_count.clip(0, 1)
    )
    told = readings_of(influence, departures, single)
    cells = sum(row[0] == "cell" for row, _, _ in told) // 2
    expected = []
    for change in tried:
        dense = Dense(influence, times(departures, own.unlike), jobs)
        mean, cov = dense.next_run(last, change)
        cov = cov + np.diag([noise for _, _, noise in told])
        drawn = rng.multivariate_normal(mean, cov, 100_000, method="cholesky")
        inside = (np.hypot(drawn[:, :cells], drawn[:, cells : 2 * cells]) <= 1.0).all(axis=1)
        tips = drawn[:, 2 * cells :].reshape(-1, len(HEIGHTS), B)
        expected.append(np.mean(inside & (np.ptp(tips, axis=2) <= 2.0).all(axis=1)))
    expected = np.array(expected)
    error = np.sqrt(expected * (1.0 - expected) * (1.0 / 10_000 + 1.0 / 100_000))
    assert (np.abs(found - expected) <= 4.0 * error + 1e-4).all(), (found, expected)
    assert ((expected > 0.05) & (expected < 0.95)).any()  # else the test would say little
