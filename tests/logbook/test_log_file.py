"""The file of a logbook: append-only, versioned, durable, shared."""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from how_much import much
from logbook_cases import Command, sheet, show

from trackbal.base.errors import InputError
from trackbal.logbook import schema
from trackbal.logbook.entries import add_note
from trackbal.logbook.store import Book

HIGH = {"flat_pitch": (0.5, 40.0), "hover": (0.4, 50.0)}

# ------------------------------------------------------------------------------ append-only


@pytest.fixture
def filled(book: Path, files: Path, command: Command) -> Path:
    """Return a logbook with a row in every table."""
    (files / "settings.csv").write_text("blade,adjuster,setting\n1,tip_weight,20\n")
    command("close", book, "--outcome", "put away")
    command("start", book, "B", "--settings", files / "settings.csv", "--reworked", "head overhauled")
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("advise", book)
    command("done", book, "--ask", keys="0\nstop")
    command("done", book, "--ask", "--drop")
    command("done", book)
    command("note", book, "a note")
    command("checked", book, "as written")
    command("close", book, "--finding", "damper worn, replaced")
    command("start", book, "B")
    return book


def test_every_table_refuses_to_change_delete_or_replace(filled: Path) -> None:
    raw = sqlite3.connect(filled)
    tables = [row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    tables = [t for t in tables if not t.startswith("sqlite_")]
    assert set(tables) == {*schema._KEYS, *schema._ANSWER_KEYS, *schema._CHECK_KEYS}
    for table in tables:
        rows = raw.execute(f"SELECT * FROM {table}").fetchall()
        assert rows, table
        names = [d[0] for d in raw.execute(f"SELECT * FROM {table}").description]
        marks = ", ".join("?" * len(names))
        for statement, values in (
            (f"UPDATE {table} SET {names[-1]} = NULL", ()),
            (f"DELETE FROM {table}", ()),
            (f"INSERT OR REPLACE INTO {table} VALUES ({marks})", rows[0]),
        ):
            with pytest.raises(sqlite3.IntegrityError, match="a logbook only grows"):
                raw.execute(statement, values)
        assert raw.execute(f"SELECT * FROM {table}").fetchall() == rows
    raw.close()


# ------------------------------------------------------------------------------ which files are opened


def test_foreign_newer_and_damaged_files_are_refused_in_one_line(
    filled: Path, command: Command, tmp_path: Path
) -> None:
    foreign = tmp_path / "foreign.db"
    raw = sqlite3.connect(foreign)
    raw.execute("CREATE TABLE t (x)")
    raw.close()
    text, empty = tmp_path / "text", tmp_path / "empty"
    text.write_text("regime,cockpit_vertical.amp\n")
    empty.touch()
    newer = tmp_path / "newer"
    newer.write_bytes(filled.read_bytes())
    raw = sqlite3.connect(newer)
    raw.execute("PRAGMA user_version = 99")
    raw.close()
    for file, said in (
        (foreign, "an SQLite file of another program"),
        (text, "a file of another kind"),
        (empty, "an empty file"),
        (newer, "a logbook of version 99, expected at most version 3; use a newer trackbal"),
        (tmp_path / "none", "No such file"),
        (tmp_path, "Is a directory"),
    ):
        for name in ("show", "note"):
            before = file.read_bytes() if file.is_file() else None
            code, out, error = command(name, file, *(["x"] if name == "note" else []))
            assert code == 2 and said in error and error.count("\n") == 1 and not out, (file, error)
            assert (file.read_bytes() if file.is_file() else None) == before
    damaged = tmp_path / "damaged"
    page = bytearray(filled.read_bytes())
    page[4096:] = random.Random(1).randbytes(len(page) - 4096)
    damaged.write_bytes(page)
    code, _, error = command("show", damaged)
    assert code == 2 and error.count("\n") == 1


def test_a_logbook_is_never_replaced(book: Path, files: Path, command: Command) -> None:
    before = book.read_bytes()
    code, _, error = command("new", book, "--rotor", files / "rotor.toml")
    assert code == 2 and "an existing file" in error and "--force" not in error and book.read_bytes() == before
    with pytest.raises(InputError, match="an existing file"):
        Book.create(book, lambda _: None)


def test_a_new_logbook_is_whole_or_not_at_all(files: Path, command: Command) -> None:
    bad = files / "bad.toml"
    bad.write_text("name = 3\n")
    assert command("new", files / "new.tblog", "--rotor", bad)[0] == 2
    assert command("new", files / "new.tblog", "--rotor", files / "rotor.toml")[0] == 0


STEP = "ALTER TABLE note ADD COLUMN weather TEXT;\nCREATE TABLE sunset (entry INTEGER PRIMARY KEY);\n"


def test_an_older_logbook_is_brought_up_to_date(filled: Path, command: Command, monkeypatch) -> None:
    before = show(command, filled)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, STEP))
    monkeypatch.setattr("trackbal.logbook.store.STEPS", schema.STEPS)
    code, _, error = command("show", filled)  # looking at it changes nothing
    assert code == 2 and "a logbook of version 3" in error
    assert command("note", filled, "after")[0] == 0
    raw = sqlite3.connect(filled)
    assert raw.execute("PRAGMA user_version").fetchone() == (4,)
    assert raw.execute("SELECT text, weather FROM note").fetchall() == [("a note", None), ("after", None)]
    raw.close()
    after = show(command, filled)
    assert after["notes"].pop()["text"] == "after"
    assert after == before


def test_a_logbook_of_the_first_version_takes_answers(files: Path, command: Command, monkeypatch) -> None:
    steps = schema.STEPS
    monkeypatch.setattr("trackbal.logbook.store.STEPS", steps[:1])
    monkeypatch.setattr(schema, "STEPS", steps[:1])
    old = files / "old.tblog"
    command("new", old, "--rotor", files / "rotor.toml", "--influence", files / "influence.json")
    monkeypatch.undo()
    assert command("start", old, "A", "--by", "x")[0] == 0
    command("run", old, sheet(files / "run1.csv", HIGH), "--by", "x")
    assert command("done", old, "--ask", "--by", "x", keys="1 tip_weight add 20\nstop")[0] == 1
    assert command("done", old, "--ask", "--by", "x", keys="")[0] == 0


def test_a_step_that_fails_leaves_the_old_version(filled: Path, command: Command, monkeypatch) -> None:
    before = filled.read_bytes()
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, STEP + "SELECT nonsense;\n"))
    monkeypatch.setattr("trackbal.logbook.store.STEPS", schema.STEPS)
    assert command("note", filled, "after")[0] == 2
    monkeypatch.undo()
    assert filled.read_bytes() == before
    assert command("note", filled, "after", "--by", "x")[0] == 0


# ------------------------------------------------------------------------------ kills, full disk, no permission


NOTES = """
import sys
from trackbal.logbook.entries import add_note
from trackbal.logbook.store import Book
with Book.open(sys.argv[1], write=True) as book:
    print("ready", flush=True)
    for i in range(int(sys.argv[3])):
        add_note(book, None, None, f"{sys.argv[2]} {i} " + "x" * 2000, "tester")
        print(i, flush=True)
"""


def writer(book: Path, name: str, count: int, **more) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", NOTES, str(book), name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def notes_in(book: Path) -> list[str]:
    with Book.open(book) as opened:
        assert opened.one("PRAGMA integrity_check") == ("ok",)
        assert opened.all("PRAGMA foreign_key_check") == []
        return [text.rsplit(" ", 1)[0] for (text,) in opened.all("SELECT text FROM note ORDER BY entry")]


@pytest.fixture
def fast_book(book: Path) -> Iterator[Path]:
    """Return the logbook in memory, where there is such a folder: a kill does not ask what the disk is."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        yield Path(shutil.copy(book, folder))


def test_killed_hundreds_of_times_nothing_said_to_be_recorded_is_lost(fast_book: Path) -> None:
    """SIGKILL at random instants while notes are being entered: what was said is there, and at most one more."""
    book, journal = fast_book, Path(f"{fast_book}-journal")
    rng, rounds = random.Random(5), much(60, 300)
    halfway, said = 0, []
    fork = _forking_writer(book)
    for round_ in range(rounds):
        child, read_end = next(fork)
        with os.fdopen(read_end) as stream:
            answered = [stream.readline().strip() for _ in range(rng.randint(0, 3))]
            time.sleep(rng.uniform(0.0, 0.005))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            answered += stream.read().split()
        halfway += journal.exists()
        last = [f"round{round_} {i}" for i in answered]
        found = notes_in(book)
        assert found[: len(said)] == said
        assert found[len(said) : len(said) + len(last)] == last
        assert len(found) - len(said) - len(last) in (0, 1)
        said = found
    assert halfway > rounds / 30 and len(said) > rounds


def _forking_writer(book: Path):
    """Yield (process, pipe) of children that enter notes as fast as they can and say so after each."""
    round_ = 0
    while True:
        read_end, write_end = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read_end)
            with Book.open(book, write=True) as opened:
                for i in range(10_000):
                    add_note(opened, None, None, f"round{round_} {i} " + "x" * 2000, "tester")
                    os.write(write_end, f"{i}\n".encode())
            os._exit(0)
        os.close(write_end)
        yield child, read_end
        round_ += 1


def test_killed_while_it_is_made(files: Path, command: Command) -> None:
    """SIGKILL while a logbook is being made: the name is free or the logbook is whole."""
    rng = random.Random(3)
    whole = 0
    for i in range(40):
        file = files / f"made{i}.tblog"
        child = os.fork()
        if child == 0:
            command("new", file, "--rotor", files / "rotor.toml")
            os._exit(0)
        if i % 8:  # every eighth is left to finish, so that both happen on any machine
            time.sleep(rng.uniform(0.0, 0.06) if i % 8 > 1 else 0.0)
            os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if command("jobs", file)[0] == 0:
            whole += 1
        else:
            assert command("new", file, "--rotor", files / "rotor.toml")[0] == 0
        assert command("start", file, "A")[0] == 0
    assert 0 < whole < 40


def test_two_writers_lose_nothing(book: Path) -> None:
    first, second = writer(book, "one", 60), writer(book, "two", 60)
    for process in (first, second):
        _, error = process.communicate(timeout=60)
        assert process.returncode == 0, error
    found = notes_in(book)
    assert len(found) == 120
    for name in ("one", "two"):
        assert [text for text in found if text.startswith(name)] == [f"{name} {i}" for i in range(60)]


def test_two_start_the_same_job_and_one_is_told(book: Path, command: Command) -> None:
    """Entries that contradict each other: the second one is refused, not mixed in."""
    code = (
        "import sys\nfrom trackbal.commands.group import run\n"
        "sys.exit(run(['log', 'start', sys.argv[1], 'C', '--job', 'same']))"
    )
    both = [subprocess.Popen([sys.executable, "-c", code, str(book)], stderr=subprocess.PIPE) for _ in range(2)]
    codes = []
    for process in both:
        process.communicate(timeout=60)
        codes.append(process.returncode)
    assert sorted(codes) == [0, 2]
    assert command("jobs", book)[1].count("same") == 1


def test_a_book_in_use_is_said_to_be(book: Path, command: Command, monkeypatch) -> None:
    monkeypatch.setattr("trackbal.logbook.store.BUSY_SECONDS", 0.05)
    raw = sqlite3.connect(book, isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    code, _, error = command("note", book, "x")
    assert code == 2 and "in use by another program" in error and "nothing recorded" in error
    raw.execute("ROLLBACK")
    raw.close()
    assert command("note", book, "x")[0] == 0


def test_a_full_disk_is_said_and_nothing_is_half_written(book: Path) -> None:
    """A limit on the size of files stands for a full disk: the write that passes it fails."""
    size = book.stat().st_size

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 30_000, size + 30_000))

    process = writer(book, "full", 1000, preexec_fn=limit)
    out, error = process.communicate(timeout=60)
    assert process.returncode != 0 and "nothing recorded" in error
    said = out.split()[1:]
    assert said
    assert notes_in(book) == [f"full {i}" for i in said]
    with Book.open(book, write=True) as opened:
        add_note(opened, None, None, "room again y", "tester")
    assert notes_in(book)[-1] == "room again"


def as_nobody(call) -> int:
    """Call a function in a child without root's permissions, and return its exit code."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            if os.getuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            code = call()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_a_folder_that_may_not_be_written_to(book: Path, tmp_path: Path) -> None:
    before = book.read_bytes()
    for folder in [tmp_path, *tmp_path.parents]:
        if folder.stat().st_uid == os.getuid() and folder != Path("/tmp"):
            folder.chmod(0o755)
        if folder == Path("/tmp"):
            break
    book.chmod(0o444)
    tmp_path.chmod(0o555)

    def reads() -> int:
        with Book.open(book) as opened:
            return 0 if opened.one("SELECT count(*) FROM job") == (1,) else 1

    def writes() -> int:
        try:
            with Book.open(book, write=True) as opened:
                add_note(opened, None, None, "x", "tester")
        except InputError as error:
            return 0 if "nothing recorded" in str(error) else 1
        return 2

    try:
        assert as_nobody(reads) == 0
        assert as_nobody(writes) == 0
    finally:
        tmp_path.chmod(0o755)
    assert book.read_bytes() == before
