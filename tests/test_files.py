"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from trackbal.base.errors import FileExists, InputError
from trackbal.base.files import write_whole


def test_writes_new_file(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.csv", "ä\r\n1\n", force=False)
    assert (tmp_path / "a.csv").read_bytes() == "ä\r\n1\n".encode()
    assert os.listdir(tmp_path) == ["a.csv"]


def test_refuses_existing_file_in_one_line(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("old")
    with pytest.raises(FileExists) as caught:
        write_whole(file, "new", force=False)
    assert "a.csv" in str(caught.value) and "--force" in str(caught.value) and "\n" not in str(caught.value)
    assert file.read_text() == "old" and os.listdir(tmp_path) == ["a.csv"]


def test_force_replaces_and_keeps_permissions(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("old")
    file.chmod(0o640)
    write_whole(file, "new", force=True)
    assert file.read_text() == "new" and file.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("links", [True, False], ids=["hard-links", "no-hard-links"])
def test_file_that_appears_meanwhile_survives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool) -> None:
    """The other program writes between our look and our renaming."""
    file = tmp_path / "a.csv"
    flush = os.fsync

    def other_program_writes(handle: int) -> None:
        file.write_text("theirs")
        flush(handle)

    monkeypatch.setattr(os, "fsync", other_program_writes)
    if not links:

        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(1, "not permitted")

        monkeypatch.setattr(os, "link", refuse)
    with pytest.raises(FileExists):
        write_whole(file, "ours", force=False)
    assert file.read_text() == "theirs" and os.listdir(tmp_path) == ["a.csv"]


def test_works_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(1, "not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write_whole(tmp_path / "a", "x", force=False)
    assert (tmp_path / "a").read_text() == "x" and os.listdir(tmp_path) == ["a"]


def test_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_whole(tmp_path / "a", "x", force=True)
    assert os.listdir(tmp_path) == []


def test_text_that_is_not_utf8_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        write_whole(tmp_path / "a", "\ud800", force=False)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("name", ["none/a.csv", ".", "a\0b"])
def test_unwritable_names_are_input_errors(tmp_path: Path, name: str) -> None:
    for force in (True, False):
        with pytest.raises((InputError, FileExists)) as caught:
            write_whole(f"{tmp_path}/{name}", "x", force=force)
        assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path) == []
