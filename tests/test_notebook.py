"""The public Python surface: tables, short reprs, and the page about it run as it stands."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Truth, plain_rotor, simulate

import trackbal
from trackbal.base.errors import InputError
from trackbal.runs.run import History

ROOT = Path(__file__).parents[1]


def test_the_page_runs_as_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testfile(str(ROOT / "docs" / "notebook.md"), module_relative=False)
    assert tried > 30 and failed == 0


def test_public_names_are_there_and_the_package_is_typed() -> None:
    assert (ROOT / "trackbal" / "py.typed").is_file()
    for name in trackbal.__all__:
        assert getattr(trackbal, name) is not None
    assert set(trackbal.__all__) <= set(dir(trackbal))


@pytest.fixture(scope="module")
def history() -> tuple[trackbal.Rotor, History]:
    rotor = plain_rotor()
    return rotor, simulate(rotor, Truth.draw(rotor, seed=3), jobs=6, runs=4, seed=3)


def test_results_show_themselves_in_a_line(history: tuple[trackbal.Rotor, History]) -> None:
    rotor, past = history
    found = trackbal.fit(rotor, past)
    shown = [rotor, past, found, found.influence, trackbal.examine(rotor, past)]
    shown.append(trackbal.audit(rotor, past, found.influence))
    for result in shown:
        assert len(repr(result)) < 300 and "\n" not in repr(result), type(result)
        html = result._repr_html_()
        assert html.startswith("<table>") and html.count("<tr>") == len(result.summary())


def test_tables_hold_the_arrays(history: tuple[trackbal.Rotor, History]) -> None:
    rotor, past = history
    frame = past.to_frame(rotor)
    for n, (job, run) in enumerate(zip(past.job, past.run, strict=True)):
        row = frame.loc[past.jobs[job], run, "regime1", "sensor0"]
        assert row["phasor"] == past.vibration[n, 1, 0]
        assert row["amplitude"].real == pytest.approx(abs(past.vibration[n, 1, 0]))
    tips = past.height_frame(rotor)["height"].unstack("blade")
    assert np.array_equal(tips.loc["job2", 3, "regime0"].to_numpy(), past.height[10, 0])
    change = past.change_frame(rotor)["change"]
    assert len(change) == np.count_nonzero(past.change)
    for (job, run, blade, adjuster), value in change.items():
        n = past.jobs.index(job) * 4 + run - 1
        assert past.change[n, int(adjuster[-1]), int(blade) - 1] == value


def test_coefficients_as_a_table(history: tuple[trackbal.Rotor, History]) -> None:
    rotor, past = history
    influence = trackbal.fit(rotor, past).influence
    frame = influence.to_frame(rotor)
    row = frame.loc["adjuster1", "regime0", "sensor1"]
    assert row["coefficient"] == influence.alpha[1, 0, 1]
    cov = influence.vibration_cov[0, 1, 2:4, 2:4]
    assert row["sd"] == pytest.approx(np.sqrt(np.trace(cov) / 2)) and row["mean_sd"] < row["sd"]
    assert frame.loc["adjuster2", "regime1", "height"]["amplitude"] == abs(influence.tau[2, 1])


def test_a_frame_with_numbers_and_missing_values_is_a_history() -> None:
    from invented_rotor import ROTOR

    runs = pd.DataFrame(
        {
            "run": [1, 2], "regime": ["hover", "hover"], "date": pd.to_datetime(["2026-03-31", "2026-04-01"]),
            "cockpit_vertical.amp": [0.4, np.nan], "cockpit_vertical.deg": [90.0, None], "height.1": [1.0, 2.0],
        },
        index=pd.Index(["a", "a"], name="job"),
    )  # fmt: skip
    made = pd.DataFrame({"job": ["a"], "after_run": [1], "blade": ["2"], "adjuster": ["tip_weight"], "amount": [-20.0]})
    past = trackbal.History.from_frame(ROTOR, runs, made)
    assert past.vibration[0, 1, 0] == pytest.approx(-0.4j) and past.vibration_count[1, 1, 0] == 0
    assert past.date.astype(str).tolist() == ["2026-03-31T00:00:00", "2026-04-01T00:00:00"]
    assert past.change[1, 0, 1] == -20.0
    for wrong, words in ((runs.rename(columns={"run": 3}), "a text"), ([1], "a pandas DataFrame")):
        with pytest.raises(InputError, match=words):
            trackbal.History.from_frame(ROTOR, wrong, made)
    with pytest.raises(InputError, match="runs, row 3, column regime: found 'hovr'"):
        trackbal.History.from_frame(ROTOR, runs.assign(regime=["hover", "hovr"]), made)


def test_every_picture_draws_on_the_axes_it_is_given() -> None:
    for module in ("plots", "fit_plots", "examination_plots"):
        found = importlib.import_module(f"trackbal.pages.{module}")
        drawing = [f for n, f in vars(found).items() if callable(f) and "ax" in getattr(f, "__annotations__", {})]
        public = [f for f in drawing if not f.__name__.startswith("_") and f.__module__ == found.__name__]
        assert public and all(f.__annotations__["return"] == "Axes" for f in public)
