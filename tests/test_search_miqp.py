"""The search against SCIP, a general mixed-integer solver that shares nothing with it."""

from __future__ import annotations

import pytest
from miqp_oracle import solve
from whole_step_problems import invented_rotor_problem

from trackbal.search.search import search


@pytest.mark.parametrize(
    ("seed", "options"),
    [
        (0, {"blades": 4, "kinds": ("weight", "link", "tab")}),
        (1, {"blades": 5, "kinds": ("weight", "link", "tab"), "tight": True}),
        (2, {"blades": 5, "kinds": ("weight", "weight", "link"), "heights": False, "tight": True}),
        (3, {"blades": 7, "tight": True}),
        pytest.param(4, {"blades": 7}, marks=pytest.mark.long),
        pytest.param(
            1, {"blades": 8, "kinds": ("weight", "weight", "link", "tab", "tab"), "tight": True}, marks=pytest.mark.long
        ),
    ],
    ids=["4x3", "5x3-tight", "5x3-no-heights", "7x4-tight", "7x4", "8x5-tight"],
)
def test_each_count_is_the_optimum_that_a_general_solver_proves(seed, options):
    problem = invented_rotor_problem(seed, **options)
    ours = search(*problem.arguments, 4)
    start = None
    for m in range(5):
        start, cost, proven = solve(problem.design, problem.target, problem.low, problem.high, m, start, seconds=120)
        assert proven, "the general solver ran out of time"
        assert ours[m].proven
        assert ours[m].cost == pytest.approx(cost, rel=1e-6)
