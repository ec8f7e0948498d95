"""The commands of the logbook, loaded when they are called."""

from __future__ import annotations

import contextlib
import getpass
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from trackbal.commands.lazy import LazyGroup
from trackbal.commands.options import echo_json, echo_text, say

if TYPE_CHECKING:
    from trackbal.logbook.records import JobRecord
    from trackbal.logbook.store import Book

#: Command -> where it is, in the order of a job.
_HOMES = {
    "new": "log_book:new_command",
    "start": "log_book:start_command",
    "run": "log_run:run_command",
    "show": "log_book:show_command",
    "advise": "log_advise:advise_command",
    "trial": "log_trial:trial_command",
    "done": "log_done:done_command",
    "checked": "log_book:checked_command",
    "note": "log_book:note_command",
    "correct": "log_correct:correct_command",
    "close": "log_book:close_command",
    "jobs": "log_book:jobs_command",
    "renew": "log_book:renew_command",
    "export": "log_exchange:export_command",
    "import": "log_exchange:import_command",
}


@click.group(cls=LazyGroup, homes=_HOMES)
def log() -> None:
    """Keep the record of a job: runs, advice, what was truly done, in one file.

    Every entry is on the disk before the command says so, and none is ever
    overwritten: a correction supersedes, and what it corrects stays visible.

    \b
    Example, a job from start to close:
      trackbal log new fleet.tblog --rotor rotor.toml --influence influence.json
      trackbal log start fleet.tblog "No. 7" --settings settings.csv
      trackbal log run fleet.tblog              (or: ... run1.csv)
      trackbal log advise fleet.tblog           (not enough known: trackbal log trial)
      trackbal log done fleet.tblog             (as advised; or: --ask)
      trackbal log run fleet.tblog
      trackbal log close fleet.tblog
    """


book_argument = click.argument("book_file", metavar="LOGBOOK")
job_option = click.option("--job", "job_name", metavar="NAME", help="The job, if more than one is open.")
by_option = click.option(
    "--by", "author", envvar="TRACKBAL_BY", metavar="NAME", default=lambda: who(), help="Who enters it [login name]."
)
why_option = click.option("--why", metavar="TEXT", help="Why it is corrected.")


def who() -> str:
    """Return the login name, or "unknown"."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


@contextlib.contextmanager
def recorded() -> Iterator[None]:
    """Say of an entry that stands, where the answer printed inside does not reach its reader, that it stands."""
    from trackbal.base.errors import AnswerLost

    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        found = f"standard output: found '{error.strerror or error}', expected room for the answer"
        raise AnswerLost(f"{found}; the entry is recorded: do not make it again") from None


def tell(
    book: Book, record: JobRecord, as_json: bool, text: str, run: int | None = None, *, state: bool = False
) -> int:
    """Say that an entry was made: in words, or as where the job stands now in JSON; return the exit code.

    Parameters
    ----------
    run : int, optional
        Number of the run that was corrected: what is hard to believe in it is said.
    state : bool
        The entry may move where the job stands: that is said too, and a warning gives exit code 1.
    """
    if not (as_json or state):
        with recorded():
            say(text)
        return 0
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.records import influence_if_any
    from trackbal.logbook.report import corrected_text, job_json
    from trackbal.logbook.standing import stand

    influence = influence_if_any(book, record.rotor)
    standing = stand(record, influence, earlier_jobs(book, record, influence))
    with recorded():
        if as_json:
            echo_json(job_json(record, standing))
        else:
            echo_text(corrected_text(standing, text, run))
    return 1 if state and standing.warns else 0
