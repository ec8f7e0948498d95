"""Options that several commands share."""

from __future__ import annotations

import json
import math
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from trackbal.base.errors import visible, visible_json

if TYPE_CHECKING:
    from trackbal.base.csv_table import CsvTable
    from trackbal.influence.coefficients import Influence
    from trackbal.runs.preferences import Preferences
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.run import History
    from trackbal.tables.column_map import ColumnMap


class Output(click.Option):
    """An option that names a file to write: never one that the same command reads, even when told to overwrite.

    `but`: parameters whose files it may replace all the same.
    """

    def __init__(self, *args: Any, but: Sequence[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._but = but

    def handle_parse_result(
        self, ctx: click.Context, opts: Mapping[str, Any], args: list[str]
    ) -> tuple[Any, list[str]]:
        """Refuse a file that another option or argument names as an input."""
        wanted = opts.get(self.name or "")
        if isinstance(wanted, str):
            from trackbal.base.files import refuse_inputs

            refuse_inputs(wanted, self._inputs(ctx, opts))
        return super().handle_parse_result(ctx, opts, args)

    def _inputs(self, ctx: click.Context, opts: Mapping[str, Any]) -> Iterator[str]:
        for param in ctx.command.params:
            given = opts.get(param.name or "")
            if not isinstance(param, Output) and param.name not in self._but:
                yield from (v for v in (given if isinstance(given, list | tuple) else [given]) if isinstance(v, str))


rotor_option = click.option("--rotor", "rotor_file", required=True, metavar="ROTOR.toml", help="The rotor.")
run_option = click.option(
    "--run",
    "run_file",
    required=True,
    metavar="SHEET.csv",
    help="The readings of the run; - reads them from standard input.",
)
influence_option = click.option(
    "--influence", "influence_file", required=True, metavar="INFLUENCE.json", help="Influence coefficients, from fit."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
all_option = click.option(
    "--all", "everything", is_flag=True, help="All readings, further adjustments and cautions, not one screen."
)
force_option = click.option("--force", is_flag=True, help="Overwrite files that exist.")


class _Chance(click.FloatRange):
    """A number above 0 and up to 1; "nan", which is neither below nor above, is refused too."""

    def __init__(self) -> None:
        super().__init__(0.0, 1.0, min_open=True)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number: float = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value} is not in the range {self._describe_range()}.", param, ctx)
        return number


most_option = click.option(
    "--most",
    type=click.IntRange(0, 12),
    help="Most adjustments in a plan [6, and up to 12 while that buys chance].",
)
chance_option = click.option(
    "--chance",
    type=_Chance(),
    default=0.9,
    show_default=True,
    help="Wanted chance that the next run is inside limits.",
)

plan_anyway_option = click.option(
    "--plan-anyway",
    is_flag=True,
    help='Show the plan even where the answer is to find a mechanical cause ("investigate").',
)


def _remember(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    """Keep a map's file where `column_map` finds it."""
    ctx.meta[f"trackbal.{param.name}"] = value


def _map_option(name: str, says: str) -> Callable[..., Any]:
    """Return the option that takes a map; `column_map` finds it."""
    return click.option(name, metavar="MAP.toml", expose_value=False, callback=_remember, help=says)


#: The map of a table that is no sheet of ours, wherever a sheet is read; see `table_of`.
columns_option = _map_option("--columns", "What the columns of a table of another shape stand for (see convert).")
adjustment_columns_option = _map_option("--adjustment-columns", "The same of the adjustments.")
settings_columns_option = _map_option("--settings-columns", "The same of the settings.")


def column_map(which: str) -> ColumnMap | None:
    """Return the map given with --columns, --adjustment-columns or --settings-columns, None without."""
    file = click.get_current_context().meta.get(f"trackbal.{which}")
    if file is None:
        return None
    from trackbal.tables.column_map import ColumnMap

    return ColumnMap.load(file)


def table_of(rotor: Rotor, file: str, which: str = "columns") -> CsvTable:
    """Return a sheet, by the map given with it if one is."""
    given = column_map(which)
    if given is None:
        from trackbal.base.csv_table import CsvTable

        return CsvTable.load(file)
    from trackbal.tables.converting import load_table

    return load_table(rotor, file, given)


def settings_table(rotor: Rotor, file: str | None) -> CsvTable | None:
    """Return a settings sheet, by --settings-columns if that is given; None where there is none."""
    return None if file is None else table_of(rotor, file, "settings_columns")


def typed_sheet(rotor: Rotor, file: str, which: str) -> str | CsvTable:
    """Return a sheet of a logbook as it was typed: its file, or the table that the map given with it makes of it."""
    return file if column_map(which) is None else table_of(rotor, file, which)


_PREFERENCES = (
    click.option("--hold", multiple=True, metavar="[BLADE:]ADJUSTER", help="Leave it alone; ADJUSTER: on every blade."),
    click.option("--reference", metavar="BLADE", help="A blade that is not touched at all."),
    click.option("--most-blades", multiple=True, metavar="KIND:N", help="Change a kind on at most N blades: weight:2."),
    click.option("--no-opposite-weights", is_flag=True, help="No weights on nearly opposite blades at once."),
    click.option(
        "--near-neutral", multiple=True, metavar="ADJUSTER:AMOUNT", help="Leave an adjuster no farther from 0: tab:3."
    ),
    click.option("--links-sum-to-zero", is_flag=True, help="Pitch-link changes add up to nothing."),
    click.option("--aim", type=float, metavar="PART", help="Plan for this part of every limit, such as 0.5."),
    click.option(
        "--track-first", is_flag=True, help="While tips on the ground are outside, pitch links alone, for the tips."
    ),
    click.option("--no-preferences", is_flag=True, help="Leave aside the preferences in the rotor file."),
)


def preference_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options by which a crew says what it would rather keep to in this job."""
    return _with(_PREFERENCES, command)


def job_wishes(rotor: Rotor, kept: Preferences | None = None, **job: Any) -> Preferences:
    """Return the preferences of a job: what it `kept` from before, and what is said now (`preference_options`)."""
    from trackbal.runs.preferences import NO_PREFERENCES, job_preferences

    said = job_preferences(rotor.blades, [a.name for a in rotor.adjusters], **job)
    return (kept or NO_PREFERENCES).with_those_of(said)


def preferring(rotor: Rotor, wishes: Preferences, *, no_preferences: bool) -> Rotor:
    """Return the rotor with the wishes of a job beside its own preferences, which `no_preferences` leaves aside."""
    from dataclasses import replace

    from trackbal.runs.preferences import NO_PREFERENCES

    of_rotor = NO_PREFERENCES if no_preferences else rotor.preferences
    return replace(rotor, preferences=of_rotor.with_those_of(wishes))


_ADVICE_OPTIONS = (
    rotor_option,
    run_option,
    columns_option,
    influence_option,
    click.option("--settings", "settings_file", metavar="SETTINGS.csv", help="What is installed now; not listed is 0."),
    settings_columns_option,
    most_option,
    chance_option,
    click.option("--nominal", is_flag=True, help="Search as if the influence were known exactly."),
    click.option("--override-stop", is_flag=True, help="Offer plans although a reading is at its stop limit."),
    plan_anyway_option,
    *_PREFERENCES,
    click.option("--runs", "runs_file", metavar="HISTORY.csv", help="Earlier runs of --aircraft, with that column."),
    click.option("--adjustments", "adjustments_file", metavar="HISTORY_ADJ.csv", help="What was done between them."),
    click.option(
        "--since", metavar="JOB", help="The first of its jobs to count: head, airframe or pick-ups were new then."
    ),
    click.option("--plan-out", cls=Output, metavar="ADJ.csv", help="Write the recommended adjustments to a sheet."),
)


def advice_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options from which advice is worked out."""
    return _with(_ADVICE_OPTIONS, command)


_HISTORY_OPTIONS = (
    rotor_option,
    click.option("--runs", "runs_file", metavar="HISTORY.csv", help="Past runs, with job and run columns."),
    click.option(
        "--adjustments", "adjustments_file", metavar="HISTORY_ADJ.csv", help="The adjustments made between them."
    ),
    columns_option,
    adjustment_columns_option,
    click.option("--log", "log_files", multiple=True, metavar="LOGBOOK", help="A logbook instead; may be repeated."),
)


def history_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options that name a rotor and its past runs."""
    return _with(_HISTORY_OPTIONS, command)


def past_runs(rotor: Rotor, runs_file: str | None, adjustments_file: str | None, log_files: tuple[str, ...]) -> History:
    """Return past runs from the two sheets of a history, or from logbooks, as `history_options` name them."""
    if log_files and runs_file is None and adjustments_file is None:
        from trackbal.logbook.exchange import read_logbooks

        return read_logbooks(rotor, log_files)
    if not log_files and runs_file is not None and adjustments_file is not None:
        from trackbal.runs.sheets import history_of

        tables = table_of(rotor, runs_file), table_of(rotor, adjustments_file, "adjustment_columns")
        return history_of(rotor, *tables)
    raise click.UsageError("give --runs HISTORY.csv with --adjustments HISTORY_ADJ.csv, or --log LOGBOOK")


def _with(options: Sequence[Callable[..., Any]], command: Callable[..., int]) -> Callable[..., int]:
    for option in reversed(options):
        command = option(command)
    return command


NO_PLAN = "No plan written: the answer recommends none."


def warn_of_other_rotor(rotor: Rotor, *influences: Influence) -> None:
    """Say on stderr which influence files are named for another rotor."""
    from trackbal.base.cautions import other_rotor

    for influence in influences:
        for line in (*other_rotor(influence.rotor_name, rotor.name), *influence.differs):
            say(line, err=True)


#: Of every JSON answer; grows when a reader of an earlier one would get something wrong.
SCHEMA_VERSION = 1

#: Words that colour makes stronger, on a terminal that may have colour; they stand there without it too.
_STRONG = re.compile(r"\b(STOP|INVESTIGATE|SURPRISING|NOT inside limits|THE OTHER WAY|OVER|LEARN|HOLD)\b")


def say(text: str = "", *, nl: bool = True, err: bool = False) -> None:
    """Print a line or more, with nothing in it that would act on the terminal unseen."""
    click.echo(visible(text), nl=nl, err=err)


def echo_text(text: str) -> None:
    """Print an answer in words; on a terminal its strongest words are coloured, unless NO_COLOR is set."""
    text = visible(text)
    if sys.stdout.isatty() and not os.environ.get("NO_COLOR"):
        text = _STRONG.sub(lambda word: click.style(word[0], fg="red", bold=True), text)
    click.echo(text, nl=False)


def written(card_file: str | None, plan_file: str | None) -> list[str]:
    """Return which of an advice's files were written, in words."""
    named = (("Card", card_file), ("Plan", plan_file))
    return [f"{what} written to {file}." for what, file in named if file is not None]


def echo_json(answer: dict[str, Any]) -> None:
    """Print an answer as JSON, in lines for a person on a terminal; numbers are not rounded."""
    answer = {"schema_version": SCHEMA_VERSION} | answer
    # in lines it is written without the C encoder, which on a sheet of 48 sensors takes longer than the search
    indent = 2 if sys.stdout.isatty() else None
    click.echo(visible_json(json.dumps(answer, indent=indent, allow_nan=False, ensure_ascii=False)))
