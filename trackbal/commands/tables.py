"""Command that turns any table into one of trackbal's sheets: convert."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from trackbal.commands.options import Output, columns_option, echo_json, force_option, json_option, rotor_option, say

if TYPE_CHECKING:
    from trackbal.tables.converting import Converted

_MOST_OF_KIND = 8
_KINDS = ("run", "history", "adjustments", "history_adjustments", "settings")


@click.command()
@click.argument("table", metavar="TABLE")
@rotor_option
@columns_option
@click.option("--draft", "draft_file", cls=Output, metavar="MAP.toml", help="Write a map to begin with, and no sheet.")
@click.option("--kind", type=click.Choice(_KINDS), default="history", show_default=True, help="What the draft is for.")
@click.option("--out", "out", cls=Output, metavar="SHEET.csv", help="Write the sheet.")
@click.option("--check", "only_check", is_flag=True, help="Only say what is matched to what, and every fault.")
@json_option
@force_option
def convert(
    table: str,
    rotor_file: str,
    draft_file: str | None,
    kind: str,
    out: str | None,
    only_check: bool,
    as_json: bool,
    force: bool,
) -> int:
    """Turn a table of any shape into one of trackbal's sheets.

    TABLE is .csv with any separator, decimal sign and encoding, or .xlsx. A map (MAP.toml)
    says what its columns and labels stand for; --draft writes one to begin with. Every
    fault is named with its cell, the commonest kind first; nothing is written with any.
    With --check the faults are the answer; else they go to standard error.

    \b
    Example:
      trackbal convert flights.xlsx --rotor rotor.toml --draft map.toml
      trackbal convert flights.xlsx --rotor rotor.toml --columns map.toml --out history.csv
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.commands.options import column_map
    from trackbal.runs.rotor import Rotor
    from trackbal.tables.converting import convert as convert_table

    rotor = Rotor.load(rotor_file)
    given = column_map("columns")
    if (draft_file is None) == (given is None) or (given is not None and (out is None) != only_check):
        raise click.UsageError("give --draft MAP.toml, or --columns MAP.toml with --out SHEET.csv or --check")
    if given is None:
        assert draft_file is not None
        from trackbal.tables.column_map import draft
        from trackbal.tables.raw_table import read_table

        text = draft(rotor, read_table(table), kind)  # type: ignore[arg-type]
        with Outputs([(draft_file, text)], force=force):
            say(f"A draft is written to {draft_file}: look at every line, then convert with --columns {draft_file}.")
        return 0
    check_free(out, force=force)
    found = convert_table(rotor, table, given)
    made = [] if out is None or found.faults else [(out, found.csv_text())]
    with Outputs(made, force=force):
        if as_json:
            echo_json(_json(found))
        else:
            say(_text(found, out), nl=False, err=bool(found.faults) and not only_check)
    return 2 if found.faults else 0


def _text(found: Converted, out: str | None) -> str:
    lines = ["Matched"] + [f"  {theirs} -> {ours}" for theirs, ours in found.matched]
    lines += [f"Passed over: {count} {why}" for why, count in found.passed_over.items()]
    if found.faults:
        lines.append(f"{len(found.faults)} fault{'' if len(found.faults) == 1 else 's'}; nothing is written")
    for words, faults in found.by_kind:
        lines.append(f"  {len(faults)} x {words}")
        cells = [f"row {f.line}{f' ({f.cell})' if f.cell else ''} '{f.found or 'an empty cell'}'" for f in faults]
        more = len(cells) - _MOST_OF_KIND
        lines.append("      " + ", ".join(cells[:_MOST_OF_KIND]) + (f" and {more} more" if more > 0 else ""))
    if not found.faults:
        lines.append(f"{found.table.rows} rows" + (f" written to {out}." if out else ", no fault."))
    return "\n".join(lines) + "\n"


def _json(found: Converted) -> dict[str, Any]:
    return {
        "rows": found.table.rows,
        "matched": [{"found": theirs, "taken_for": ours} for theirs, ours in found.matched],
        "passed_over": found.passed_over,
        "faults": [
            {"row": f.line, "cell": f.cell, "column": f.heading, "found": f.found, "expected": f.expected}
            for _, faults in found.by_kind
            for f in faults
        ],
    }
