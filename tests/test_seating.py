"""Seating: every order and every weight against plain loops, the ISO formula against published examples, sheets."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import plain_rotor

from trackbal.base.errors import InputError
from trackbal.commands.group import run as run_command
from trackbal.runs.rotor import Adjuster, Hardware, Piece, Rotor
from trackbal.seating.moments import MOMENT_UNITS, read_moments
from trackbal.seating.order import best_order, orders
from trackbal.seating.seat import seat
from trackbal.seating.unbalance import permissible_unbalance

OZ_IN = 0.45359237 / 16 * 0.0254  # kg m


def test_iso_constant_in_ounce_inches():
    """U = 6.015 G W / N oz in, W in lb: balance standards comparison, Energy-Tech magazine; four figures."""
    assert permissible_unbalance(1.0, 0.45359237, 1.0) / OZ_IN == pytest.approx(6.015, abs=5e-4)


def test_iso_compressor_of_1000_lb():
    """1000 lb, 15,000 rpm, G 2.5: 1.0 oz in in all. Energy-Tech magazine, balance standards comparison; 2 figures."""
    assert permissible_unbalance(2.5, 453.59237, 15000.0) / OZ_IN == pytest.approx(1.0, abs=0.05)


def test_iso_blower_of_1000_lb():
    """1000 lb, 2000 rpm, G 6.3: 19.2 oz in, read from a chart 1.3 % above the formula.

    Comparison of ISO, API and Navy balance specifications, example 4 (training text on balancing, author not shown).
    """
    assert permissible_unbalance(6.3, 453.59237, 2000.0) / OZ_IN == pytest.approx(19.2, abs=0.3)


def drawn(n, seed, spread=0.01):
    rng = np.random.default_rng(seed)
    return 100.0 + spread * rng.normal(size=n) + 1j * spread * rng.normal(size=n)


def every_order(moment, azimuth_deg, hub):
    turn = np.exp(-1j * np.deg2rad(azimuth_deg))
    found = [abs(moment[list(p)] @ turn + hub @ turn) for p in itertools.permutations(range(len(moment)))]
    return min(found)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 7])
@pytest.mark.parametrize("with_hub", [False, True])
def test_the_order_is_the_best_of_all(n, with_hub):
    moment, azimuth = drawn(n, n), np.arange(n) * 360.0 / n
    hub = drawn(n, 50 + n) - 100.0 if with_hub else np.zeros(n, dtype=complex)
    found = best_order(moment, azimuth, hub)
    assert abs(found.residual) == pytest.approx(every_order(moment, azimuth, hub), abs=1e-10)
    assert sorted(found.blade_at.tolist()) == list(range(n))
    turn = np.exp(-1j * np.deg2rad(azimuth))
    assert found.residual == pytest.approx(complex(moment[found.blade_at] @ turn + hub @ turn), abs=1e-10)
    factorial = int(np.prod(np.arange(1, n + 1)))
    assert found.orders == (factorial if with_hub else factorial // n)
    assert len(orders(n, fixed=not with_hub)) == found.orders


def test_uneven_positions_are_not_alike_when_turned():
    azimuth = np.array([0.0, 70.0, 180.0, 250.0])
    moment = drawn(4, 3, spread=1.0)
    found = best_order(moment, azimuth, np.zeros(4, dtype=complex))
    assert found.orders == 24
    assert abs(found.residual) == pytest.approx(every_order(moment, azimuth, np.zeros(4)), abs=1e-9)


def test_beyond_eight_blades_halves_meet(monkeypatch):
    """The search in halves gives what listing every order gives, with and without a hub; nine blades by both."""
    from trackbal.seating import order

    azimuth = np.arange(9) * 40.0
    for seed, hub in ((1, np.zeros(9, dtype=complex)), (2, drawn(9, 77) - 100.0)):
        moment = drawn(9, seed)
        halves = best_order(moment, azimuth, hub)
        turn = np.exp(-1j * np.deg2rad(azimuth))
        listed = orders(9, fixed=not hub.any())
        assert abs(halves.residual) == pytest.approx(np.abs(moment[listed] @ turn + hub @ turn).min(), abs=1e-10)
    monkeypatch.setattr(order, "EVERY", 3)
    moment = drawn(6, 4)
    found = best_order(moment, np.arange(6) * 60.0, np.zeros(6, dtype=complex))
    assert abs(found.residual) == pytest.approx(every_order(moment, np.arange(6) * 60.0, np.zeros(6)), abs=1e-10)


def weighted_rotor(n, **changes):
    station = Adjuster("hub_weight", "weight", "g", 10.0, 0.0, 60.0, 60.0, "add", "remove")
    station = replace(station, hardware=Hardware(radius_m=0.4), **changes)
    return replace(plain_rotor(blades=n), adjusters=(station,))


@pytest.mark.parametrize("n", [3, 4, 5])
def test_order_and_weights_together_are_the_best_of_all(n):
    """Every order times every one and two weights, in plain loops."""
    rotor, moment = weighted_rotor(n), drawn(n, 20 + n)
    hub = np.zeros(n, dtype=complex)
    found = seat(rotor, moment, hub)
    turn = np.exp(-1j * np.deg2rad(rotor.azimuth_deg))
    left = np.array([moment[list(p)] @ turn for p in itertools.permutations(range(n))])
    adds = [[1e-3 * 0.4 * amount * turn[p] for amount in range(10, 61, 10)] for p in range(n)]
    one = [w for at in adds for w in at]
    two = [a + b for i, j in itertools.combinations(range(n), 2) for a in adds[i] for b in adds[j]]
    best = np.abs(left).min()
    for rung, sums in zip(found.rungs, ([0.0], one, two), strict=True):
        best = min(best, min(np.abs(left + s).min() for s in sums))
        assert rung.proven
        assert abs(rung.residual) == pytest.approx(best, abs=1e-10)
        made = complex(moment[rung.blade_at] @ turn + 4e-4 * rung.weights[0] @ turn)
        assert made == pytest.approx(rung.residual, abs=1e-10)


def test_weights_in_pieces_are_those_that_can_be_fitted():
    rotor = weighted_rotor(4, pieces=(Piece("A", 20.0, 1), Piece("B", 30.0, 1)), step=10.0)
    found = seat(rotor, drawn(4, 9), np.zeros(4, dtype=complex))
    fitted = set(np.unique(np.concatenate([rung.weights.ravel() for rung in found.rungs])).tolist())
    assert fitted <= {0.0, 20.0, 30.0, 50.0}


def test_the_fewest_weights_inside_the_limit_are_recommended():
    rotor, moment = weighted_rotor(5), drawn(5, 31)
    plain = seat(rotor, moment, np.zeros(5, dtype=complex))
    sizes = [abs(r.residual) for r in plain.rungs]
    assert sizes[0] > sizes[1]
    found = seat(rotor, moment, np.zeros(5, dtype=complex), limit=0.5 * (sizes[0] + sizes[1]))
    assert (found.recommended, found.inside) == (1, True)
    assert not seat(rotor, moment, np.zeros(5, dtype=complex), limit=sizes[0] / 2, most=0).inside


def test_units_of_moments(tmp_path):
    rotor = plain_rotor(blades=2)
    for unit, factor in MOMENT_UNITS.items():
        (tmp_path / "m.csv").write_text(f"blade,span_moment [{unit}],chord_moment [{unit}]\n2,3,-1\n1,2,0.5\n")
        np.testing.assert_allclose(read_moments(rotor, tmp_path / "m.csv"), factor * np.array([2 + 0.5j, 3 - 1j]))
    assert MOMENT_UNITS["lb in"] == pytest.approx(0.011521246, rel=1e-7)
    assert MOMENT_UNITS["oz in"] == pytest.approx(OZ_IN)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("blade,span_moment\n1,2\n2,3\n", "a unit in brackets"),
        ("blade,span_moment [kg m]\n1,2\n", "no blade 2"),
        ("blade,span_moment [kg m]\n1,2\n1,3\n", "each blade once"),
        ("blade,span_moment [kg m]\n1,2\n2,x\n", "expected a number"),
        ("blade,weight\n1,2\n2,3\n", "span_moment"),
    ],
)
def test_a_wrong_sheet_is_one_clear_line(tmp_path, text, said):
    (tmp_path / "m.csv").write_text(text)
    with pytest.raises(InputError, match=said):
        read_moments(plain_rotor(blades=2), tmp_path / "m.csv")


def test_the_command_says_what_no_order_cures(tmp_path, capsys):
    from trackbal.virtual import VirtualType

    file = VirtualType.rotor_file("main7")
    rows = "".join(f"{b},{1500 + 0.9 * b**2}\n" for b in range(1, 8))
    (tmp_path / "m.csv").write_text("blade,span_moment [kg m]\n" + rows)
    asked = ["seat", "--rotor", str(file), "--moments", str(tmp_path / "m.csv"), "--grade", "6.3", "--mass", "2000"]
    assert run_command([*asked, "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] == "over"
    assert answer["orders_compared"] == 720
    assert answer["limit_kgm"] == pytest.approx(1e-3 * 6.3 * 2000 / (Rotor.load(file).rpm * np.pi / 30))
    assert run_command(asked) == 1
    text = capsys.readouterr().out
    assert "NOT INSIDE" in text
    assert "Blade 7 is farthest" in " ".join(text.split())


@pytest.mark.parametrize(("typed", "doubtful"), [(-1500.4, True), (150.04, True), (1500.4, False)])
def test_a_moment_of_another_sign_or_unit_is_doubted(tmp_path, capsys, typed, doubtful):
    from trackbal.virtual import VirtualType

    file = VirtualType.rotor_file("main4")
    rows = "".join(f"{b},{value}\n" for b, value in enumerate([1500.1, typed, 1499.8, 1500.0], 1))
    (tmp_path / "m.csv").write_text("blade,span_moment [kg m]\n" + rows)
    run_command(["seat", "--rotor", str(file), "--moments", str(tmp_path / "m.csv"), "--json"])
    cautions = json.loads(capsys.readouterr().out)["cautions"]
    assert any(c.startswith("Doubtful: blade 2") for c in cautions) is doubtful


def test_moments_against_a_master_blade_differ_as_they_may():
    """Given as differences they are near nothing, of either sign, and none is doubted for that."""
    rotor = plain_rotor(blades=4)
    found = seat(rotor, np.array([0.02, -0.11, 0.07, -0.03], dtype=complex), np.zeros(4, dtype=complex))
    assert found.doubtful == ()


def test_the_order_stands_where_the_screen_ends(tmp_path, capsys):
    """Cautions alone fill one; the order must not have scrolled off."""
    from trackbal.virtual import VirtualType

    rows = "".join(f"{b},{1500 + 0.01 * b**2}\n" for b in range(1, 8))
    (tmp_path / "m.csv").write_text("blade,span_moment [kg m]\n" + rows)
    run_command(["seat", "--rotor", str(VirtualType.rotor_file("main7")), "--moments", str(tmp_path / "m.csv")])
    last = capsys.readouterr().out.splitlines()[-23:]
    assert any("seat the blades in this order" in line for line in last) and last[-1].startswith("  position 7")
