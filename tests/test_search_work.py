"""The ladder of least work: brute force, SCIP, and that conditions on supports are kept."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from whole_step_problems import invented_rotor_problem

from trackbal.search.search import search
from trackbal.search.work import Work, least_work


def work_for(problem, seed, blades):
    rng = np.random.default_rng(seed)
    kinds = len(problem.low) // blades
    minutes = rng.choice([2.0, 5.0, 7.5, 12.0, 20.0], kinds)
    return Work(np.repeat(minutes, blades), np.tile(np.arange(blades), kinds), float(rng.choice([0.0, 6.0, 15.0])))


def ladder_of(problem, work, most, allowed=None):
    solve = lambda condition, count: search(*problem.arguments, count, allowed=condition)[-1]  # noqa: E731
    return least_work(solve, most, work, 1e-9 * (1.0 + problem.arguments[2]), allowed)


def front_by_brute_force(problem, work, most, allowed=None):
    """Return the (work, cost) that no other whole plan of at most `most` entries beats, every plan tried."""
    n = len(problem.low)
    points = [(0.0, problem.cost(np.zeros(n)))]
    for m in range(1, most + 1):
        for support in combinations(range(n), m):
            if allowed is not None and not allowed(np.array(support)[:, None])[0]:
                continue
            ranges = [[v for v in range(problem.low[j], problem.high[j] + 1) if v] for j in support]
            if not all(ranges):
                continue
            values = np.array(list(product(*ranges)))
            costs = ((values @ problem.design[:, support].T + problem.target) ** 2).sum(axis=1)
            x = np.zeros(n, dtype=int)
            x[list(support)] = values[costs.argmin()]
            points.append((work.of(x), float(costs.min())))
    front, least = [], np.inf
    for minutes, cost in sorted(points):
        if cost < least - 1e-7 * (1.0 + least if np.isfinite(least) else 1.0):
            front.append((minutes, cost))
            least = cost
    return front


def small(seed):
    """Return a problem of three blades and two kinds with few steps each, so that every plan can be tried."""
    problem = invented_rotor_problem(seed, blades=3, kinds=("weight", "link"), regimes=2, sensors=2, tight=True)
    low, high = np.maximum(problem.low, -4), np.minimum(problem.high, 4)
    return type(problem)(problem.design, problem.target, low, high, problem.group)


@pytest.mark.parametrize("seed", range(12))
def test_every_amount_of_work_has_the_best_plan_of_all(seed):
    problem = small(seed)
    work = work_for(problem, seed, 3)
    found = ladder_of(problem, work, 3)
    wanted = front_by_brute_force(problem, work, 3)
    assert all(s.proven for s in found)
    assert [work.of(s.x) for s in found] == pytest.approx([minutes for minutes, _ in wanted])
    assert [s.cost for s in found] == pytest.approx([cost for _, cost in wanted])


@pytest.mark.parametrize("entry", [[0.0, 0.0, 0.0, 9.0, 9.0, 9.0], [0.0] * 6])
def test_what_takes_no_time_at_all_comes_after_the_empty_plan(entry):
    """Changes made in passing: today's readings stay the first rung, the best of what is free is the second."""
    problem, work = small(2), Work(np.array(entry), np.zeros(6, dtype=int), 0.0)
    found = ladder_of(problem, work, 3)
    assert not found[0].x.any() and all(s.proven for s in found)
    free = [minutes for minutes, _ in front_by_brute_force(problem, work, 3)]
    assert [work.of(s.x) for s in found[1:]] == pytest.approx(free)
    assert found[1].x.any() and work.of(found[1].x) == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_a_condition_on_supports_is_kept_and_the_rest_is_proven(seed):
    """No two of the first three entries at once, and no plan of the last kind on two blades."""
    problem = small(seed)

    def allowed(support):
        return ((support < 3).sum(axis=0) <= 1) & ((support >= 3).sum(axis=0) <= 1)

    by_count = search(*problem.arguments, 3, allowed=allowed)
    work = Work(np.ones(6), np.zeros(6, dtype=int), 0.0)
    front = front_by_brute_force(problem, work, 3, allowed)
    for minutes, cost in front:
        assert by_count[round(minutes)].cost == pytest.approx(cost)
    for solution in by_count:
        used = np.flatnonzero(solution.x)
        assert allowed(used[:, None])[0] and solution.proven


@pytest.mark.parametrize("seed", range(4))
def test_work_of_one_a_change_is_the_ladder_of_counts_to_the_last_digit(seed):
    problem = invented_rotor_problem(seed, blades=5, kinds=("weight", "link", "tab"), regimes=3, sensors=2)
    work = Work(np.ones(15), np.zeros(15, dtype=int), 0.0)
    by_count = search(*problem.arguments, 4)
    by_work = {round(work.of(s.x)): s for s in ladder_of(problem, work, 4)}
    for m, solution in by_work.items():
        assert (solution.x == by_count[m].x).all() and solution.cost == by_count[m].cost


@pytest.mark.parametrize("seed", [1, 2])
def test_scip_finds_no_better_plan_within_the_same_work(seed):
    oracle = pytest.importorskip("miqp_oracle", reason="pyscipopt is not installed")
    problem = invented_rotor_problem(seed, blades=4, kinds=("weight", "link", "tab"), regimes=3, sensors=2, tight=True)
    work = work_for(problem, seed + 7, 4)
    found = ladder_of(problem, work, 4)
    assert len(found) >= 4
    for solution in found[1:-1:2]:
        room = work.of(solution.x)
        x, cost, proven = oracle.solve(
            problem.design, problem.target, problem.low, problem.high, 4, solution.x, 60, (work, room)
        )
        assert proven and work.of(x) <= room + 1e-6
        assert solution.cost == pytest.approx(cost, rel=1e-5, abs=1e-6)


def test_opening_a_place_is_paid_once():
    work = Work(np.array([2.0, 2.0, 5.0, 5.0]), np.array([0, 1, 0, 1]), 10.0)
    assert work.of(np.array([1, 0, -3, 0])) == 17.0
    assert work.of_supports(np.array([[0, 0, 0], [2, 3, 1]])).tolist() == [17.0, 27.0, 24.0]
    assert work.of(np.zeros(4)) == 0.0
