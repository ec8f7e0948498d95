"""The search against brute force, and what must hold of any answer."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from whole_step_problems import WholeSteps, invented_rotor_problem

from trackbal.search import search as search_module
from trackbal.search import useful_bounds as useful_module
from trackbal.search.search import effort, search

SAME = 1e-9


def brute_force(problem, most):
    """Return, for each count, the lowest cost and the smallest (entries, mean change, steps) among equals."""
    ranges = [range(low, high + 1) for low, high in zip(problem.low, problem.high, strict=True)]
    points = np.array(list(itertools.product(*ranges)))
    costs = np.sum((points @ problem.design.T + problem.target) ** 2, axis=1)
    entries = np.count_nonzero(points, axis=1)
    answers = []
    for m in range(most + 1):
        allowed = entries <= m
        lowest = costs[allowed].min()
        equal = allowed & (costs <= lowest + SAME * (1.0 + problem.target @ problem.target))
        answers.append((lowest, min(map(tuple, size_of(points[equal], problem.group).tolist()))))
    return answers


def size_of(points, group):
    """Return (entries, mean change summed over groups, total of steps) of points, shape (k, n)."""
    mean = sum(np.abs(points[:, group == g].sum(axis=1)) for g in np.unique(group))
    return np.stack([np.count_nonzero(points, axis=1), mean, np.abs(points).sum(axis=1)], axis=1)


def assert_matches_brute_force(problem, most):
    solutions = search(*problem.arguments, most)
    assert len(solutions) == most + 1
    for m, ((lowest, size), found) in enumerate(zip(brute_force(problem, most), solutions, strict=True)):
        assert found.proven
        assert found.count_limit == m
        assert (problem.low <= found.x).all() and (found.x <= problem.high).all()
        assert found.cost == pytest.approx(problem.cost(found.x), rel=1e-9, abs=1e-9)
        assert found.cost == pytest.approx(lowest, rel=1e-9, abs=1e-9 * (1.0 + problem.target @ problem.target))
        assert tuple(size_of(found.x[None], problem.group)[0].tolist()) == size


def small_problem(seed, kind):
    """Return a problem of at most 6 entries: full rank, singular, with equal costs, or blind to the mean."""
    rng = np.random.default_rng(seed)
    blades, adjusters = [(2, 1), (3, 1), (2, 2), (3, 2), (2, 3)][seed % 5]
    n = blades * adjusters
    group = np.repeat(np.arange(adjusters), blades)
    rank = n + 2 if kind == "full" else int(rng.integers(1, n + 1))
    design = rng.normal(size=(rank, n))
    if kind == "equal costs":
        design = np.rint(2.0 * design)
    if kind == "blind to the mean":
        for a in range(adjusters):
            design[:, group == a] -= design[:, group == a].mean(axis=1, keepdims=True)
    target = design @ (4.0 * rng.normal(size=n)) + 0.3 * rng.normal(size=rank)
    if kind == "equal costs":
        target = np.rint(target)
    return WholeSteps(design, target, -rng.integers(0, 4, n), rng.integers(0, 4, n), group)


@pytest.mark.parametrize("kind", ["full", "singular", "equal costs", "blind to the mean"])
@pytest.mark.parametrize("block", range(4))
def test_every_count_is_the_brute_force_minimum(kind, block):
    for seed in range(15 * block, 15 * block + 15):
        assert_matches_brute_force(small_problem(seed, kind), 6)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["full", "singular", "equal costs", "blind to the mean"]))
@settings(max_examples=40, deadline=None)
def test_any_small_problem_is_the_brute_force_minimum(seed, kind):
    assert_matches_brute_force(small_problem(seed, kind), 4)


@pytest.mark.parametrize("tight", [False, True], ids=["wide", "tight"])
def test_two_adjustments_of_a_seven_blade_rotor_by_brute_force(tight):
    """All pairs of entries and all their steps, gone through one by one."""
    problem = invented_rotor_problem(3, kinds=("weight", "link"), tight=tight)
    quad, lin, constant, low, high, _ = problem.arguments
    best = constant
    for i, j in itertools.combinations(range(lin.size), 2):
        x, y = np.meshgrid(np.arange(low[i], high[i] + 1), np.arange(low[j], high[j] + 1))
        cost = constant + quad[i, i] * x**2 + quad[j, j] * y**2 + 2 * (quad[i, j] * x * y + lin[i] * x + lin[j] * y)
        best = min(best, cost.min())
    assert search(*problem.arguments, 2)[2].cost == pytest.approx(best, rel=1e-10)


def exhaust(problem, support):
    """Return the lowest cost on a support by trying every whole step of it but the last, which is rounded."""
    grids = np.meshgrid(*[np.arange(problem.low[j], problem.high[j] + 1) for j in support[:-1]], indexing="ij")
    points = np.stack([g.ravel() for g in grids], axis=1)
    rest = points @ problem.design[:, support[:-1]].T + problem.target
    column = problem.design[:, support[-1]]
    last = np.clip(np.rint(-rest @ column / (column @ column)), problem.low[support[-1]], problem.high[support[-1]])
    return np.min(np.sum((rest + np.outer(last, column)) ** 2, axis=1))


@pytest.mark.parametrize("seed", range(3))
def test_no_support_holds_a_better_plan_of_three(seed):
    """Tight bounds, where rounding the relaxed optimum fails: every support of three tried in full."""
    problem = invented_rotor_problem(seed, blades=4, kinds=("weight", "link"), tight=True)
    found = search(*problem.arguments, 3)[3]
    lowest = min(exhaust(problem, np.array(s)) for s in itertools.combinations(range(8), 3))
    assert found.cost == pytest.approx(lowest, rel=1e-10)


def test_costs_never_rise_with_the_count():
    costs = [s.cost for s in search(*invented_rotor_problem(5).arguments, 6)]
    assert all(b <= a for a, b in itertools.pairwise(costs))


def test_renumbering_the_entries_changes_no_cost():
    problem = invented_rotor_problem(7, blades=5, tight=True)
    order = np.random.default_rng(0).permutation(problem.low.size)
    turned = WholeSteps(
        problem.design[:, order], problem.target, problem.low[order], problem.high[order], problem.group[order]
    )
    straight = [s.cost for s in search(*problem.arguments, 5)]
    assert [s.cost for s in search(*turned.arguments, 5)] == pytest.approx(straight, rel=1e-10)


def test_the_same_problem_gives_the_same_plans():
    problem = invented_rotor_problem(8, blades=5, heights=False)
    first, second = (np.array([s.x for s in search(*problem.arguments, 6)]) for _ in range(2))
    assert (first == second).all()


def test_heights_not_read_leave_entries_that_act_alike_and_still_a_proof():
    """Vibration alone sees two numbers of an adjuster's seven; the rest are tried step by step."""
    problem = invented_rotor_problem(2, kinds=("weight", "link"), heights=False, tight=True)
    solutions = search(*problem.arguments, 5)
    assert all(s.proven for s in solutions)


def test_nothing_can_move():
    problem = small_problem(0, "full")
    still = np.zeros_like(problem.low)
    solutions = search(*problem.arguments[:3], still, still, problem.group, 3)
    assert [s.x.tolist() for s in solutions] == [[0] * still.size] * 4
    assert all(s.proven for s in solutions)


def test_more_adjustments_than_entries_repeat_the_last_plan():
    solutions = search(*small_problem(0, "full").arguments, 6)  # two entries
    assert (solutions[6].x == solutions[2].x).all()


@pytest.mark.parametrize("entries", [slice(None), slice(1, 2)], ids=["every entry", "one entry"])
@pytest.mark.parametrize(("low", "high"), [(1, 3), (-3, -1)], ids=["above", "below"])
def test_a_bound_that_excludes_zero_is_refused(low, high, entries):
    problem = small_problem(1, "full")
    lower, upper = np.full_like(problem.low, -3), np.full_like(problem.high, 3)
    lower[entries], upper[entries] = low, high
    with pytest.raises(ValueError, match="every bound must contain 0"):
        search(*problem.arguments[:3], lower, upper, problem.group, 2)


def test_a_search_cut_short_says_so_and_keeps_to_the_bounds():
    problem = invented_rotor_problem(0, tight=True)
    full = search(*problem.arguments, 4)
    cut = search(*problem.arguments, 4, most_nodes=1)
    assert not cut[4].proven
    assert cut[4].cost >= full[4].cost - 1e-9
    assert (problem.low <= cut[4].x).all() and (cut[4].x <= problem.high).all()


def test_counts_with_too_many_supports_are_not_called_proven(monkeypatch):
    problem = invented_rotor_problem(1, blades=4, kinds=("weight", "link"))
    monkeypatch.setattr(search_module, "_MOST_SUPPORTS", 8 + 28)
    solutions = search(*problem.arguments, 4)
    assert [s.proven for s in solutions] == [True, True, True, False, False]
    assert solutions[4].cost <= solutions[2].cost


@pytest.mark.parametrize("kind", ["full", "blind to the mean", "singular", "equal costs"])
def test_bounds_of_no_use_may_go(monkeypatch, kind):
    """What `useful_bounds` leaves out holds no best plan, nor one that wins among equals."""
    monkeypatch.setattr(useful_module, "WIDE", 0)
    for seed in range(10):
        assert_matches_brute_force(small_problem(seed, kind), 3)


def test_a_range_of_millions_of_steps_is_searched_as_one_of_dozens():
    for seed in range(3):
        problem = invented_rotor_problem(seed, blades=3, kinds=("weight", "link"), regimes=2, sensors=2)
        dozens, millions = (
            replace(problem, low=np.full(6, -width), high=np.full(6, width)) for width in (60, 2_000_000)
        )
        least, most = useful_module.useful_bounds(*millions.arguments[:2], *millions.arguments[3:], 1e-9)
        assert (least < 0).all() and (most > 0).all() and (most - least).max() < 2_000
        for near, far in zip(search(*dozens.arguments, 4), search(*millions.arguments, 4), strict=True):
            assert far.proven and far.nodes < 100_000
            assert far.cost <= near.cost + 1e-9
            assert np.abs(near.x).max() == 60 or np.array_equal(near.x, far.x)


def test_going_on_from_what_is_known_finds_the_same():
    """The plans of one count more, with those of fewer known, are those of a search from the beginning."""
    for seed in range(4):
        problem = invented_rotor_problem(seed, blades=4, kinds=("weight", "link"), tight=bool(seed % 2))
        whole, first = search(*problem.arguments, 5), search(*problem.arguments, 3)
        for more in (4, 5):
            first = search(*problem.arguments, more, known=first)
        for one, other in zip(first, whole, strict=True):
            assert np.array_equal(one.x, other.x) and one.proven and one.count_limit == other.count_limit
        fewer = search(*problem.arguments, 2, known=whole)  # more is known than is asked for
        assert [one.x.tolist() for one in fewer] == [one.x.tolist() for one in whole[:3]]


def test_the_effort_of_one_entry_more_counts_its_supports_too():
    """Of 9 entries there are 1, 10, 46 and 130 supports of up to 0, 1, 2 and 3; of 2 there are four in all."""
    assert effort([], 9, 2) / effort([], 9, 0) == pytest.approx(130 / 10)
    assert effort([], 9, 1) / effort([], 9, 0) == pytest.approx(46 / 10)
    assert effort([], 2, 9) / effort([], 9, 0) == pytest.approx(4 / 10)
