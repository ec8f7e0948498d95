"""Reading a text file; writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from trackbal.base.errors import FileExists, InputError


def read_text(file: str | PathLike[str], expected: str) -> str:
    """Return the text of a file in UTF-8, with or without a byte order mark.

    Raises
    ------
    InputError
        If it cannot be read, `expected` then being what is asked for, or is not UTF-8.
    """
    try:
        return Path(file).read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(file, f"byte {error.start} is not UTF-8", "a UTF-8 text file") from None
    except (OSError, ValueError) as error:  # ValueError: a path no system call accepts
        raise InputError(file, getattr(error, "strerror", None) or str(error), expected) from None


def write_whole(file: str | PathLike[str], text: str | bytes, *, force: bool) -> None:
    """Write a file whole or not at all; text as UTF-8.

    The text goes to a temporary file in the same folder, is flushed to the disk, and
    then takes the wanted name in one step. A reader sees the old file or the new one.

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
    try:
        target = Path(os.path.realpath(file))
        if not force and os.path.lexists(target):
            raise _exists(file)
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".tmp", dir=target.parent)
    except FileExists:
        raise
    except (OSError, ValueError) as error:
        raise _cannot(file, error) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(text.encode("utf-8") if isinstance(text, str) else text)
            stream.flush()
            os.fsync(stream.fileno())
        _allow_reading(temporary, target)
        if force:
            os.replace(temporary, target)
        else:
            _take_free_name(temporary, target)
    except FileExistsError:
        raise _exists(file) from None
    except (OSError, ValueError) as error:
        raise _cannot(file, error) from None
    finally:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
    _flush_folder(target.parent)


def check_free(*files: str | PathLike[str] | None, force: bool) -> None:
    """Refuse names that are taken, given twice or cannot be written, before the first of several files is written.

    Raises
    ------
    FileExists
        If a name is taken and `force` is false.
    InputError
        If two of the names are one file, or a name stands for a folder or in none that may be written to.
    """
    seen = set()
    for file in files:
        if file is None:
            continue
        if not force and os.path.lexists(file):
            raise _exists(file)
        target = os.path.realpath(file)
        if target in seen:
            raise InputError(file, "the same file for two outputs", "a name for each")
        seen.add(target)
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


def _take_free_name(temporary: str, target: Path) -> None:
    """Give the temporary file its name; FileExistsError if that is taken."""
    try:
        os.link(temporary, target)  # fails if the name is taken, unlike a rename
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links: reserve the name, then replace our own reservation
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        try:
            os.replace(temporary, target)
        except OSError:
            target.unlink()
            raise


def _allow_reading(temporary: str, target: Path) -> None:
    """Give the file the permissions of the one it replaces, or those of an ordinary new file."""
    try:
        mode = target.stat().st_mode & 0o777
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        mode = 0o666 & ~mask
    os.chmod(temporary, mode)


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
