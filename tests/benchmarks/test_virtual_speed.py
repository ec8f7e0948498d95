"""How long a virtual run takes: pytest tests/benchmarks/test_virtual_speed.py --benchmark-only."""

from __future__ import annotations

import numpy as np
import pytest

from trackbal.virtual import VirtualType, type_names


@pytest.mark.parametrize("name", type_names())
def test_adjust_and_fly_all_regimes(benchmark, name):
    kind = VirtualType.shipped(name)
    craft, rng = kind.aircraft(1), np.random.default_rng(1)
    change = np.zeros_like(craft.setting)
    change[0, 0] = kind.rotor.adjusters[0].step
    run = benchmark(lambda: craft.adjust(change, rng).fly(rng))
    assert run.regime_read.all()


def test_build_an_aircraft(benchmark):
    kind = VirtualType.shipped("main7")
    craft = benchmark(lambda: kind.aircraft(1))
    assert craft.setting.shape == (4, 7)
