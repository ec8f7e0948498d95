"""Reading a file, none that never ends; writing files whole or not at all, several of them together."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import tempfile
from collections.abc import Iterable, Sequence
from os import PathLike
from pathlib import Path
from types import TracebackType

from trackbal.base.errors import FileExists, InputError

LARGEST_TEXT = 64 * 1024 * 1024  # bytes; far above any rotor or influence file


def read_bytes(file: str | PathLike[str], expected: str, most: int) -> bytes:
    """Return what a file holds.

    Raises
    ------
    InputError
        If it cannot be read, `expected` then being what is asked for; if it is no ordinary file, as one that never
        ends would be, or larger than `most` bytes.
    """
    refuse_endless(file)
    try:
        with open(file, "rb") as stream:
            # as much as there is: a reader takes the memory for all it is asked for
            data = stream.read(min(most, os.fstat(stream.fileno()).st_size) + 1)
    except (OSError, ValueError) as error:  # ValueError: a path no system call accepts
        raise InputError(file, getattr(error, "strerror", None) or str(error), expected) from None
    if len(data) > most:
        raise InputError(file, "a larger file", f"one of at most {most // 2**20} MiB")
    return data


def read_text(file: str | PathLike[str], expected: str) -> str:
    """Return the text of a file in UTF-8, with or without a byte order mark.

    Raises
    ------
    InputError
        As `read_bytes`, or if it is not UTF-8.
    """
    try:
        return read_bytes(file, expected, LARGEST_TEXT).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(file, f"byte {error.start} is not UTF-8", "a UTF-8 text file") from None


def refuse_endless(file: str | PathLike[str]) -> None:
    """Raise InputError if a name stands for a pipe, a device or a socket: reading these may never end."""
    try:
        mode = os.stat(file).st_mode
    except (OSError, ValueError):
        return  # what is not there is said by whoever opens it
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        kind = "a pipe" if stat.S_ISFIFO(mode) else "a device" if stat.S_ISCHR(mode) else "no ordinary file"
        raise InputError(file, kind, "an ordinary file; write what is to be read into one")


def write_whole(file: str | PathLike[str], text: str | bytes, *, force: bool) -> None:
    """Write a file whole or not at all; text as UTF-8.

    Parameters
    ----------
    file : path
        The name wanted. Its folder must exist. A symbolic link is followed.
    text : str or bytes
        What to write; line ends are kept as they are.
    force : bool
        Whether an existing file may be replaced. If not, one is never replaced, even
        when it appears while this function runs.

    Raises
    ------
    FileExists
        If the name is taken and `force` is false.
    InputError
        If the file cannot be written.
    """
    with Outputs([(file, text)], force=force):
        pass


class Outputs:
    """Several files that stand or fall together: written aside when this is entered, put in place when it is left.

    What is written aside has been flushed to the disk before the first file takes its name, each in one step: a
    reader sees the old file or the new one. If anything fails on the way, also outside this class, no new file stays
    and those replaced are back. `place` puts them in place earlier, and what fails after that takes them away again.
    Where the system allows it, what is written aside has no name, so that nothing is left of it if the process is
    killed.

    Parameters
    ----------
    files : sequence of (path, str or bytes)
    force : bool
        Whether existing files may be replaced.
    """

    def __init__(self, files: Sequence[tuple[str | PathLike[str], str | bytes]], *, force: bool) -> None:
        self._files = files
        self._force = force
        self._aside: list[_Aside] = []
        self._placed: list[_Aside] = []

    def __enter__(self) -> Outputs:
        """Write everything aside. Raises FileExists or InputError, and leaves nothing behind."""
        try:
            for file, text in self._files:
                self._aside.append(_Aside(file, text, force=self._force))
        except BaseException:
            self._drop()
            raise
        return self

    def place(self) -> None:
        """Give every file its name. Raises FileExists or InputError; those placed before are then taken away."""
        for aside in self._aside[len(self._placed) :]:
            aside.place()
            self._placed.append(aside)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Put everything in place; if something failed, take it away again."""
        try:
            if kind is None:
                self.place()
        except BaseException:
            kind = BaseException
            raise
        finally:
            if kind is not None:
                for aside in reversed(self._placed):
                    aside.take_away()
            self._drop()

    def _drop(self) -> None:
        for aside in self._aside:
            aside.drop()


class _Aside:
    """One file written aside, under a name of its own or none, until it takes the name wanted."""

    def __init__(self, file: str | PathLike[str], text: str | bytes, *, force: bool) -> None:
        self.file, self.force = file, force
        self.name: str | None = None  # of what is written aside; None: it has none
        self.before: str | None = None  # another name of the file replaced
        self.handle = -1
        try:
            self.target = Path(os.path.realpath(file))
            if not force and os.path.lexists(self.target):
                raise _exists(file)
            self._open()
        except FileExists:
            raise
        except (OSError, ValueError) as error:
            raise _cannot(file, error) from None
        try:
            with open(self.handle, "wb", closefd=False) as stream:
                stream.write(text.encode("utf-8") if isinstance(text, str) else text)
            os.fchmod(self.handle, _mode_of(self.target))
            os.fsync(self.handle)
        except (OSError, ValueError) as error:
            self.drop()
            raise _cannot(file, error) from None

    def _open(self) -> None:
        folder = self.target.parent
        if hasattr(os, "O_TMPFILE"):
            with contextlib.suppress(OSError):  # a file system without it: under a name
                self.handle = os.open(folder, os.O_TMPFILE | os.O_RDWR, 0o600)
                return
        self.handle, self.name = tempfile.mkstemp(prefix=f".{self.target.name[:40]}.", suffix=".tmp", dir=folder)

    def place(self) -> None:
        """Take the name wanted."""
        try:
            if self.force and os.path.lexists(self.target):
                self.before = self._spare_name()
                try:
                    os.link(self.target, self.before)
                except OSError:  # no hard links here
                    shutil.copy2(self.target, self.before)
                os.replace(self._named(), self.target)
                self.name = None
            else:
                self._take_free_name()
        except FileExistsError:
            raise _exists(self.file) from None
        except OSError as error:
            raise _cannot(self.file, error) from None
        _flush_folder(self.target.parent)

    def _take_free_name(self) -> None:
        """Take the name; FileExistsError if it is taken."""
        try:
            self._link(self.target)  # fails if the name is taken, unlike a rename
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links: reserve the name, then replace our own reservation
            os.close(os.open(self.target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
            try:
                os.replace(self._named(), self.target)
                self.name = None
            except OSError:
                self.target.unlink()
                raise

    def _link(self, name: str | Path) -> None:
        if self.name is not None:
            os.link(self.name, name)
            return
        folder = os.open(self.target.parent, os.O_RDONLY)
        try:  # the folder is named so that a link of the file itself is made, not of the way to it
            os.link(f"/proc/self/fd/{self.handle}", name, src_dir_fd=folder, follow_symlinks=True)
        finally:
            os.close(folder)

    def _named(self) -> str:
        """Return a name of what is written aside, which it takes if it has none."""
        if self.name is None:
            name = self._spare_name()
            try:
                self._link(name)
            except OSError:  # no hard links here
                os.lseek(self.handle, 0, os.SEEK_SET)
                with open(name, "xb") as stream, open(self.handle, "rb", closefd=False) as written:
                    shutil.copyfileobj(written, stream)
                    os.fchmod(stream.fileno(), os.fstat(self.handle).st_mode & 0o777)
                    os.fsync(stream.fileno())
            self.name = name
        return self.name

    def _spare_name(self) -> str:
        handle, name = tempfile.mkstemp(prefix=f".{self.target.name[:40]}.", suffix=".tmp", dir=self.target.parent)
        os.close(handle)
        os.unlink(name)
        return name

    def take_away(self) -> None:
        """Take the file away again, and put back the one it replaced."""
        with contextlib.suppress(OSError):
            if self.before is not None:
                os.replace(self.before, self.target)
                self.before = None
            else:
                self.target.unlink()
            _flush_folder(self.target.parent)

    def drop(self) -> None:
        """Close and remove what is not under the name wanted."""
        if self.handle >= 0:
            os.close(self.handle)
            self.handle = -1
        for name in (self.name, self.before):
            if name is not None:
                with contextlib.suppress(OSError):
                    os.unlink(name)
        self.name = self.before = None


def check_free(*files: str | PathLike[str] | None, force: bool) -> None:
    """Refuse names that are taken, given twice or cannot be written, before the first of several files is written.

    Raises
    ------
    FileExists
        If a name is taken and `force` is false.
    InputError
        If two of the names are one file, or a name stands for a folder or in none that may be written to.
    """
    targets = set()
    for file in files:
        if file is None:
            continue
        if not force and os.path.lexists(file):
            raise _exists(file)
        target = os.path.realpath(file)
        if target in targets:
            raise InputError(file, "the same file for two outputs", "a name for each")
        targets.add(target)
        folder = os.path.dirname(target)
        if os.path.isdir(target):
            raise _cannot(file, OSError(errno.EISDIR, os.strerror(errno.EISDIR)))
        if not os.path.isdir(folder):
            raise _cannot(file, OSError(errno.ENOENT, os.strerror(errno.ENOENT)))
        if not os.access(folder, os.W_OK | os.X_OK):
            raise _cannot(file, OSError(errno.EACCES, os.strerror(errno.EACCES)))


def refuse_inputs(output: str | PathLike[str], inputs: Iterable[str | PathLike[str]]) -> None:
    """Refuse to write an output over a file that is read, under whatever name, even when told to overwrite.

    Raises
    ------
    InputError
        If the output is one of the inputs.
    """
    for file in inputs:
        same = False
        with contextlib.suppress(OSError, ValueError):  # what is no file, or not there, is not written over
            same = os.path.samefile(output, file)
        if same:
            raise InputError(output, "the original itself", "another name: what is read is never overwritten")


def _mode_of(target: Path) -> int:
    """Return the permissions of the file that is replaced, or those of an ordinary new file."""
    try:
        return target.stat().st_mode & 0o777
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _flush_folder(folder: Path) -> None:
    """Make the new name itself last through a power cut, where the system allows it."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exists(file: str | PathLike[str]) -> FileExists:
    shown = InputError(file, "an existing file", "a name not taken, or --force to replace it")
    return FileExists(str(shown))


def _cannot(file: str | PathLike[str], error: Exception) -> InputError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return InputError(file, reason, "a file that can be written")
