"""Opening a logbook and adding entries to it.

Durability. The file is kept in SQLite's rollback-journal mode with ``synchronous = EXTRA``:
a command says "recorded" only after the entry, the journal and the folder they stand in
have been flushed to the disk, so that neither a killed process nor a power cut takes back
what was said. (Write-ahead logging would be faster; it was not chosen because it keeps
two further files beside the logbook, cannot be opened in a folder that may not be written
to, and must not be used on network drives. A logbook is one file that people copy, and it
takes a few entries an hour.) Two programs writing at once take turns: each transaction
begins by taking the write lock (BEGIN IMMEDIATE) and waits for it up to BUSY_SECONDS.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import wraps
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar, cast

from trackbal.base.errors import FileExists, InputError, State, TrackbalError
from trackbal.base.files import refuse_endless, write_whole
from trackbal.logbook.schema import APPLICATION_ID, STEPS, statements, version

BUSY_SECONDS = 20.0
CHECKED_UP_TO = 8 * 1024 * 1024  # bytes
_MAGIC = b"SQLite format 3\0"


class Book:
    """An open logbook. Use as a context manager; add entries inside `writing()`."""

    def __init__(self, file: str | PathLike[str], connection: sqlite3.Connection) -> None:
        """Hold an open connection; use `create` or `open`."""
        self.file = os.fspath(file)
        self._connection = connection

    @classmethod
    def create(cls, file: str | PathLike[str], fill: Callable[[Book], None]) -> None:
        """Make a new logbook with its first entries, whole or not at all.

        It is put together in memory and then written as any other file is.

        Parameters
        ----------
        fill : function of the Book
            Adds the first entries.

        Raises
        ------
        InputError
            If the name is taken, or it cannot be written.
        """
        connection = sqlite3.connect(":memory:", isolation_level=None)
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            book = cls(file, connection)
            with book.writing():
                book.run(f"PRAGMA application_id = {APPLICATION_ID}")
                book._take_steps(0)
                fill(book)
            content = connection.serialize()
        finally:
            connection.close()
        try:
            write_whole(file, content, force=False)
        except FileExists:  # a logbook is never replaced
            raise InputError(file, State("an existing file"), "a name not taken") from None

    @classmethod
    def open(cls, file: str | PathLike[str], *, write: bool = False) -> Book:
        """Open a logbook, for reading or for writing; an older one is brought to this version for writing.

        Raises
        ------
        InputError
            If it is no logbook, was written by a newer trackbal, or cannot be opened.
        """
        _check_header(file)
        # even a reader may have to roll back what a killed writer left half-written, if it is allowed to
        may_write = os.access(file, os.W_OK) and os.access(os.path.dirname(os.path.abspath(file)), os.W_OK)
        book = cls(file, _connect(file, "rw" if write or may_write else "ro"))
        try:
            if not write:
                book.run("PRAGMA query_only = ON")
            book._check_sound()
            book._check_version(write)
        except BaseException:
            book.close()
            raise
        return book

    def __enter__(self) -> Book:
        """Return the logbook."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Close the logbook."""
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def _check_sound(self) -> None:
        """Raise InputError if SQLite finds the file damaged.

        Only up to CHECKED_UP_TO: of the largest logbooks the check would take longer than all that is asked of them
        (docs/logbook_file.md); `trackbal log show --all` and any SQLite tool still find what they come across.
        """
        if os.path.getsize(self.file) > CHECKED_UP_TO:
            return
        found = self.one("PRAGMA integrity_check(1)")
        if found is None or found[0] != "ok":
            reason = "no answer" if found is None else " ".join(str(found[0]).split())
            raise InputError(self.file, f"damage: {reason}", "a sound logbook; go back to a copy")

    def _check_version(self, write: bool) -> None:
        with self._translated():
            mark, found = self._number("PRAGMA application_id"), self._number("PRAGMA user_version")
        if mark != APPLICATION_ID:
            raise InputError(
                self.file, State("an SQLite file of another program"), "a logbook made by trackbal log new"
            )
        if found > version():
            raise InputError(
                self.file, State(f"a logbook of version {found}"), f"at most version {version()}; use a newer trackbal"
            )
        if found < version():
            if not write:
                raise InputError(
                    self.file,
                    State(f"a logbook of version {found}"),
                    f"version {version()}; any entry brings it there, such as trackbal log note",
                )
            with self.writing():
                self._take_steps(self._number("PRAGMA user_version"))

    def _take_steps(self, found: int) -> None:
        for step in STEPS[found:]:
            for statement in statements(step):
                self.run(statement)
        self.run(f"PRAGMA user_version = {version()}")

    # -------------------------------------------------------------------------- reading and writing

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the write lock; what is done inside is on the disk when this ends, or nothing of it is.

        Raises
        ------
        InputError
            If the lock is not to be had, the disk is full, or the file cannot be written.
        """
        with self._translated():
            self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with self._translated():
                self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Hold one state of the file for several queries."""
        if self._connection.in_transaction:
            yield
            return
        with self._translated():
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("ROLLBACK")

    def run(self, sql: str, values: tuple[Any, ...] = ()) -> None:
        """Carry out one statement."""
        with self._translated():
            self._connection.execute(sql, values)

    def run_many(self, sql: str, rows: list[tuple[Any, ...]]) -> None:
        """Carry out one statement for many rows."""
        with self._translated():
            self._connection.executemany(sql, rows)

    def all(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Return all rows of a query."""
        with self._translated():
            return self._connection.execute(sql, values).fetchall()

    def one(self, sql: str, values: tuple[Any, ...] = ()) -> tuple[Any, ...] | None:
        """Return the first row of a query, or None."""
        with self._translated():
            row: tuple[Any, ...] | None = self._connection.execute(sql, values).fetchone()
        return row

    def _number(self, sql: str) -> int:
        row = self.one(sql)
        return int(row[0]) if row else 0

    def add_entry(self, kind: str, author: str, job: int | None = None, why: str | None = None) -> int:
        """Add the entry that other rows belong to, dated now (UTC), and return its number."""
        now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        with self._translated():
            cursor = self._connection.execute(
                "INSERT INTO entry (kind, job, at, author, why) VALUES (?, ?, ?, ?, ?)", (kind, job, now, author, why)
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Turn what SQLite says into one line that a person can act on."""
        try:
            yield
        except sqlite3.IntegrityError as error:
            raise InputError(self.file, str(error), "an entry that fits the record") from None
        except sqlite3.OperationalError as error:
            raise _refused(self.file, str(error)) from None
        except sqlite3.DatabaseError as error:
            raise InputError(self.file, str(error), "an undamaged logbook; take a copy before anything else") from None
        except (UnicodeError, OverflowError) as error:  # half a character, a number of more than 64 bits
            raise InputError(self.file, type(error).__name__, "text in UTF-8 and numbers that can be kept") from None


Read = TypeVar("Read", bound=Callable[..., Any])


def reads_record(read: Read) -> Read:
    """Let a function that reads a record say in one line what another program has made unreadable in it.

    Its first argument is the Book. The file itself refuses changes by its triggers, which another program can take out.
    What comes back raises InputError where entries do not fit together.
    """

    @wraps(read)
    def guarded(book: Book, *args: Any, **kwargs: Any) -> Any:
        try:
            return read(book, *args, **kwargs)
        except TrackbalError:
            raise
        except (ValueError, TypeError, LookupError, ArithmeticError, AssertionError, AttributeError) as error:
            found = f"entries that do not fit together ({type(error).__name__})"
            raise InputError(
                book.file, found, "a logbook that no other program has changed; go back to a copy"
            ) from None

    return cast(Read, guarded)


def _connect(file: str | PathLike[str], mode: str) -> sqlite3.Connection:
    try:
        address = Path(os.path.abspath(file)).as_uri() + f"?mode={mode}"
        connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
    except (sqlite3.Error, OSError, ValueError) as error:
        raise _refused(file, str(error)) from None
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA fullfsync = ON")  # where the system tells a flush to the drive from one to the disk
        connection.execute("PRAGMA trusted_schema = OFF")
    except (sqlite3.Error, UnicodeError) as error:  # UnicodeError: of what a damaged file says of itself
        connection.close()
        raise _refused(file, str(error)) from None
    return connection


def _check_header(file: str | PathLike[str]) -> None:
    """Raise InputError unless the file begins as an SQLite file does."""
    refuse_endless(file)
    try:
        with open(file, "rb") as stream:
            head = stream.read(len(_MAGIC))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(file, reason, "a logbook; make one with trackbal log new") from None
    if not head:
        raise InputError(file, "an empty file", "a logbook, made by trackbal log new")
    if head != _MAGIC:
        raise InputError(file, "a file of another kind", "a logbook made by trackbal log new")


def _refused(file: str | PathLike[str], reason: str) -> InputError:
    if "locked" in reason:
        return InputError(file, f"in use by another program for {BUSY_SECONDS:.0f} s", "its turn; nothing recorded")
    if "full" in reason or "disk I/O" in reason:
        return InputError(file, reason, "room on the disk; nothing recorded")
    if "readonly" in reason or "read-only" in reason or "unable to open" in reason:
        return InputError(file, reason, "a logbook in a folder that can be written to; nothing recorded")
    return InputError(file, reason, "a logbook that can be used")
