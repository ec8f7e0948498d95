"""Entries made of pieces: every ladder proven, against every combination tried and against SCIP."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trackbal.search.choices import Choices
from trackbal.search.search import search


def invented(seed, entries, rows, lengths=(1, 6), reach=40):
    """Return (design, target, values of each entry): a few values each, far from evenly spaced."""
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(rows, entries))
    values = []
    for _ in range(entries):
        some = rng.choice(np.r_[-reach:0, 1 : reach + 1], size=int(rng.integers(*lengths)), replace=False)
        values.append(np.sort(some))
    target = -design @ np.array([rng.choice(v) for v in values]) * 0.7 + rng.normal(size=rows)
    return design, target, values


def solved(design, target, values, most, group=None):
    n = design.shape[1]
    low = np.array([min(v.min(), 0) for v in values])
    high = np.array([max(v.max(), 0) for v in values])
    group = np.arange(n) if group is None else group
    quad, lin, constant = design.T @ design, design.T @ target, float(target @ target)
    return search(quad, lin, constant, low, high, group, most, choices=values)


def every_combination(design, target, values, most):
    """Return the least cost for each count, all combinations tried."""
    best = np.full(most + 1, np.inf)
    for x in itertools.product(*(np.append(v, 0) for v in values)):
        used = np.count_nonzero(x)
        if used <= most:
            best[used] = min(best[used], float(np.sum((design @ x + target) ** 2)))
    return np.minimum.accumulate(best)


@pytest.mark.parametrize("rows", [2, 3, 8])  # 2 rows as of one pick-up: most entries act alike, factors are singular
@pytest.mark.parametrize("seed", range(6))
def test_every_rung_is_the_best_of_all_combinations(seed, rows):
    design, target, values = invented(seed, 6, rows)
    found = solved(design, target, values, 4)
    for solution, least in zip(found, every_combination(design, target, values, 4), strict=True):
        assert solution.proven
        assert solution.cost == pytest.approx(least, rel=1e-9, abs=1e-9)
        assert all(x == 0 or x in v for x, v in zip(solution.x, values, strict=True))
        assert np.count_nonzero(solution.x) <= solution.count_limit


@pytest.mark.parametrize("seed", [0, *(pytest.param(s, marks=pytest.mark.long) for s in (1, 2))])
def test_every_rung_is_that_of_a_general_solver(seed):
    """SCIP with one binary for every value of every entry."""
    pyscipopt = pytest.importorskip("pyscipopt")
    design, target, values = invented(50 + seed, 12, 10, lengths=(4, 12))
    found = solved(design, target, values, 4)
    for most in (2, 4):
        model = pyscipopt.Model()
        model.hideOutput()
        model.setParam("parallel/maxnthreads", 1)
        model.setParam("limits/gap", 1e-9)
        taken = [[model.addVar(vtype="B") for _ in v] for v in values]
        rest = [model.addVar(lb=None) for _ in range(len(design))]
        total = model.addVar(lb=0.0)
        for picks in taken:
            model.addCons(pyscipopt.quicksum(picks) <= 1)
        model.addCons(pyscipopt.quicksum(p for picks in taken for p in picks) <= most)
        for row, t, r in zip(design, target, rest, strict=True):
            moved = [
                float(c * v) * p
                for c, vs, ps in zip(row, values, taken, strict=True)
                for v, p in zip(vs, ps, strict=True)
            ]
            model.addCons(pyscipopt.quicksum(moved) + float(t) == r)
        model.addCons(pyscipopt.quicksum(r * r for r in rest) <= total)
        model.setObjective(total, "minimize")
        model.optimize()
        assert model.getStatus() in ("optimal", "gaplimit")
        assert found[most].proven
        assert found[most].cost == pytest.approx(model.getObjVal(), rel=1e-5, abs=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_choices_of_every_step_are_the_search_without_choices(seed):
    rng = np.random.default_rng(seed)
    design, target = rng.normal(size=(6, 7)), 5.0 * rng.normal(size=6)
    values = [np.r_[-4:0, 1:6]] * 7
    quad, lin, constant = design.T @ design, design.T @ target, float(target @ target)
    low, high, group = np.full(7, -4), np.full(7, 5), np.zeros(7, dtype=int)
    plain = search(quad, lin, constant, low, high, group, 5)
    listed = search(quad, lin, constant, low, high, group, 5, choices=values)
    for one, other in zip(plain, listed, strict=True):
        np.testing.assert_array_equal(one.x, other.x)


def test_values_outside_the_bounds_and_entries_without_values_are_left_alone():
    design, target = np.eye(3), np.array([-7.0, -7.0, -7.0])
    values = [np.array([3, 7]), np.array([], dtype=int), np.array([-2, 5])]
    quad, lin, constant = design.T @ design, design.T @ target, float(target @ target)
    found = search(quad, lin, constant, np.zeros(3, int), np.array([6, 9, 9]), np.zeros(3, int), 3, choices=values)
    np.testing.assert_array_equal(found[3].x, [3, 0, 5])


@given(
    st.lists(st.integers(-30, 30).filter(bool), min_size=1, max_size=8, unique=True),
    st.floats(-50, 50),
    st.data(),
)
@settings(max_examples=150, deadline=None)
def test_the_nearest_value_is_the_nearest_of_the_list(values, x, data):
    values = np.sort(np.array(values))
    i, j = sorted([data.draw(st.integers(0, values.size - 1)), data.draw(st.integers(0, values.size - 1))])
    inside = values[i : j + 1]
    found = Choices.of([values]).nearest(
        np.array([0]), np.array([x]), np.array([float(values[i])]), np.array([float(values[j])])
    )[0]
    assert found in inside
    assert abs(found - np.clip(x, inside[0], inside[-1])) == pytest.approx(
        np.abs(inside - np.clip(x, inside[0], inside[-1])).min()
    )


@given(st.lists(st.integers(-30, 30).filter(bool), min_size=1, max_size=8, unique=True), st.integers(-40, 40))
@settings(max_examples=150, deadline=None)
def test_the_values_on_both_sides_of_a_whole_number_are_those_of_the_list(values, x):
    choices, first, at = Choices.of([np.array(values)]), np.array([0]), np.array([float(x)])
    assert choices.at_most(first, at) == [max((v for v in values if v <= x), default=-np.inf)]
    assert choices.at_least(first, at) == [min((v for v in values if v >= x), default=np.inf)]
    assert choices.at_least(first, np.array([-1e15])) == [min(values)]
    assert choices.at_most(first, np.array([1e15])) == [max(values)]
