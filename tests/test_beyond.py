"""Plans beyond what was ever done or read: what is said of them, and how sure they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from page_rotors import curable_run, history_of, influence_of, rotor_of

from trackbal.fitting.fit import fit
from trackbal.influence.binding import Blind
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.plan.advice import advise
from trackbal.plan.beyond import LESS_SURE, beyond_words, largest_changes, less_sure, net_link_words, unread_words
from trackbal.plan.chance import chances

ROTOR = rotor_of(5, 3, 2)
INFLUENCE = influence_of(ROTOR)


def knowing(**largest):
    return replace(INFLUENCE, source=INFLUENCE.source | {"largest_past_change": largest})


def change_of(**amounts):
    """Return a change: adjuster -> amount on blade 2."""
    change = np.zeros((3, 5))
    for name, amount in amounts.items():
        change[ROTOR.adjuster_index(name), 1] = amount
    return change


def test_a_fit_keeps_the_largest_single_change_of_its_past(tmp_path):
    history = history_of(ROTOR, INFLUENCE, jobs=4)
    within = np.diff(history.job) == 0
    wanted = np.abs(np.diff(history.change, axis=0)[within]).max(axis=(0, 2))
    found = fit(ROTOR, history).influence
    assert largest_changes(ROTOR, found).tolist() == wanted.tolist()
    found.save(tmp_path / "i.json", ROTOR)
    assert largest_changes(ROTOR, Influence.load(tmp_path / "i.json", ROTOR)).tolist() == wanted.tolist()
    assert np.isnan(largest_changes(ROTOR, INFLUENCE)).all()  # an earlier file does not say
    prior = replace(INFLUENCE, source={"jobs": 9, "largest_past_change": {"tab": 99.0}})
    assert fit(ROTOR, history, prior).influence.source["largest_past_change"]["tab"] == 99.0


def test_a_change_larger_than_any_past_one_is_said():
    said = beyond_words(ROTOR, knowing(tip_weight=110.0, pitch_link=4.0), change_of(tip_weight=-330.0, pitch_link=4.0))
    assert len(said) == 1
    assert said[0].startswith("blade 2: remove tip weight 330 g: beyond any past change (110 g).")
    assert "balance record; do part, run again" in said[0]
    assert beyond_words(ROTOR, INFLUENCE, change_of(tip_weight=-330.0)) == []  # not known, not said


@pytest.mark.parametrize(("amount", "said"), [(5.0, 1), (4.0, 0), (-4.5, 1)])
def test_more_than_twice_the_usual_difference_is_said(amount, said):
    none = np.zeros(3), np.zeros(2), 0.0, np.ones(2), 1.0
    departures = Departures(np.eye(3), np.eye(2), np.eye(3), np.array([50.0, 2.0, 0.0]), np.zeros(2), 0.0, *none)
    found = beyond_words(ROTOR, replace(INFLUENCE, departures=departures), change_of(pitch_link=amount))
    assert len(found) == said
    if said:
        assert "more than twice what blades of the type usually differ by (2 flats)" in found[0]
        assert "rigging record" in found[0]


def test_farther_is_less_sure():
    known = knowing(tip_weight=100.0)
    assert less_sure(ROTOR, known, change_of(tip_weight=100.0, tab=4.0)) is known
    far = less_sure(ROTOR, known, change_of(tip_weight=-300.0))
    added = np.einsum("rsaa->rsa", far.vibration_cov - known.vibration_cov)[:, :, :2]
    wanted = (2.0 * LESS_SURE * np.abs(INFLUENCE.alpha[0])) ** 2 / 2.0  # two lengths of the record beyond it
    assert added == pytest.approx(np.repeat(wanted[:, :, None], 2, axis=2))
    assert (far.height_cov - known.height_cov)[:, 0, 0] == pytest.approx((2.0 * LESS_SURE * INFLUENCE.tau[0]) ** 2)
    assert (far.vibration_cov[:, :, 2:, 2:] == known.vibration_cov[:, :, 2:, 2:]).all()


def test_the_chance_of_a_plan_beyond_the_record_is_that_of_the_less_sure():
    run = curable_run(ROTOR, INFLUENCE, size=2.0)
    near, far = (advise(ROTOR, run, i, most=3) for i in (INFLUENCE, knowing(tip_weight=20.0)))
    assert [p.change.tolist() for p in near.plans] == [p.change.tolist() for p in far.plans]
    beyond = [p for p in far.plans if np.abs(p.change[0]).max() > 20.0]
    assert beyond
    for plan in beyond:
        unsure = less_sure(ROTOR, knowing(tip_weight=20.0), plan.change)
        assert plan.chance == chances(ROTOR, run, unsure, plan.change[None])[0]
    chosen = far.plans[far.recommended]
    if np.abs(chosen.change[0]).max() > 20.0:
        assert any("beyond any past change (20 g)" in c for c in far.cautions)


def test_links_that_shift_all_blades_are_said():
    change = np.zeros((3, 5))
    change[1] = [-3, 0, -5, 0, 0]
    (said,) = net_link_words(ROTOR, change)
    assert "net -8 flats over all blades" in said and "autorotation rpm and rigging as the manual asks" in said
    (tail,) = net_link_words(replace(ROTOR, place="tail"), change)
    assert "autorotation" not in tail
    change[1, 3] = 8.0
    assert net_link_words(ROTOR, change) == []
    assert net_link_words(ROTOR, change_of(tip_weight=100.0)) == []


def test_what_a_plan_does_where_nothing_was_read():
    run = curable_run(ROTOR, INFLUENCE)
    assert unread_words(ROTOR, run, INFLUENCE, np.zeros((3, 5)), change_of(pitch_link=3.0)) == []
    nan = np.where(np.arange(3)[:, None] == 2, np.nan, 1.0)
    partly = replace(
        run,
        vibration=run.vibration * nan,
        vibration_count=run.vibration_count * (nan > 0),
        height=run.height * nan,
        height_count=run.height_count * np.array([1, 1, 0]),
    )
    setting = np.zeros((3, 5))
    setting[1, 1] = 8.0  # of 12: three of the four flats left that way are spent
    change = change_of(pitch_link=3.0)
    (said,) = unread_words(ROTOR, partly, INFLUENCE, setting, change)
    moved = np.abs(INFLUENCE.vibration_change(ROTOR, change))[2] / ROTOR.vibration_limit[2]
    lifted = np.ptp(INFLUENCE.height_change(change), axis=1)[2] / ROTOR.height_limit[2]
    assert f"up to {max(moved.max(), lifted):.1f} of their limit" in said and ROTOR.regimes[2].label in said
    assert "spends what they may need of pitch link of blade 2 (1 of 4 flats left that way)" in said
    assert "spends" not in unread_words(ROTOR, partly, INFLUENCE, np.zeros((3, 5)), change)[0]

    nowhere = np.arange(3)[:, None] == 2  # the file says nothing of the third regime
    blind = Blind(np.broadcast_to(nowhere, ROTOR.vibration_limit.shape), nowhere[:, 0])
    alpha, tau = np.where(nowhere, 0.0, INFLUENCE.alpha), np.where(nowhere[:, 0], 0.0, INFLUENCE.tau)
    silent = replace(INFLUENCE, alpha=alpha, tau=tau, blind=blind)
    (said,) = unread_words(ROTOR, partly, silent, np.zeros((3, 5)), change)
    name = ROTOR.regimes[2].name
    assert f"What the plan does to {name} is not known: the influence file says nothing of it" in said
    assert "up to" not in said and said.short == f"Not read, and what the plan does there is not known: {name}."
