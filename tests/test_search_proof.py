"""The proof behind the search, part by part: every bound against what it bounds, on boxes small enough to go through.

Bounds must not pass the brute-force minimum (or a better plan is thrown away and called proven), and must be
as tight as the relaxation that they stand for, worked out by scipy or by least squares, which share no code with them.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear, minimize
from test_search import SAME, brute_force, size_of
from whole_step_problems import WholeSteps

from trackbal.search import box_qp, branching
from trackbal.search import search as search_module
from trackbal.search import supports as supports_module
from trackbal.search.additive_bounds import additive_bounds
from trackbal.search.branching import branch_and_bound
from trackbal.search.search import search
from trackbal.search.supports import promising_supports
from trackbal.search.whole_steps import Best, Problem

KINDS = ["full", "nearly parallel", "parallel", "ties", "tight"]
some_seed = st.integers(0, 2**32 - 1)
any_kind = st.sampled_from(KINDS)


def problem_of(seed: int, kind: str, n: int | None = None) -> WholeSteps:
    """Return a problem of 3 to 5 entries of a kind that is hard on bounds or on first guesses."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 6)) if n is None else n
    design = rng.normal(size=(n + 2, n))
    if kind in ("nearly parallel", "parallel"):  # adjusters that act alike, as two weight stations side by side
        apart = 1e-3 if kind == "nearly parallel" else 0.0
        for j in range(1, n):
            if rng.random() < 0.6:
                design[:, j] = rng.choice([-1.0, 1.0, 1.5]) * design[:, 0] + apart * rng.normal(size=n + 2)
    if kind == "ties":
        design = np.rint(design)
    target = design @ (3.0 * rng.normal(size=n)) + 0.4 * rng.normal(size=n + 2)
    if kind == "ties":
        target = np.rint(target)
    reach = 2 if kind == "tight" else 4
    low, high = -rng.integers(0, reach, n), rng.integers(0, reach, n)
    shut = (low == 0) & (high == 0)
    high[shut] = 1
    return WholeSteps(design, target, low, high, rng.integers(0, 2, n))


def prepared(case: WholeSteps) -> Problem:
    return Problem(*case.arguments[:5])


def grid(low, high) -> np.ndarray:
    """Return every whole point of a box that has no 0, shape (points, entries)."""
    ranges = [[v for v in range(int(a), int(b) + 1) if v != 0] for a, b in zip(low, high, strict=True)]
    points = list(itertools.product(*ranges))
    return np.array(points, dtype=float).reshape(len(points), len(ranges))


def lowest_on(case: WholeSteps, support) -> float:
    """Return the lowest cost of a plan that changes just these entries, every one of them."""
    support = list(support)
    points = grid(case.low[support], case.high[support])
    return float(np.min(np.sum((points @ case.design[:, support].T + case.target) ** 2, axis=1), initial=np.inf))


def free_minimum(case: WholeSteps, support) -> float:
    """Return the least cost on a support without bounds and whole steps, by numpy's least squares."""
    part = case.design[:, list(support)]
    x = np.linalg.lstsq(part, -case.target, rcond=None)[0]
    return float(np.sum((part @ x + case.target) ** 2))


def slack(case: WholeSteps) -> float:
    """Return what rounding may do: sums of squares of some tens, in double precision."""
    return 1e-9 * (1.0 + float(case.target @ case.target))


# ------------------------------------------------------------------------ bounds that add up entry by entry


@given(some_seed, any_kind)
@settings(max_examples=60, deadline=None)
def test_additive_bounds_never_pass_the_cheapest_plan_of_any_support(seed, kind):
    case = problem_of(seed, kind)
    problem = prepared(case)
    n = problem.lin.size
    found = additive_bounds(problem, n)
    for m in range(n + 1):
        for support in itertools.chain.from_iterable(itertools.combinations(range(n), q) for q in range(m + 1)):
            said = found.constant[m] + found.weight[m, list(support)].sum()
            assert said <= lowest_on(case, support) + slack(case), (m, support)


def relaxed_minimum(case: WholeSteps, m: int) -> float:
    """Return the least cost with the parts of their ranges that entries take summing to m at most, by scipy.

    Entries are split in a part up and a part down, so that the sum is linear.
    """
    up, down = np.maximum(case.high, 0).astype(float), np.maximum(-case.low, 0).astype(float)
    design = np.concatenate([case.design * up, -case.design * down], axis=1)
    n = design.shape[1]
    used = np.flatnonzero(np.concatenate([up, down]))
    scale = float(case.target @ case.target)

    def cost(y):
        rest = design[:, used] @ y + case.target
        return float(rest @ rest) / scale, 2.0 * design[:, used].T @ rest / scale

    start = np.full(used.size, min(1.0, m / n) / 2.0)
    limit = {"type": "ineq", "fun": lambda y: m - y.sum(), "jac": lambda y: -np.ones_like(y)}
    found = minimize(
        cost,
        start,
        jac=True,
        bounds=[(0.0, 1.0)] * used.size,
        constraints=[limit],
        method="SLSQP",
        options={"ftol": 1e-10, "maxiter": 500},
    )
    assert found.success
    return float(found.fun) * scale


@pytest.mark.parametrize("kind", ["full", "nearly parallel", "tight"])
def test_additive_bounds_come_near_the_relaxation_they_stand_for(kind):
    """Never above it, and on average within a tenth of the cost of changing nothing.

    The prices are a list, so the bound may lie below. Measured: 0.05 to 0.08; the slope where nothing is changed,
    the plainest bound of this kind, lies 0.14 to 1.3 below.
    """
    lost = []
    for seed in range(12):
        case = problem_of(seed, kind)
        problem = prepared(case)
        found = additive_bounds(problem, problem.lin.size)
        for m in range(1, problem.lin.size + 1):
            relaxed = relaxed_minimum(case, m)
            said = found.constant[m] + np.sort(found.weight[m])[:m].sum()
            assert said <= relaxed + 1e-6 * problem.constant
            lost.append((relaxed - said) / problem.constant)
    assert np.mean(lost) < 0.1


@given(some_seed)
@settings(max_examples=30, deadline=None)
def test_the_tail_of_an_additive_bound_is_the_sum_of_the_lowest_weights_that_follow(seed):
    problem = prepared(problem_of(seed, "full"))
    n = problem.lin.size
    found = additive_bounds(problem, n)
    for m, q, j in itertools.product(range(n + 1), range(n + 1), range(n)):
        after = sorted(found.weight[m, j + 1 :])
        expected = math.inf if q > len(after) else sum(after[:q])
        assert found.tail[m, q, j] == pytest.approx(expected, rel=1e-12, abs=1e-12)


# ------------------------------------------------------------------------ supports


def open_bests(problem: Problem, group, most: int) -> list[Best]:
    """Return the ladder before anything is known: nothing changed at every count."""
    return [Best(problem, group, np.zeros(problem.lin.size, dtype=int), 3_000_000) for _ in range(most + 1)]


@given(some_seed, any_kind)
@settings(max_examples=60, deadline=None)
def test_every_support_that_may_hold_a_better_plan_is_met_once_and_bounded_from_below(seed, kind):
    case = problem_of(seed, kind)
    problem = prepared(case)
    n = problem.lin.size
    met: dict[tuple[int, ...], float] = {}
    for support, bound in promising_supports(problem, open_bests(problem, case.group, n)):
        for k in range(support.shape[1]):
            key = tuple(support[:, k].tolist())
            assert key not in met
            met[key] = float(bound[k])
    for size in range(1, n + 1):
        for support in itertools.combinations(range(n), size):
            lowest = lowest_on(case, support)
            if support in met:
                assert met[support] <= lowest + slack(case)
            else:
                assert lowest > case.target @ case.target - slack(case)


def last_on_a_step(case: WholeSteps, support) -> float:
    """Return the least cost with the last entry on one of its whole steps and the others free, by least squares."""
    *others, last = support
    steps = [v for v in range(int(case.low[last]), int(case.high[last]) + 1) if v]
    best = np.inf
    for v in steps:
        rest = case.target + v * case.design[:, last]
        part = case.design[:, others]
        x = np.linalg.lstsq(part, -rest, rcond=None)[0] if others else np.zeros(0)
        best = min(best, float(np.sum((part @ x + rest) ** 2)))
    return best


@given(some_seed, st.sampled_from(["full", "tight"]))
@settings(max_examples=60, deadline=None)
def test_the_bound_of_a_support_is_the_minimum_with_its_last_entry_on_a_whole_step(seed, kind):
    """Where nothing acts alike the bound is that very number: looser would be slow, tighter would be wrong."""
    case = problem_of(seed, kind)
    problem = prepared(case)
    scale = 1.0 + float(case.target @ case.target)
    for support, bound in promising_supports(problem, open_bests(problem, case.group, problem.lin.size)):
        for k in range(support.shape[1]):
            expected = last_on_a_step(case, support[:, k].tolist())
            assert bound[k] == pytest.approx(expected, rel=1e-7, abs=1e-7 * scale)


@pytest.mark.parametrize("numbers", [1, 40, 120, 10_000])
def test_pieces_of_a_level_hold_each_of_its_supports_once_with_what_belongs_to_it(numbers, monkeypatch):
    case = problem_of(4, "full", n=8)
    problem = prepared(case)
    wanted = supports_module._Wanted(problem, open_bests(problem, case.group, 6), 1)
    levels = {-1: supports_module._root(problem, 7)}
    for _ in range(2):
        levels = supports_module._extend(wanted, levels, keep_rows=True)
    told = {}
    for last, level in levels.items():
        for k in range(level.cost.size):
            told[tuple(level.support[:, k])] = (last, level.sums[:, k], level.rows[:, :, k], level.pivots[:, k])
    assert max(level.cost.size for level in levels.values()) >= 4
    monkeypatch.setattr(supports_module, "_STATE_NUMBERS", numbers)
    met = []
    for piece in supports_module._pieces(levels):
        met += [tuple(support) for level in piece.values() for support in level.support.T]
        held = sum(level.cost.size * 5 * math.comb(level.pivots.shape[0], 2) for level in piece.values())
        assert held <= numbers or sum(level.cost.size for level in piece.values()) == 1
        for last, level in piece.items():
            for k in range(level.cost.size):
                found = (last, level.sums[:, k], level.rows[:, :, k], level.pivots[:, k])
                for one, other in zip(found, told[tuple(level.support[:, k])], strict=True):
                    np.testing.assert_array_equal(one, other)
                assert level.cost[k] == pytest.approx(free_minimum(case, level.support[:, k]), rel=1e-9)
    assert sorted(met) == sorted(told)


def test_a_singular_support_is_given_what_its_floored_pivots_may_be_worth():
    """Each pivot may have been raised by a part of the largest diagonal entry, which counts as far as an entry goes."""
    case = WholeSteps(np.diag([3.0, 1.0]), np.zeros(2), np.array([-2, -5]), np.array([4, 1]), np.arange(2))
    largest = max(9.0 * 4.0**2, 1.0 * 5.0**2)
    for size in (1, 2):
        found = prepared(case).slack(np.arange(size)[:, None])
        assert found == pytest.approx(size * box_qp.PIVOT_FLOOR * largest)


def test_supports_that_cannot_be_the_best_are_left_out():
    """With the best plans of each count known, most of the supports of a plain problem go."""
    case = problem_of(4, "full", n=8)
    problem = prepared(case)
    bests = open_bests(problem, case.group, 4)
    solved = search(*case.arguments, 4)
    for best, solution in zip(bests, solved, strict=True):
        best.offer(solution.x)
    met = sum(support.shape[1] for support, _ in promising_supports(problem, bests))
    assert met < sum(math.comb(8, m) for m in range(1, 5)) / 4


# ------------------------------------------------------------------------ quadratics over boxes


def batch_of(case: WholeSteps, support):
    problem = prepared(case)
    index = np.array(support)[:, None]
    low, high = problem.box(index)
    return box_qp.gather(problem.quad, problem.lin, problem.constant, index), low, high, problem.constant


@given(some_seed, any_kind)
@settings(max_examples=100, deadline=None)
def test_a_box_bound_never_passes_the_cheapest_whole_point_of_the_box(seed, kind):
    case = problem_of(seed, kind)
    n = case.low.size
    for size in range(1, n + 1):
        for support in itertools.combinations(range(n), size):
            batch, low, high, constant = batch_of(case, support)
            x, value, bound = box_qp.solve_box(batch, low, high, constant)
            assert (x >= low).all() and (x <= high).all()
            full = np.zeros(n)
            full[list(support)] = x[:, 0]
            assert value[0] == pytest.approx(case.cost(full), rel=1e-8, abs=slack(case))
            assert bound[0] <= lowest_on(case, support) + slack(case)


@given(some_seed)
@settings(max_examples=60, deadline=None)
def test_a_box_bound_holds_where_the_first_guess_of_what_rests_on_a_side_is_wrong(seed):
    """Entries that act much alike in boxes beside their free minimum: one is let go of its side again on the way."""
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(4, 1)) * [1.0, 1.0, rng.normal()] + 0.5 * rng.normal(size=(4, 3))
    target = design @ (15.0 * rng.normal(size=3)) + rng.normal(size=4)
    case = WholeSteps(design, target, np.zeros(3, dtype=int), rng.integers(2, 16, 3), np.zeros(3, dtype=int))
    support = [0, 1, 2]
    batch, low, high, constant = batch_of(case, support)
    _, _, bound = box_qp.solve_box(batch, np.maximum(low, 1.0), high, constant)
    assert bound[0] <= lowest_on(case, support) + slack(case)


@given(some_seed, st.sampled_from(["full", "tight"]), st.integers(0, 3))
@settings(max_examples=60, deadline=None)
def test_a_box_minimum_is_scipys_and_its_bound_no_lower(seed, kind, shrunk):
    """A split box as branching hands it down: whole sides, none of them 0; entries that do not act alike."""
    case = problem_of(seed, kind)
    support = list(range(case.low.size))
    batch, low, high, constant = batch_of(case, support)
    rng = np.random.default_rng(seed)
    for j in rng.integers(0, len(support), shrunk):
        side = rng.choice([v for v in range(int(low[j, 0]), int(high[j, 0]) + 1) if v])
        low[j, 0], high[j, 0] = (low[j, 0], side) if rng.random() < 0.5 else (side, high[j, 0])
    x, value, bound = box_qp.solve_box(batch, low, high, constant)
    apart = np.where(low == high, 1e-12 * (1.0 + np.abs(low)), 0.0)  # lsq_linear wants low < high
    oracle = lsq_linear(case.design, -case.target, ((low - apart)[:, 0], (high + apart)[:, 0]), tol=1e-12)
    lowest = 2.0 * oracle.cost
    scale = 1.0 + constant
    points = grid(low[:, 0], high[:, 0])
    whole = np.min(np.sum((points @ case.design.T + case.target) ** 2, axis=1))
    assert lowest - 1e-6 * scale <= value[0] <= lowest + 1e-6 * scale
    assert lowest - 1e-6 * scale <= bound[0] <= whole + slack(case)
    assert (x >= low).all() and (x <= high).all()


@given(some_seed, st.sampled_from(["full", "tight", "ties"]))
@settings(max_examples=60, deadline=None)
def test_minima_without_bounds_are_least_squares(seed, kind):
    case = problem_of(seed, kind)
    for size in range(1, case.low.size + 1):
        for support in itertools.combinations(range(case.low.size), size):
            batch, *_ = batch_of(case, support)
            if not batch.weak.any():
                scale = 1e-7 * (1.0 + float(case.target @ case.target))
                assert batch.free_cost[0] == pytest.approx(free_minimum(case, support), abs=scale)
                inverse = np.linalg.inv(batch.quad[:, :, 0])
                assert batch.inverse_diagonal[:, 0] == pytest.approx(np.diag(inverse), rel=1e-6)


@pytest.mark.parametrize(
    ("x", "low", "high", "expected"),
    [
        (0.3, -3, 3, 1),
        (-0.3, -3, 3, -1),
        (0.3, -3, -1, -1),
        (-0.3, 1, 3, 1),
        (1.6, -3, 3, 2),
        (9.0, -3, 3, 3),
        (-9.0, -3, 3, -3),
        (0.0, -3, 3, 1),
    ],
)
def test_the_nearest_step_is_in_the_box_and_not_zero(x, low, high, expected):
    assert box_qp.nearest_step(np.array([x]), np.array([low]), np.array([high])) == [expected]


# ------------------------------------------------------------------------ branching


def branched(case: WholeSteps, size: int) -> Best:
    """Return what branch and bound finds on all supports of a size, from no plan at all."""
    problem = prepared(case)
    best = Best(problem, case.group, np.zeros(problem.lin.size, dtype=int), 3_000_000)
    best.cost = np.inf  # so that nothing is offered before the branching
    supports = np.array(list(itertools.combinations(range(problem.lin.size), size))).T
    branch_and_bound(problem, best, supports, np.full(supports.shape[1], -np.inf))
    assert best.nodes_left > 0
    return best


@given(some_seed, any_kind)
@settings(max_examples=60, deadline=None)
def test_branching_alone_ends_at_the_brute_force_minimum_of_its_supports(seed, kind):
    case = problem_of(seed, kind)
    for size in range(1, case.low.size + 1):
        lowest = min(lowest_on(case, s) for s in itertools.combinations(range(case.low.size), size))
        assert branched(case, size).cost == pytest.approx(lowest, rel=1e-9, abs=slack(case))


@given(st.lists(st.tuples(st.integers(-3, 0), st.integers(0, 3)), min_size=1, max_size=3), st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_combinations_are_every_whole_point_without_a_zero_once(sides, boxes):
    sides = [(low, high if high > 0 or low < 0 else 1) for low, high in sides]
    low = np.array([[float(a if a < 0 else 1)] * boxes for a, _ in sides])
    high = np.array([[float(b if b > 0 else -1)] * boxes for _, b in sides])
    met: list[set[tuple[float, ...]]] = [set() for _ in range(boxes)]
    for of, values in branching._combinations(low, high):
        for k, point in zip(of.tolist(), values.T.tolist(), strict=True):
            assert tuple(point) not in met[k]
            met[k].add(tuple(point))
    expected = set(map(tuple, grid(low[:, 0], high[:, 0]).tolist()))
    assert met == [expected] * boxes


def test_branching_stops_when_its_nodes_are_spent(monkeypatch):
    """It goes on no further than the set of nodes at hand, on plain supports and on those that act alike."""
    for kind in ("full", "parallel"):
        case = problem_of(7, kind, n=5)
        problem = prepared(case)
        best = Best(problem, case.group, np.zeros(5, dtype=int), nodes_left=1)
        calls = []
        plain = branching._branch
        monkeypatch.setattr(branching, "_branch", lambda *given, f=plain, c=calls: (c.append(1), f(*given))[1])
        supports = np.array(list(itertools.combinations(range(5), 3))).T
        branch_and_bound(problem, best, supports, np.full(supports.shape[1], -np.inf))
        assert best.nodes_left <= 0
        assert len(calls) <= 1
        monkeypatch.undo()


def test_branching_goes_on_as_long_as_one_node_is_left(monkeypatch):
    """Nodes for the first boxes alone: no more. One node more: their children too."""
    case = problem_of(7, "full", n=5)
    problem = prepared(case)
    supports = np.array(list(itertools.combinations(range(5), 3))).T
    searched = []
    plain = branching._branch

    def counted(problem, best, support, batch, nodes):
        searched.append(nodes.of.size)
        return plain(problem, best, support, batch, nodes)

    monkeypatch.setattr(branching, "_branch", counted)

    def boxes(nodes_left):
        searched.clear()
        best = Best(problem, case.group, np.zeros(5, dtype=int), nodes_left)
        branch_and_bound(problem, best, supports, np.full(supports.shape[1], -np.inf))
        assert best.nodes_left == nodes_left - sum(searched)
        return list(searched)

    first, second, *_ = boxes(1_000)
    assert boxes(first) == [first]
    assert boxes(first + 1) == [first, second]


@pytest.mark.parametrize(("nodes_left", "tried"), [(0, 0), (2, 0), (3, 70), (1_000, 70)])
def test_values_of_entries_that_act_alike_are_paid_for_by_the_thirty_two(nodes_left, tried):
    """Two columns in parallel: 70 values of the second are tried, for the price of two nodes; none without these."""
    design = np.array([[1.0, 1.0], [0.0, 0.0]])
    case = WholeSteps(design, np.array([-1.5, 1.0]), np.array([-35, -35]), np.array([35, 35]), np.zeros(2, dtype=int))
    problem = prepared(case)
    best = Best(problem, case.group, np.zeros(2, dtype=int), nodes_left)
    support = np.array([[0], [1]])
    batch = box_qp.gather(problem.quad, problem.lin, problem.constant, support)
    assert batch.weak[:, 0].tolist() == [False, True]
    best.cost = np.inf  # so that nothing is left out
    yielded = list(branching._hold_weak(problem, best, support, batch, batch.weak[:, 0]))
    assert sum(nodes.of.size for _, _, nodes in yielded) == tried
    assert best.nodes_left == nodes_left - 2


# ------------------------------------------------------------------------ the best plan known


def plain_problem() -> tuple[Problem, np.ndarray]:
    """Return a problem in which two entries do the same: costs depend on x0 + x1 and on x2."""
    design = np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    target = np.array([-2.0, 0.0])
    ends = np.full(3, 5)
    return Problem(design.T @ design, design.T @ target, float(target @ target), -ends, ends), np.array([0, 0, 1])


@pytest.mark.parametrize(
    ("worse", "better", "why"),
    [
        ([1, 1, 0], [2, 0, 0], "fewer entries"),
        ([3, -1, 0], [2, 0, 0], "fewer entries"),
        ([3, -1, 0], [1, 1, 0], "the smaller total of steps"),
        ([0, 2, 0], [2, 0, 0], "the earlier entry"),
        ([0, 0, 0], [1, 0, 0], "the lower cost, whatever the entries"),
    ],
)
def test_of_equal_plans_the_smaller_wins_in_either_order(worse, better, why):
    problem, group = plain_problem()
    for first, second in ((worse, better), (better, worse)):
        best = Best(problem, group, np.array(first))
        best.offer(np.array(second))
        assert best.x.tolist() == better, why


def test_the_mean_change_decides_before_the_steps():
    """Entries 0 and 1 work against each other here; equal changes of both leave the cost, and move the mean."""
    design = np.array([[1.0, -1.0]])
    problem = Problem(design.T @ design, design.T @ np.array([-4.0]), 16.0, np.full(2, -5), np.full(2, 5))
    best = Best(problem, np.array([0, 0]), np.array([3, -1]))
    best.offer(np.array([2, -2]))
    assert best.x.tolist() == [2, -2]
    best.offer(np.array([1, -3]))
    assert best.x.tolist() == [2, -2]


def test_of_two_plans_that_differ_in_sign_alone_the_one_that_adds_wins():
    problem = Problem(np.eye(1), np.zeros(1), 4.0, np.full(1, -5), np.full(1, 5))
    for first, second in (([1], [-1]), ([-1], [1])):
        best = Best(problem, np.array([0]), np.array(first))
        best.offer(np.array(second))
        assert best.x.tolist() == [1]


@pytest.mark.parametrize(("apart", "taken"), [(0.5, True), (2.0, False)])
def test_costs_are_equal_up_to_the_stated_tolerance_and_no_further(apart, taken):
    """A smaller plan that costs more by a part of the tolerance wins; by twice the tolerance it does not."""
    constant = 100.0
    tolerance = SAME * (1.0 + constant)
    extra = apart * tolerance
    quad = np.diag([0.0, 0.0])
    lin = np.array([-1.0, -0.5 + extra / 4.0])  # one step of the first gains 2, two of the second 2 - extra
    problem = Problem(quad, lin, constant, np.full(2, -5), np.full(2, 5))
    assert problem.tolerance == pytest.approx(tolerance)
    best = Best(problem, np.array([0, 0]), np.array([0, 2]))
    best.offer(np.array([1, 0]))  # lower in cost by `extra`, and fewer steps
    assert best.x.tolist() == [1, 0]
    best = Best(problem, np.array([0, 1]), np.array([2, -2]))  # two entries, the same but for the sign
    best.cost = problem.cost(np.array([1, 0])) - extra
    best.offer(np.array([1, 0]))
    assert (best.x.tolist() == [1, 0]) is taken


def test_a_batch_offers_whole_plans_on_their_own_entries():
    problem, group = plain_problem()
    best = Best(problem, group, np.zeros(3, dtype=int))
    support = np.array([[0, 1], [2, 2]])
    x = np.array([[1.0, 2.0], [1.0, -1.0]])
    costs = np.array([problem.cost(np.array([1, 0, 1])), problem.cost(np.array([0, 2, -1]))])
    best.offer_batch(support, x, costs)
    assert best.x.tolist() == [0, 2, -1]


# ------------------------------------------------------------------------ whole ladders without good first plans


@pytest.fixture
def without_first_plans(monkeypatch):
    """The ladder starts from nothing at every count, so that only enumeration and branching can find the plans."""
    monkeypatch.setattr(search_module, "_local_search", lambda problem, best, m: None)


def assert_ladder_is_brute_force(case: WholeSteps) -> None:
    most = case.low.size
    for m, ((lowest, size), found) in enumerate(
        zip(brute_force(case, most), search(*case.arguments, most), strict=True)
    ):
        assert found.proven
        assert found.cost == pytest.approx(lowest, rel=1e-9, abs=slack(case)), m
        assert tuple(size_of(found.x[None], case.group)[0].tolist()) == size


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("block", range(3))
def test_ladders_without_first_plans_are_the_brute_force_minimum(kind, block, without_first_plans):
    for seed in range(1000 + 12 * block, 1012 + 12 * block):
        assert_ladder_is_brute_force(problem_of(seed, kind))


@pytest.mark.parametrize("kind", KINDS)
def test_ladders_gone_through_in_small_pieces_are_the_brute_force_minimum(kind, without_first_plans, monkeypatch):
    """As a large problem is: more supports than one set of array operations holds, and more boxes, and more state."""
    monkeypatch.setattr(branching, "_CHUNK", 2)
    monkeypatch.setattr(supports_module, "_STATE_NUMBERS", 1)
    for seed in range(2000, 2012):
        assert_ladder_is_brute_force(problem_of(seed, kind))


@pytest.mark.parametrize("first", range(3))
def test_of_equal_plans_in_different_pieces_the_smaller_wins(first, monkeypatch):
    """Three entries that act alike, of one, two and four steps; whichever is searched first, one step is taken."""
    monkeypatch.setattr(branching, "_CHUNK", 1)
    steps = np.roll([4, 2, 1], first)
    case = WholeSteps(1.0 / steps[None, :], np.array([-1.0]), np.zeros(3, dtype=int), np.full(3, 9), np.arange(3))
    best = Best(prepared(case), case.group, np.zeros(3, dtype=int), 100)
    branch_and_bound(prepared(case), best, np.array([[0, 1, 2]]), np.zeros(3))
    assert best.x.tolist() == (steps == 1).astype(int).tolist()


@given(some_seed, any_kind)
@settings(max_examples=40, deadline=None)
def test_ladders_with_first_plans_are_the_brute_force_minimum(seed, kind):
    assert_ladder_is_brute_force(problem_of(seed, kind))


def test_the_first_plan_is_not_always_the_best():
    """These problems test the proof, not the first guess: local search alone misses the optimum in some of them."""
    missed = 0
    for seed in range(1000, 1036):
        case = problem_of(seed, "nearly parallel")
        problem = prepared(case)
        for m, (lowest, _) in enumerate(brute_force(case, 3)):
            best = Best(problem, case.group, np.zeros(problem.lin.size, dtype=int))
            if m:
                search_module._local_search(problem, best, m)
            missed += best.cost > lowest + slack(case)
    assert missed >= 3


# ------------------------------------------------------------------------ what is called proven


def test_a_count_after_one_that_was_cut_short_is_not_called_proven(monkeypatch):
    """Its own supports were gone through, but those of the smaller count, which it may use as well, were not."""
    case = problem_of(3, "full", n=5)
    plain = branch_and_bound

    def tired(problem, best, support, bound):
        plain(problem, best, support, bound)
        if len(support) == 2:
            best.nodes_left = 0

    monkeypatch.setattr(search_module, "branch_and_bound", tired)
    monkeypatch.setattr(search_module, "_local_search", lambda problem, best, m: None)
    assert [s.proven for s in search(*case.arguments, 4)] == [True, True, False, False, False]
