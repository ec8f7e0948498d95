"""Commands of the logbook: export, import."""

from __future__ import annotations

import click

from trackbal.commands.log import book_argument, by_option, recorded
from trackbal.commands.options import (
    Output,
    adjustment_columns_option,
    columns_option,
    echo_json,
    force_option,
    json_option,
    say,
    settings_columns_option,
    settings_table,
    table_of,
)


@click.command("export")
@book_argument
@click.option("--job", "job_name", metavar="NAME", help="One job only.")
@click.option("--rotor-name", metavar="NAME", help="The rotor, if the logbook has several.")
@click.option("--runs", "runs_file", cls=Output, metavar="HISTORY.csv", help="History sheet of the runs.")
@click.option(
    "--adjustments", "adjustments_file", cls=Output, metavar="HISTORY_ADJ.csv", help="Adjustments done between them."
)
@click.option("--settings", "settings_file", cls=Output, metavar="SETTINGS.csv", help="Settings as found, job by job.")
@click.option(
    "--settings-now", "now_file", cls=Output, metavar="SETTINGS.csv", help="What is installed now, of one --job."
)
@click.option(
    "--xlsx", "workbook_file", cls=Output, metavar="FILE.xlsx", help="All three as a workbook (needs openpyxl)."
)
@json_option
@force_option
def export_command(
    book_file: str,
    job_name: str | None,
    rotor_name: str | None,
    runs_file: str | None,
    adjustments_file: str | None,
    settings_file: str | None,
    now_file: str | None,
    workbook_file: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Write the sheets that fit, advise and other programs read; cells stand as typed.

    \b
    Example:
      trackbal log export fleet.tblog --runs history.csv --adjustments history_adj.csv
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.base.text_layout import count
    from trackbal.logbook.entries import rotor_of
    from trackbal.logbook.exchange import history_sheets, load_all
    from trackbal.logbook.records import find_job, load_job, load_rotor
    from trackbal.logbook.sheets import csv_text, settings_sheet
    from trackbal.logbook.store import Book

    wanted = (runs_file, adjustments_file, settings_file, now_file, workbook_file)
    if not any(wanted):
        raise click.UsageError("nothing to write: give --runs, --adjustments, --settings, --settings-now or --xlsx")
    if now_file is not None and job_name is None:
        raise click.UsageError("--settings-now is of one job: name it with --job")
    check_free(*wanted, force=force)
    with Book.open(book_file) as book:
        record = load_job(book, find_job(book, job_name)) if job_name is not None else None
        rotor = record.rotor if record is not None else load_rotor(book, rotor_of(book, rotor_name))
        jobs = load_all(book, rotor.name, job_name)
        sheets = dict(zip(("runs", "adjustments", "settings"), history_sheets(rotor, jobs, book_file), strict=True))
    pages: list[tuple[str, str | bytes]] = [
        (file, csv_text(sheets[name]))
        for file, name in ((runs_file, "runs"), (adjustments_file, "adjustments"), (settings_file, "settings"))
        if file is not None
    ]
    if now_file is not None and record is not None:
        pages.append((now_file, csv_text(settings_sheet(record))))
    if workbook_file is not None:
        from trackbal.logbook.workbook import workbook_bytes

        pages.append((workbook_file, workbook_bytes(sheets, workbook_file)))
    counts = {"jobs": len(jobs), "runs": sum(len(job.runs) for job in jobs), "files": [file for file, _ in pages]}
    with Outputs(pages, force=force):
        if as_json:
            echo_json(counts)
        else:
            held = f"{count(len(jobs), 'job')}, {count(sum(len(job.runs) for job in jobs), 'run')}"
            say(f"{held} written to {', '.join(file for file, _ in pages)}.")
    return 0


@click.command("import")
@book_argument
@click.option("--runs", "runs_file", metavar="HISTORY.csv", help="History sheet of the runs.")
@click.option("--adjustments", "adjustments_file", metavar="HISTORY_ADJ.csv", help="Adjustments done between them.")
@click.option(
    "--settings", "settings_file", metavar="SETTINGS.csv", help="Settings as found: job, blade, adjuster, setting."
)
@click.option(
    "--xlsx", "workbook_file", metavar="FILE.xlsx", help="A workbook with sheets runs, adjustments, settings."
)
@columns_option
@adjustment_columns_option
@settings_columns_option
@click.option("--rotor-name", metavar="NAME", help="The rotor, if the logbook has several.")
@by_option
@json_option
def import_command(
    book_file: str,
    runs_file: str | None,
    adjustments_file: str | None,
    settings_file: str | None,
    workbook_file: str | None,
    rotor_name: str | None,
    author: str,
    as_json: bool,
) -> int:
    """Take past jobs into the logbook, closed: all of them, or none if anything is wrong.

    The aircraft of a job is what its rows say under aircraft, else the job's name.
    Exit code 1 if repeated readings contradict one another or are copies, a job stands there twice, or a row goes on
    with a run after a later one had begun.

    \b
    Example:
      trackbal log import fleet.tblog --runs history.csv --adjustments history_adj.csv
    """
    from trackbal.base.csv_table import CsvTable
    from trackbal.base.text_layout import count
    from trackbal.logbook.entries import rotor_of
    from trackbal.logbook.exchange import import_history
    from trackbal.logbook.records import load_rotor
    from trackbal.logbook.store import Book
    from trackbal.runs.resumed import resumed_in_words

    if workbook_file is None and (runs_file is None or adjustments_file is None):
        raise click.UsageError("give --runs and --adjustments, or --xlsx")
    with Book.open(book_file, write=True) as book:
        rotor = load_rotor(book, rotor_of(book, rotor_name))
        settings: CsvTable | None = None
        if workbook_file is not None:
            from trackbal.logbook.workbook import load_sheet

            runs, adjustments = load_sheet(workbook_file, "runs"), load_sheet(workbook_file, "adjustments")
            settings = load_sheet(workbook_file, "settings")
        else:
            assert runs_file is not None and adjustments_file is not None
            runs, adjustments = table_of(rotor, runs_file), table_of(rotor, adjustments_file, "adjustment_columns")
            settings = settings_table(rotor, settings_file)
        names, history = import_history(book, runs, adjustments, settings, author, rotor_name=rotor_name)
    with recorded():
        if as_json:
            odd = [{"job": o.job, "run": o.run, "why": o.text} for o in history.odd]
            echo_json({"jobs": names, "odd_repeats": odd, "resumed_rows": [vars(one) for one in history.resumed]})
        else:
            lines = [f"job {one.job} run {one.run}: {one.text}" for one in history.odd]
            say("\n".join([f"{count(len(names), 'job')} taken in.", *lines, *resumed_in_words(history.resumed)]))
    return 1 if history.odd or history.resumed else 0
