"""Commands of the logbook: new, start, show, note, close, jobs, renew."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trackbal.commands.log import book_argument, by_option, job_option, recorded, tell, why_option
from trackbal.commands.options import echo_json, echo_text, json_option, say, settings_columns_option, typed_sheet

if TYPE_CHECKING:
    from trackbal.influence.coefficients import Influence
    from trackbal.logbook.records import JobRecord
    from trackbal.logbook.store import Book


@click.command("new")
@book_argument
@click.option("--rotor", "rotor_file", required=True, metavar="ROTOR.toml", help="The rotor; its text is kept.")
@click.option("--influence", "influence_file", metavar="INFLUENCE.json", help="Its influence; the text is kept.")
@by_option
def new_command(book_file: str, rotor_file: str, influence_file: str | None, author: str) -> int:
    """Make a new logbook, for an aircraft or for a fleet.

    \b
    Example:
      trackbal log new fleet.tblog --rotor rotor.toml --influence influence.json
    """
    from trackbal.base.files import read_text
    from trackbal.base.text_layout import wrap
    from trackbal.check.plausibility import without_stop
    from trackbal.logbook.entries import add_influence, add_rotor
    from trackbal.logbook.store import Book
    from trackbal.runs.rotor import Rotor

    rotor_text = read_text(rotor_file, "a file that can be read")
    influence_text = None if influence_file is None else read_text(influence_file, "a file that can be read")

    def fill(book: Book) -> None:
        rotor = add_rotor(book, rotor_text, rotor_file, author)
        if influence_file is not None and influence_text is not None:
            add_influence(book, influence_text, influence_file, rotor, author)

    Book.create(book_file, fill)
    missing = without_stop(Rotor.parse(rotor_text, rotor_file))
    with recorded():
        say(f"New logbook {book_file}.")
        if missing:
            say(wrap(f"No stop limit is set for {missing}: no reading there stops a job, however large it is."))
    return 0


@click.command("renew")
@book_argument
@click.option("--rotor", "rotor_file", metavar="ROTOR.toml", help="A new definition, or another rotor.")
@click.option("--influence", "influence_file", metavar="INFLUENCE.json", help="A newer influence file.")
@click.option("--rotor-name", metavar="NAME", help="Whose influence it is, if the logbook has several rotors.")
@by_option
@why_option
def renew_command(
    book_file: str,
    rotor_file: str | None,
    influence_file: str | None,
    rotor_name: str | None,
    author: str,
    why: str | None,
) -> int:
    """Add a rotor, or a newer rotor or influence file; the earlier one stays in the logbook.

    Readings keep the unit and the meaning they were entered with: a rotor file that would give past
    readings another is refused; begin a new rotor. New limits, ranges and figures for going on
    while a job is open need --why, and stand in the job; a stop limit that was reached stays reached.

    \b
    Example:
      trackbal log renew fleet.tblog --influence influence_2.json --why "ten more jobs"
    """
    from trackbal.base.files import read_text
    from trackbal.base.text_layout import wrap
    from trackbal.logbook.entries import add_influence, rotor_of
    from trackbal.logbook.records import load_rotor
    from trackbal.logbook.renewal import renew_rotor
    from trackbal.logbook.store import Book

    if rotor_file is None and influence_file is None:
        raise click.UsageError("nothing to renew: give --rotor ROTOR.toml, --influence INFLUENCE.json or both")
    rotor_text = None if rotor_file is None else read_text(rotor_file, "a file that can be read")
    influence_text = None if influence_file is None else read_text(influence_file, "a file that can be read")
    said: list[str] = []
    with Book.open(book_file, write=True) as book, book.writing():
        if rotor_file is not None and rotor_text is not None:
            rotor = renew_rotor(book, rotor_text, rotor_file, author, why, said)
        else:
            rotor = load_rotor(book, rotor_of(book, rotor_name))
        if influence_file is not None and influence_text is not None:
            add_influence(book, influence_text, influence_file, rotor, author, why)
    with recorded():
        say("\n".join(map(wrap, [f"Recorded for {rotor.name}.", *said])))
    return 0


@click.command("start")
@book_argument
@click.argument("aircraft")
@click.option("--job", "job_name", metavar="NAME", help="Name of the job [aircraft and a number].")
@click.option("--rotor-name", metavar="NAME", help="The rotor, if the logbook has several.")
@click.option(
    "--settings",
    "settings_file",
    metavar="SETTINGS.csv",
    help="Settings as found [as the aircraft's last job left them, else 0].",
)
@settings_columns_option
@click.option(
    "--reworked",
    default="",
    metavar="TEXT",
    help="Work on head, airframe or pick-ups since the last job: what was learned before is left aside.",
)
@by_option
@json_option
def start_command(
    book_file: str,
    aircraft: str,
    job_name: str | None,
    rotor_name: str | None,
    settings_file: str | None,
    reworked: str,
    author: str,
    as_json: bool,
) -> int:
    """Start a job on an aircraft.

    \b
    Example:
      trackbal log start fleet.tblog "No. 7" --settings settings.csv
    """
    from trackbal.base.cautions import general_cautions
    from trackbal.base.text_layout import listed, wrap
    from trackbal.logbook.entries import rotor_of, start_job
    from trackbal.logbook.records import load_job, load_rotor
    from trackbal.logbook.sheets import items_of_sheet
    from trackbal.logbook.store import Book
    from trackbal.plan.advice import missing_settings

    with Book.open(book_file, write=True) as book:
        as_found = None
        if settings_file is not None:
            rotor = load_rotor(book, rotor_of(book, rotor_name))
            as_found = items_of_sheet(rotor, typed_sheet(rotor, settings_file, "settings_columns"), "setting")
        job = start_job(book, aircraft, rotor_name, job_name, as_found, author, reworked)
        carried = settings_file is None and any(float(v) for v in load_job(book, job).as_found.values())
        lead = "Started. Settings are those the aircraft's last job left: check them on the aircraft."
        record = load_job(book, job)
        lead = wrap(lead) if carried else "Started."
        missing = missing_settings(record.rotor, record.settings_listed())
        if missing:
            lead += "\n" + wrap(
                f"Not in the settings as found, so taken as 0: {missing}. See what is really installed."
            )
        lead = listed("Cautions, said once a job", general_cautions()) + "\n\n" + lead
        with recorded():
            return _tell(book, job, as_json, lead=lead)


@click.command("show")
@book_argument
@job_option
@click.option("--run", "run_number", type=click.IntRange(1), metavar="N", help="A run as it was typed, as a table.")
@click.option("--all", "everything", is_flag=True, help="Every entry of the job, superseded ones too.")
@json_option
def show_command(book_file: str, job_name: str | None, run_number: int | None, everything: bool, as_json: bool) -> int:
    """Show where a job stands, and what comes next.

    Exit code 1 if a run is surprising and nobody has said why, or a reading is at its
    stop limit.

    \b
    Example:
      trackbal log show fleet.tblog
      trackbal log show fleet.tblog --run 2
    """
    from trackbal.logbook.records import find_job
    from trackbal.logbook.store import Book
    from trackbal.logbook.trail import entries_json, entries_text, trail

    with Book.open(book_file) as book:
        job = find_job(book, job_name)
        if run_number is not None:
            return _show_run(book, job, run_number, as_json)
        if not everything:
            return _tell(book, job, as_json)
        entries = trail(book, job)
    if as_json:
        echo_json({"entries": entries_json(entries)})
    else:
        echo_text(entries_text(entries))
    return 0


def _show_run(book: Book, job: int, number: int, as_json: bool) -> int:
    """Print a run as it was typed; exit code 1 if it is at a stop limit."""
    from trackbal.check.review import check_run
    from trackbal.logbook.entries import the_run
    from trackbal.logbook.records import load_job
    from trackbal.logbook.report import typed_json, typed_text
    from trackbal.logbook.standing import stopped_when_entered

    record = load_job(book, job)
    run = the_run(record, number)
    if as_json:
        echo_json(typed_json(record, run))
    else:
        echo_text(typed_text(record, run))
    stopped = check_run(record.rotor, record.readings[number - 1]).stop or stopped_when_entered(record, number - 1)
    return 1 if stopped else 0


@click.command("note")
@book_argument
@click.argument("text")
@job_option
@click.option("--run", "run_number", type=click.IntRange(1), metavar="N", help="The run it belongs to [the job].")
@by_option
@json_option
def note_command(
    book_file: str, text: str, job_name: str | None, run_number: int | None, author: str, as_json: bool
) -> int:
    """Add a note to a job or to a run.

    \b
    Example:
      trackbal log note fleet.tblog "Gusts up to 20 kt, readings restless" --run 2
    """
    from trackbal.logbook.entries import add_note
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        record = add_note(book, job_name, run_number, text, author)
        return tell(book, record, as_json, "Noted.")


@click.command("checked")
@book_argument
@click.argument("reason")
@job_option
@click.option("--run", "run_number", type=click.IntRange(1), metavar="N", help="The run that was checked [the last].")
@click.option("--by", "author", envvar="TRACKBAL_BY", metavar="NAME", required=True, help="Who checked it, and signs.")
@json_option
def checked_command(
    book_file: str, reason: str, job_name: str | None, run_number: int | None, author: str, as_json: bool
) -> int:
    """Sign that record and readings of a surprising run were checked, and go on.

    The run then stands as it is, and advice rests on it. The name and the reason
    stay in the record; where a wrong entry is found correct it instead, and where a
    mechanical cause is found close the job with it.

    \b
    Example:
      trackbal log checked fleet.tblog "Pitch link 3 measured, sheet compared: as written" --by "R. Lindqvist"
    """
    from trackbal.logbook.entries import add_check
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        record, run = add_check(book, job_name, run_number, reason, author)
        return tell(book, record, as_json, f"Run {run.number} checked by {author}: it stands.", state=True)


@click.command("close")
@book_argument
@job_option
@click.option("--outcome", default="", metavar="TEXT", help="How it ended, in words.")
@click.option("--finding", default="", metavar="TEXT", help="The mechanical cause that was found and put right.")
@by_option
@json_option
def close_command(book_file: str, job_name: str | None, outcome: str, finding: str, author: str, as_json: bool) -> int:
    """Close a job and sum it up. Corrections and notes are still taken afterwards.

    Closing releases nothing: the manual, local rules and licensed people decide.
    What is not read and inside its limit in the last run of its regime needs a reason:
    --outcome. Exit code 1 then. So is it where a run is surprising and nobody has said why.
    A finding says why, and ends the job: the work on it is no adjustment, so the next
    run begins another.

    \b
    Example:
      trackbal log close fleet.tblog --outcome "inside limits, signed by the inspector"
    """
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.entries import close_job
    from trackbal.logbook.report import close_json, close_text
    from trackbal.logbook.standing import refuse_unfinished, stand
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        check = None if outcome.strip() or finding.strip() else refuse_unfinished
        said = f"found: {finding.strip()}" if finding.strip() else "closed without words"
        record = close_job(book, job_name, outcome or said, author, check, finding)
        influence = _influence(book, record)
        standing = stand(record, influence, earlier_jobs(book, record, influence))
    with recorded():
        if as_json:
            echo_json(close_json(record, standing))
        else:
            echo_text(close_text(record, standing))
    return 0 if standing.finished and not standing.on_hold else 1


@click.command("jobs")
@book_argument
@click.option("--open", "only_open", is_flag=True, help="Open jobs only.")
@click.option("--last", type=click.IntRange(1), default=20, show_default=True, metavar="N", help="How many, newest.")
@json_option
def jobs_command(book_file: str, only_open: bool, last: int, as_json: bool) -> int:
    """List the jobs of a logbook, newest last.

    \b
    Example:
      trackbal log jobs fleet.tblog --open
    """
    from trackbal.base.text_layout import count
    from trackbal.logbook.store import Book
    from trackbal.logbook.trail import list_jobs

    with Book.open(book_file) as book:
        jobs = list_jobs(book, last, only_open=only_open)
    if as_json:
        echo_json({"jobs": jobs})
    elif not jobs:
        say("No job.")
    else:
        for job in jobs:
            state = "open" if job["outcome"] is None else f"closed: {' '.join(job['outcome'].split())}"
            say(f"{job['job']}: {job['aircraft']}, {job['rotor']}, {count(job['runs'], 'run')}, {job['at']}, {state}")
    return 0


def _tell(book: Book, job: int, as_json: bool, lead: str = "") -> int:
    """Print where a job stands and return the exit code."""
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.records import load_job
    from trackbal.logbook.report import job_json, job_text
    from trackbal.logbook.standing import stand

    record = load_job(book, job)
    influence = _influence(book, record)
    standing = stand(record, influence, earlier_jobs(book, record, influence))
    if as_json:
        echo_json(job_json(record, standing))
    else:
        echo_text((lead + "\n" if lead else "") + job_text(record, standing))
    return 1 if standing.warns else 0


def _influence(book: Book, record: JobRecord) -> Influence | None:
    from trackbal.logbook.records import influence_if_any

    return influence_if_any(book, record.rotor)
