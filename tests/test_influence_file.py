"""influence.json: round trip, every refusal in one line, any bytes at all."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from how_much import examples
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import Truth, plain_rotor, random_changes, simulate

from trackbal.base.errors import FileExists, InputError
from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.influence.influence_writer import influence_document, influence_text, write_influence

ROTOR = plain_rotor()
PLAIN: dict[str, Any] = {
    "schema": 1,
    "rotor": "invented",
    "blades": 5,
    "rows": [
        {
            "adjuster": "adjuster0",
            "regime": "regime1",
            "sensor": "sensor1",
            "re": 0.1,
            "im": -2,
            "cov": [[0.04, 0.01], [0.01, 0.09]],
        },
        {"adjuster": "adjuster0", "regime": "regime1", "height": 1.5, "var": 0.25},
        {"adjuster": "adjuster1", "regime": "regime1", "height": -1.5, "var": 0.16},
        {"adjusters": ["adjuster1", "adjuster0"], "regime": "regime1", "height": True, "var": 0.1},
        {
            "adjuster": "adjuster1",
            "regime": "regime1",
            "sensor": "sensor1",
            "re": 1,
            "im": 0,
            "cov": [[1, 0], [0, 1]],
            "own_key": "ignored",
        },
        {
            "adjusters": ["adjuster1", "adjuster0"],
            "regime": "regime1",
            "sensor": "sensor1",
            "cov": [[0.05, 0.02], [-0.03, 0.01]],
        },
    ],
    "noise": [{"regime": "regime0", "sensor": "sensor0", "sd": 0.02}, {"regime": "regime1", "height": 1.25}],
    "unidentified": [{"adjuster": "adjuster1", "regime": "regime0"}],
    "source": {"jobs": 3, "runs": 12, "dates": None},
    "someone_elses": {"key": 1},
}


def save(folder: Path, document: Any) -> Path:
    file = folder / "influence.json"
    file.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
    return file


def test_every_key_lands_where_it_belongs(tmp_path: Path) -> None:
    found = Influence.load(save(tmp_path, PLAIN), ROTOR)
    assert found.alpha[0, 1, 1] == 0.1 - 2j and np.count_nonzero(found.alpha) == 2
    assert found.tau[0, 1] == 1.5 and found.height_cov[1, 0, 0] == 0.25
    assert found.height_cov[1, 0, 1] == found.height_cov[1, 1, 0] == 0.1
    np.testing.assert_array_equal(found.vibration_cov[1, 1, :2, :2], [[0.04, 0.01], [0.01, 0.09]])
    # of the first named adjuster's parts with the second's
    assert found.vibration_cov[1, 1, 2, 1] == 0.02 and found.vibration_cov[1, 1, 3, 0] == -0.03
    np.testing.assert_array_equal(found.vibration_cov[1, 1], found.vibration_cov[1, 1].T)
    assert found.vibration_noise[0, 0] == 0.02 and found.height_noise[1] == 1.25
    assert found.source["jobs"] == 3 and found.mean_vibration_cov is None and found.mean_height_cov is None
    assert found.unknown_vibration[2].all() and found.unknown_height[2].all()  # no rows at all
    assert found.unknown_vibration[1, 0].all() and found.unknown_height[1, 0]
    assert not found.unknown_vibration[1, 1].any() and not found.unknown_vibration[0].any()


def test_unidentified_may_be_narrowed_to_one_reading(tmp_path: Path) -> None:
    document = copy.deepcopy(PLAIN)
    document["unidentified"] = [
        {"adjuster": "adjuster0", "regime": "regime0", "sensor": "sensor1"},
        {"adjuster": "adjuster1", "regime": "regime1", "height": True},
    ]
    found = Influence.load(save(tmp_path, document), ROTOR)
    assert np.argwhere(found.unknown_vibration[:2]).tolist() == [[0, 0, 1]]
    assert np.argwhere(found.unknown_height[:2]).tolist() == [[1, 1]]


def test_fit_written_and_read_is_the_same(tmp_path: Path) -> None:
    change = random_changes(ROTOR, 6, 4, np.random.default_rng(1))
    change[:, :, 1] = 0.0
    history = simulate(ROTOR, Truth.draw(ROTOR, seed=1), 6, 4, seed=1, change=change)
    history.vibration_count[:, 1, 0] = 0
    written = fit(ROTOR, history).influence
    file = tmp_path / "influence.json"
    write_influence(file, ROTOR, written)
    found = Influence.load(file, ROTOR)
    for name in ("alpha", "tau", "vibration_noise", "height_noise", "unknown_vibration", "unknown_height"):
        np.testing.assert_array_equal(getattr(found, name), getattr(written, name), err_msg=name)
    for name in ("vibration_cov", "height_cov", "mean_vibration_cov", "mean_height_cov"):
        one, two = getattr(found, name), getattr(written, name)
        np.testing.assert_allclose(one, two, rtol=1e-12, atol=1e-15 * np.abs(two).max(), err_msg=name)
    assert found.source == written.source and found.rotor_name == "invented"
    document = json.loads(file.read_text())
    assert document == influence_document(ROTOR, written)
    assert document["unidentified"] == [
        {"adjuster": "adjuster0", "regime": "regime1", "sensor": "sensor0"},
        {"adjuster": "adjuster1"},
        {"adjuster": "adjuster2", "regime": "regime1", "sensor": "sensor0"},
    ]
    assert not any(row.get("adjuster") == "adjuster1" for row in document["rows"])
    with pytest.raises(FileExists):
        write_influence(file, ROTOR, written)
    write_influence(file, ROTOR, written, force=True)


def test_text_has_one_row_a_line() -> None:
    influence = fit(ROTOR, simulate(ROTOR, Truth.draw(ROTOR, seed=1), 6, 4, seed=1)).influence
    text = influence_text(ROTOR, influence)
    rows = [line for line in text.splitlines() if '"sensor": "sensor0", "re"' in line]
    assert len(rows) == 3 * 2
    assert json.loads(text)["rows"][0] == json.loads(rows[0].rstrip(","))


def _set(path: str, value: Any) -> Any:
    """Return a change of one key of a document, by a path such as rows.0.cov."""

    def change(document: dict[str, Any]) -> None:
        *way, last = [int(p) if p.isdigit() else p for p in path.split(".")]
        target: Any = document
        for step in way:
            target = target[step]
        if value is KeyError:
            del target[last]
        else:
            target[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        (_set("schema", 2), "schema", "1"),
        (_set("schema", True), "schema", "1"),
        (_set("schema", KeyError), "schema", "1"),
        (_set("blades", 4), "blades", "5"),
        (_set("rotor", 7), "rotor", "name"),
        (_set("rows", KeyError), "rows", "list"),
        (_set("noise", {}), "noise", "list"),
        (_set("rows.0", 3), "rows[0]", "object"),
        (_set("rows.0.adjuster", "other"), "rows[0].adjuster", "adjuster0, adjuster1, adjuster2"),
        (_set("rows.0.regime", "other"), "rows[0].regime", "regime0, regime1"),
        (_set("rows.0.regime", ["regime0"]), "rows[0].regime", "regime0, regime1"),
        (_set("rows.0.sensor", None), "rows[0].sensor", "sensor0, sensor1"),
        (_set("rows.0.adjuster", KeyError), "rows[0]", "adjuster"),
        (_set("rows.0.height", 1.0), "rows[0]", "sensor"),
        (_set("rows.0.re", "1"), "rows[0].re", "finite number"),
        (_set("rows.0.re", True), "rows[0].re", "finite number"),
        (_set("rows.0.re", 10**400), "rows[0].re", "finite number"),
        (_set("rows.0.im", KeyError), "rows[0].im", "finite number"),
        (_set("rows.0.cov", KeyError), "rows[0].cov", "two rows of two numbers"),
        (_set("rows.0.cov", [[1, 0, 0], [0, 1, 0]]), "rows[0].cov", "two rows of two numbers"),
        (_set("rows.0.cov", [[1, 0], 5]), "rows[0].cov", "two rows of two numbers"),
        (_set("rows.0.cov", [[1, 0.1], [0.2, 1]]), "rows[0].cov", "symmetric"),
        (_set("rows.0.cov", [[1, 2], [2, 1]]), "rows[0].cov", "negative"),
        (_set("rows.0.cov", [[-1, 0], [0, 1]]), "rows[0].cov", "negative"),
        (_set("rows.0.mean_cov", [[1, "a"], [0, 1]]), "rows[0].mean_cov[0][1]", "finite number"),
        (_set("rows.1.height", True), "rows[1].height", "finite number"),
        (_set("rows.1.var", -0.1), "rows[1].var", "at least 0"),
        (_set("rows.3.var", 0.3), "rows[3].var", "negative"),
        (_set("rows.3.adjusters", ["adjuster0", "adjuster0"]), "rows[3].adjusters", "different"),
        (_set("rows.3.adjusters", ["adjuster0"]), "rows[3].adjusters", "two names"),
        (_set("rows.3.adjusters", ["adjuster0", 4]), "rows[3].adjusters[1]", "one of"),
        (_set("rows.5.cov", [[0.5, 0], [0, 0.01]]), "rows[5].cov", "negative"),
        (_set("noise.0.sd", -1), "noise[0].sd", "at least 0"),
        (_set("noise.0.sd", KeyError), "noise[0].sd", "finite number"),
        (_set("noise.1", {"regime": "regime0", "sensor": "sensor0", "sd": 1}), "noise[1]", "once"),
        (_set("unidentified.0.adjuster", "x"), "unidentified[0].adjuster", "one of"),
        (_set("unidentified.0.regime", "x"), "unidentified[0].regime", "one of"),
        (_set("unidentified.0.height", 1), "unidentified[0].height", "true"),
        (_set("unidentified", {}), "unidentified", "list"),
        (_set("source", []), "source", "object"),
        (_set("source", {"job_names": ["a", None]}), "source.job_names", "a list of texts"),
        (_set("source", {"merged": 3}), "source.merged", "a list"),
        (_set("source", {"largest_past_change": [1]}), "source.largest_past_change", "an object"),
        (_set("source", {"largest_past_change": {"x": -1}}), "source.largest_past_change.x", "at least 0"),
    ],
)
def test_refusals_name_the_key(tmp_path: Path, change: Any, key: str, expected: str) -> None:
    document = copy.deepcopy(PLAIN)
    change(document)
    with pytest.raises(InputError) as caught:
        Influence.load(save(tmp_path, document), ROTOR)
    message = str(caught.value)
    assert caught.value.column == key
    assert "influence.json" in message and expected in message and "\n" not in message


def test_a_largest_change_may_be_small(tmp_path: Path) -> None:
    document = copy.deepcopy(PLAIN) | {"source": {"largest_past_change": {"adjuster0": 0.02, "adjuster1": 0}}}
    found = Influence.load(save(tmp_path, document), ROTOR).source["largest_past_change"]
    assert found == {"adjuster0": 0.02, "adjuster1": 0}


def test_same_row_twice_is_refused(tmp_path: Path) -> None:
    for i in (0, 1, 3):
        document = copy.deepcopy(PLAIN)
        row = copy.deepcopy(document["rows"][i])
        if "adjusters" in row:
            row["adjusters"].reverse()
        document["rows"].append(row)
        with pytest.raises(InputError, match=rf"rows\[{i}\]"):
            Influence.load(save(tmp_path, document), ROTOR)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "3",
        '{"schema": 1',
        "NaN",
        '{"schema": NaN}',
        '{"schema": -Infinity}',
        '{"a": 1e999}',
        "[" * 100000,
        '{"schema": ' + "[" * 900 + "]" * 900 + "}",
        '{"schema": 1, "blades": ' + "9" * 5000 + "}",
    ],
    ids=lambda text: text[:16] or "empty",
)
def test_not_an_influence_file(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError) as caught:
        Influence.load(save(tmp_path, text), ROTOR)
    assert "\n" not in str(caught.value)


def test_a_key_twice_in_a_row_is_refused(tmp_path: Path) -> None:
    """As a copied line left in by hand: the second would count in silence."""
    with pytest.raises(InputError, match="'re' twice in one object"):
        Influence.load(save(tmp_path, json.dumps(PLAIN).replace('"re": ', '"re": 9, "re": ', 1)), ROTOR)


def test_nan_in_a_row_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="NaN"):
        Influence.load(save(tmp_path, json.dumps(PLAIN).replace("-2,", "NaN,")), ROTOR)


@pytest.mark.parametrize("name", ["none.json", ".", "a\0b"])
def test_unreadable_file(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError):
        Influence.load(f"{tmp_path}/{name}", ROTOR)


def test_byte_order_mark_and_other_rotors_name_are_accepted(tmp_path: Path) -> None:
    file = tmp_path / "influence.json"
    file.write_bytes(b"\xef\xbb\xbf" + json.dumps({**PLAIN, "rotor": "other"}).encode())
    assert Influence.load(file, ROTOR).rotor_name == "other"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@examples(60, 200)
@given(data=st.data())
def test_any_value_in_any_place_is_refused_or_read(tmp_path: Path, data: st.DataObject) -> None:
    document = copy.deepcopy(PLAIN)
    place: Any = document
    for _ in range(data.draw(st.integers(0, 4))):
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(place[key], dict | list) or not place[key]:
            break
        place = place[key]
    keys = list(place) if isinstance(place, dict) else list(range(len(place)))
    place[data.draw(st.sampled_from(keys))] = data.draw(JSON)
    _refused_or_sound(save(tmp_path, document))


@examples(60, 200)
@given(start=st.integers(0, 1500), end=st.integers(0, 1500), middle=st.binary(max_size=20))
def test_any_bytes_are_refused_or_read(tmp_path: Path, start: int, end: int, middle: bytes) -> None:
    whole = json.dumps(PLAIN).encode()
    file = tmp_path / "influence.json"
    file.write_bytes(whole[:start] + middle + whole[end:])
    _refused_or_sound(file)


def _refused_or_sound(file: Path) -> None:
    try:
        found = Influence.load(file, ROTOR)
    except InputError as error:
        assert "\n" not in str(error)
        return
    for array in (found.alpha, found.tau, found.vibration_cov, found.height_cov, found.vibration_noise):
        assert np.isfinite(array).all()
    for matrix in (*found.vibration_cov.reshape(-1, 6, 6), *found.height_cov):
        assert np.linalg.eigvalsh(matrix)[0] >= -1e-8 * max(np.trace(matrix), 1e-300)


@pytest.mark.parametrize("entry", [(0, 0), (0, 1), (1, 0), (1, 1)])
def test_a_covariance_of_two_adjusters_with_a_single_entry_is_written(entry: tuple[int, int]) -> None:
    document = copy.deepcopy(PLAIN)
    alone = np.zeros((2, 2))
    alone[entry] = 0.02
    document["rows"][-1]["cov"] = alone.tolist()
    found = Influence.parse(json.dumps(document), "influence.json", ROTOR)
    assert np.count_nonzero(found.vibration_cov[1, 1, :2, 2:]) == 1
    back = Influence.parse(influence_text(ROTOR, found), "influence.json", ROTOR)
    np.testing.assert_array_equal(back.vibration_cov, found.vibration_cov)
    mean = np.zeros_like(found.vibration_cov)
    mean[0, 0, :2, 2:4] = alone  # of the mean alone: nothing of the covariance stands there
    told = influence_document(ROTOR, replace(found, mean_vibration_cov=mean, mean_height_cov=found.height_cov))
    rows = [row for row in told["rows"] if "adjusters" in row and row["regime"] == "regime0" and "sensor" in row]
    assert [row["mean_cov"] for row in rows] == [alone.tolist()]


def test_a_regime_without_heights_has_none_in_the_file_and_none_to_know() -> None:
    rotor = replace(ROTOR, regimes=(ROTOR.regimes[0], replace(ROTOR.regimes[1], heights=False)))
    document = copy.deepcopy(PLAIN)
    document["rows"] = [row for row in PLAIN["rows"] if "height" not in row]
    document["noise"] = PLAIN["noise"][:1]
    document["unidentified"] = [
        {"adjuster": "adjuster0", "regime": "regime0"},
        {"adjuster": "adjuster0", "regime": "regime1", "height": True},
    ]
    found = Influence.parse(json.dumps(document), "influence.json", rotor)
    assert found.unknown_height.tolist() == [[True, False], [False, False], [True, False]]
    told = influence_document(rotor, found)
    assert not any(row["regime"] == "regime1" for row in told["rows"] + told["noise"] if "height" in row)
    assert told["unidentified"] == [{"adjuster": "adjuster0", "regime": "regime0"}, {"adjuster": "adjuster2"}]
    back = Influence.parse(json.dumps(told), "influence.json", rotor)
    np.testing.assert_array_equal(back.unknown_height, found.unknown_height)
    np.testing.assert_array_equal(back.unknown_vibration, found.unknown_vibration)
    assert influence_document(rotor, back) == told
