"""How long the whole ladder of plans takes: pytest tests/benchmarks/test_search_speed.py --benchmark-only.

Targets: 28 entries (7 blades, 4 adjusters) 2 s, 40 entries (8 blades, 5 adjusters) 4 s. Beside
another solver the same problems are measured by measure.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))
from measured_search import FAMILIES, MOST, problems

from trackbal.search.search import search


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("family", FAMILIES)
def test_ladder(benchmark, family, seed):
    options, _ = FAMILIES[family]
    problem = problems(options, seed + 1)[seed]
    solutions = benchmark.pedantic(search, (*problem.arguments, MOST), rounds=5, warmup_rounds=1)
    assert [s.count_limit for s in solutions] == list(range(MOST + 1))
    assert all(s.proven for s in solutions)
    assert all(s.cost == pytest.approx(problem.cost(s.x)) for s in solutions)
