"""What can be entered in a logbook. Every function checks first, then adds whole entries in one transaction."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal

from trackbal.base.csv_table import NUMBER, CsvTable
from trackbal.base.errors import InputError, State
from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS
from trackbal.check.plausibility import same_readings
from trackbal.influence.coefficients import Influence
from trackbal.logbook.records import (
    Items,
    JobRecord,
    RunRecord,
    find_job,
    load_job,
    load_lines,
    load_rotor,
    rotor_names,
)
from trackbal.logbook.rows import Cell, Row, heading, run_of_rows
from trackbal.logbook.store import Book
from trackbal.runs.identity import EXPECTED_DATE, read_date
from trackbal.runs.pieces import can_be_fitted, nearest_that_fit
from trackbal.runs.readings import AMPLITUDE, GROUP, PHASE, SPEED
from trackbal.runs.rotor import STEP_SLACK, Rotor

_LONGEST_TEXT = 10_000

# ------------------------------------------------------------------------------ rotors and influence


def add_rotor(book: Book, text: str, source: str, author: str, why: str | None = None) -> Rotor:
    """Add a rotor, or a new definition of one of the same name.

    Raises
    ------
    InputError
        If the text is no rotor, or readings of an open job would not fit it.
    """
    rotor = Rotor.parse(text, source)
    for (job,) in book.all(
        "SELECT entry FROM job WHERE rotor = ? AND entry NOT IN (SELECT job FROM closing)", (rotor.name,)
    ):
        record = load_job(book, job)
        for run in record.runs:
            run_of_rows(rotor, run.rows, f"{source}: {record.place(run)}")
        places = [*record.as_found, *(place for items in record.done.values() for place in items)]
        for blade, adjuster in places:
            check_place(rotor, blade, adjuster, source)
    entry = book.add_entry("rotor", author, why=why)
    book.run("INSERT INTO rotor (entry, name, toml) VALUES (?, ?, ?)", (entry, rotor.name, text))
    return rotor


def add_influence(book: Book, text: str, source: str, rotor: Rotor, author: str, why: str | None = None) -> None:
    """Add an influence file of a rotor; the latest one counts."""
    Influence.parse(text, source, rotor)
    entry = book.add_entry("influence", author, why=why)
    values = (entry, rotor.name, source, text)
    book.run("INSERT INTO influence (entry, rotor, source, json) VALUES (?, ?, ?, ?)", values)


# ------------------------------------------------------------------------------ jobs


def start_job(
    book: Book,
    aircraft: str,
    rotor_name: str | None,
    name: str | None,
    as_found: Items | None,
    author: str,
    reworked: str = "",
) -> int:
    """Begin a job and return its entry.

    Parameters
    ----------
    rotor_name : str or None
        None if the logbook holds one rotor only.
    name : str or None
        None: the aircraft's name and a running number.
    as_found : Items or None
        Settings as found; None: as the aircraft's last job on this rotor left them, if there is one.
    reworked : str
        Work on head, airframe or pick-ups since the last job: the aircraft may answer otherwise than before it.

    Raises
    ------
    InputError
        If rotor or names cannot be, the job's name is taken, the aircraft has an open job, or a setting is wrong.
    """
    with book.writing():
        rotor = rotor_of(book, rotor_name)
        name = name or _free_name(book, aircraft)
        for value, what in ((aircraft, "the name of an aircraft"), (name, "the name of a job")):
            if not value or value != value.strip() or not value.isprintable():
                raise InputError(book.file, value, f"{what}: printable characters, no blanks at its ends")
        if book.one("SELECT 1 FROM job WHERE name = ?", (name,)):
            raise InputError(book.file, name, "a job name not used before")
        before = book.one(
            "SELECT entry, name FROM job WHERE aircraft = ? AND rotor = ? ORDER BY entry DESC LIMIT 1",
            (aircraft, rotor),
        )
        if before and not book.one("SELECT 1 FROM closing WHERE job = ?", (before[0],)):
            raise InputError(
                book.file, State(f"job {before[1]} of {aircraft}, still open"), "it closed first: trackbal log close"
            )
        if as_found is None:
            earlier = load_job(book, before[0]) if before else None
            last_settings = earlier.settings_text() if earlier else {}
            known = earlier.as_found if earlier else {}
            as_found = {place: text for place, text in last_settings.items() if place in known or Decimal(text) != 0}
        definition = load_rotor(book, rotor)
        for blade in definition.blades:
            for adjuster in definition.adjusters:
                setting = Decimal(as_found.get((blade, adjuster.name), "0"))
                check_range(definition, blade, adjuster.name, setting, book.file, "; --settings with what is there")
        job = book.add_entry("job", author)
        book.run("INSERT INTO job (entry, name, aircraft, rotor) VALUES (?, ?, ?, ?)", (job, name, aircraft, rotor))
        add_settings(book, job, as_found, author, None)
        if reworked.strip():
            entry = book.add_entry("reworked", author, job)
            book.run("INSERT INTO reworked (entry, job, what) VALUES (?, ?, ?)", (entry, job, reworked.strip()))
        return job


def rotor_of(book: Book, name: str | None) -> str:
    """Return a rotor's name, checked; None stands for the only one.

    Raises
    ------
    InputError
        If the logbook has no rotor of that name, or none is named and it has several.
    """
    names = rotor_names(book)
    if name is None and len(names) == 1:
        return names[0]
    if name is None or name not in names:
        raise InputError(book.file, name or "no rotor named", f"one of {', '.join(names)}, with --rotor-name")
    return name


def _free_name(book: Book, aircraft: str) -> str:
    taken = book.one("SELECT count(*) FROM job WHERE aircraft = ?", (aircraft,))
    number = (taken[0] if taken else 0) + 1
    while book.one("SELECT 1 FROM job WHERE name = ?", (f"{aircraft}-{number}",)):
        number += 1
    return f"{aircraft}-{number}"


def add_settings(book: Book, job: int, settings: Items, author: str, why: str | None) -> None:
    """Add settings as found at the start of a job; inside `writing`."""
    entry = book.add_entry("setting", author, job, why)
    rows = [(job, blade, adjuster, entry, text) for (blade, adjuster), text in settings.items()]
    book.run_many("INSERT INTO setting (job, blade, adjuster, entry, setting) VALUES (?, ?, ?, ?, ?)", rows)


def close_job(
    book: Book,
    name: str | None,
    outcome: str,
    author: str,
    check: Callable[[JobRecord], None] | None = None,
    finding: str = "",
) -> JobRecord:
    """Close a job, if `check` does not refuse it, with the mechanical cause that was found, if one was.

    Raises
    ------
    InputError
        If it is closed or a run is being typed.
    """
    with book.writing():
        record = open_job(book, name)
        _refuse_answers(record)
        if record.draft is not None:
            raise InputError(
                book.file, State("a run still being typed"), "it finished, or dropped with trackbal log run --drop"
            )
        if check is not None:
            check(record)
        if finding.strip():
            entry = book.add_entry("finding", author, record.entry)
            book.run("INSERT INTO finding (entry, job, found) VALUES (?, ?, ?)", (entry, record.entry, finding.strip()))
        entry = book.add_entry("closing", author, record.entry)
        book.run("INSERT INTO closing (entry, job, outcome) VALUES (?, ?, ?)", (entry, record.entry, outcome))
        return load_job(book, record.entry)


def open_job(book: Book, name: str | None) -> JobRecord:
    """Return a job that is open. Raises InputError if it is closed."""
    record = load_job(book, find_job(book, name))
    if record.outcome is not None:
        raise InputError(
            book.file, State(f"job {record.name}, closed"), "an open job; begin one with trackbal log start"
        )
    return record


def _refuse_answers(record: JobRecord) -> None:
    """Raise InputError while it is being answered what was done after a run: the next run would count without it."""
    for run in record.runs:
        if run.entry in record.answers:
            expected = f"it finished first: trackbal log done {record.book} --ask (or dropped, with --ask --drop)"
            raise InputError(record.book, State(f"what was done after run {run.number}, answered in part"), expected)


def job_rotor(book: Book, name: str | None) -> Rotor:
    """Return the rotor of a job."""
    row = book.one("SELECT rotor FROM job WHERE entry = ?", (find_job(book, name),))
    assert row is not None
    return load_rotor(book, row[0])


def job_to_advise(book: Book, name: str | None) -> JobRecord:
    """Return an open job after whose last run nothing has been done yet.

    Raises
    ------
    InputError
        If it has no run, a run is being typed, or adjustments after the last run are recorded.
    """
    record = open_job(book, name)
    _refuse_answers(record)
    if not record.runs:
        raise InputError(book.file, State(f"job {record.name} without a run"), "a run: trackbal log run")
    if record.draft is not None:
        raise InputError(book.file, State("a run being typed"), "it finished first: trackbal log run")
    if record.runs[-1].entry in record.done:
        expected = "the next run first: these readings are from before them"
        raise InputError(book.file, State(f"adjustments done after run {len(record.runs)}"), expected)
    return record


def add_check(book: Book, name: str | None, run: int | None, reason: str, author: str) -> tuple[JobRecord, RunRecord]:
    """Enter that record and readings of a run, by number (None: the last), were checked and stand.

    Raises
    ------
    InputError
        If there is no such run, or no reason or name is given.
    """
    if not reason.strip() or len(reason) > _LONGEST_TEXT:
        raise InputError(book.file, reason or "nothing", f"a reason of 1 to {_LONGEST_TEXT} characters")
    if not author.strip():
        raise InputError(book.file, "no name", "who checked it: --by NAME")
    with book.writing():
        record = open_job(book, name)
        if not record.runs:
            raise InputError(book.file, f"no run in job {record.name}", "a run that is not as expected")
        its_run = record.runs[-1] if run is None else the_run(record, run)
        entry = book.add_entry("checked", author, record.entry)
        values = (entry, its_run.entry, reason.strip())
        book.run("INSERT INTO checked (entry, run, reason) VALUES (?, ?, ?)", values)
        return load_job(book, record.entry), its_run


def add_note(book: Book, name: str | None, run: int | None, text: str, author: str) -> JobRecord:
    """Add a note to a job, or to one of its runs by number; return the job. Closed jobs take notes too.

    Raises
    ------
    InputError
        If the text is empty or too long, or job or run is not in the logbook.
    """
    if not text.strip() or len(text) > _LONGEST_TEXT:
        raise InputError(book.file, text or "nothing", f"a note of 1 to {_LONGEST_TEXT} characters")
    with book.writing():
        record = load_job(book, find_job(book, name))
        its_run = None if run is None else the_run(record, run).entry
        entry = book.add_entry("note", author, record.entry)
        book.run("INSERT INTO note (entry, run, text) VALUES (?, ?, ?)", (entry, its_run, text.strip()))
        return load_job(book, record.entry)


def the_run(record: JobRecord, number: int) -> RunRecord:
    """Return a finished run by its number. Raises InputError if there is none."""
    if not 1 <= number <= len(record.runs):
        raise InputError(record.book, State(f"run {number}"), f"a run of job {record.name}: it has {len(record.runs)}")
    return record.runs[number - 1]


# ------------------------------------------------------------------------------ runs


def add_run(
    book: Book, name: str | None, rows: Sequence[Row], source: str, author: str, *, anyway: bool = False
) -> JobRecord:
    """Add a whole run and return the job with it.

    Raises
    ------
    InputError
        If the rows are no readings, or, unless `anyway`, those of an earlier run of the job.
    """
    with book.writing():
        record = open_job(book, name)
        _refuse_answers(record)
        if record.draft is not None:
            raise InputError(
                book.file, State("a run being typed"), "it finished first, or dropped with trackbal log run --drop"
            )
        check_rows(record.rotor, rows, source)
        copied = copy_of(record, rows, source)
        if copied is not None and not anyway:
            raise InputError(
                source, State(f"the readings of run {copied} again"), "a new run; --anyway if it truly read the same"
            )
        run = _add_run(book, record.entry, source, author)
        add_readings(book, record.entry, run, rows, author, None)
        set_state(book, record.entry, run, "finished", author, None)
        return load_job(book, record.entry)


def copy_of(record: JobRecord, rows: Sequence[Row], source: str) -> int | None:
    """Return the number of the run of a job that has the same readings, to within rounding; None if none has."""
    read = run_of_rows(record.rotor, rows, source)
    return next((n for n, run in enumerate(record.readings, 1) if same_readings(run, read)), None)


def check_rows(rotor: Rotor, rows: Sequence[Row], source: str) -> None:
    """Raise InputError unless rows make a run with at least one reading."""
    run = run_of_rows(rotor, rows, source)
    if not run.vibration_count.any() and not run.height_taken.any():
        raise InputError(source, State("no readings"), "at least one row with a reading that counts")


def _add_run(book: Book, job: int, source: str, author: str) -> int:
    run = book.add_entry("run", author, job)
    book.run("INSERT INTO run (entry, job, source) VALUES (?, ?, ?)", (run, job, source))
    return run


def add_readings(
    book: Book, job: int, run: int, rows: Sequence[Row], author: str, why: str | None, first_line: int = 1
) -> None:
    """Add readings of a run, row after row; inside `writing`."""
    entry = book.add_entry("reading", author, job, why)
    cells = [
        (run, line, quantity, entry, cell.unit, cell.text)
        for line, row in enumerate(rows, first_line)
        for quantity, cell in row.items()
    ]
    book.run_many("INSERT INTO reading (run, line, quantity, entry, unit, value) VALUES (?, ?, ?, ?, ?, ?)", cells)


def whose_row(rotor: Rotor, date: str | None, groups: Sequence[str], source: str) -> Row:
    """Return what a person says of a whole run: its date and its groups, each as NAME=TEXT, checked.

    Raises
    ------
    InputError
        If a group is not NAME=TEXT, or the date is none.
    """
    row: Row = {} if date is None else {"date": Cell(date.strip())}
    for said in groups:
        name, equals, text = (part.strip() for part in said.partition("="))
        if not (name and equals and text) or not (name + text).isprintable():
            raise InputError(source, said, "a group as NAME=TEXT, in printable characters", column="--group")
        row[GROUP + name] = Cell(text)
    for quantity, cell in row.items():
        check_cell(rotor, quantity, cell, source)
    return row


def say_whose(book: Book, record: JobRecord, whose: Row, author: str) -> JobRecord:
    """Add what a person says of the last finished run of a job as a whole; it stands in the run's first row."""
    run = record.runs[-1].entry
    with book.writing():
        add_readings(book, record.entry, run, [whose], author, None, min(load_lines(book, run)))
        return load_job(book, record.entry)


def set_state(book: Book, job: int, run: int, state: str, author: str, why: str | None) -> None:
    """Say that a run is finished or dropped; inside `writing`."""
    entry = book.add_entry("run_state", author, job, why)
    book.run("INSERT INTO run_state (entry, run, state) VALUES (?, ?, ?)", (entry, run, state))


def begin_typing(book: Book, name: str | None, author: str) -> JobRecord:
    """Return the job with a run being typed: the one broken off, or a new one."""
    with book.writing():
        record = open_job(book, name)
        _refuse_answers(record)
        if record.draft is None:
            _add_run(book, record.entry, "typed", author)
            record = load_job(book, record.entry)
        return record


def last_typed(book: Book, run: int) -> int:
    """Return the latest entry of readings of a run; 0 if there is none."""
    row = book.one("SELECT max(entry) FROM reading WHERE run = ?", (run,))
    return int(row[0] or 0) if row else 0


def typed_elsewhere(book: Book, run: int, last_entry: int) -> list[str]:
    """Return what was typed into a run since entry `last_entry`, by whoever: "line 2, s0.amp = 0.3, by eve"."""
    rows = book.all(
        "SELECT line, quantity, value, author FROM reading JOIN entry ON entry.id = reading.entry "
        "WHERE run = ? AND entry > ? ORDER BY entry, quantity",
        (run, last_entry),
    )
    return [
        f"line {line}, {quantity} = {value or '(taken back)'}, by {author}"
        for line, quantity, value, author in rows
        if quantity != "regime"
    ]


def type_cells(
    book: Book, job: int, run: int, line: int, cells: Row, author: str, last_entry: int | None = None
) -> tuple[int, list[str]]:
    """Add what was typed into one row of a run being typed; an empty text takes back an earlier one.

    Parameters
    ----------
    seen : int, optional
        Latest entry of the run that the person has seen. If there is a later one somebody else is typing: nothing is
        added then.

    Returns
    -------
    entry, elsewhere : int, list of str
        The latest entry of the run, and what was typed elsewhere since `last_entry`, in words.

    Raises
    ------
    InputError
        If the run was finished or dropped meanwhile, by somebody else perhaps.
    """
    with book.writing():
        if book.one("SELECT 1 FROM run_state WHERE run = ?", (run,)):
            raise InputError(book.file, State("a run finished or dropped meanwhile"), "a look at trackbal log show")
        elsewhere = [] if last_entry is None else typed_elsewhere(book, run, last_entry)
        if not elsewhere:
            add_readings(book, job, run, [cells], author, None, line)
        return last_typed(book, run), elsewhere


def finish_typing(book: Book, record: JobRecord, author: str) -> JobRecord:
    """Finish the run being typed. Raises InputError if its readings do not make a run."""
    with book.writing():
        now = load_job(book, record.entry)
        if now.draft is None or record.draft is None or now.draft.entry != record.draft.entry:
            raise InputError(book.file, State("a run finished or dropped meanwhile"), "a look at trackbal log show")
        check_rows(now.rotor, now.draft.rows, now.place(now.draft))
        set_state(book, now.entry, now.draft.entry, "finished", author, None)
        return load_job(book, now.entry)


def drop_typing(book: Book, name: str | None, author: str) -> JobRecord:
    """Drop the run being typed; what was typed stays in the file. Raises InputError if there is none."""
    with book.writing():
        record = open_job(book, name)
        if record.draft is None:
            raise InputError(book.file, State("no run being typed"), "one to drop")
        set_state(book, record.entry, record.draft.entry, "dropped", author, None)
        return load_job(book, record.entry)


def check_cell(rotor: Rotor, quantity: str, cell: Cell, source: str) -> None:
    """Raise InputError unless a text is one a quantity may have; amplitude and phase are not held together here."""
    table = CsvTable(source, (heading(quantity, cell.unit),), ((cell.text,),), (1,))
    stem, _, part = quantity.rpartition(".")
    sensors = [s.name for s in rotor.sensors]
    if quantity == "regime":
        table.choices(0, [r.name for r in rotor.regimes], "regime")
    elif quantity == "rpm":
        table.numbers(0, SPEED)
    elif stem in sensors and part in ("amp", "deg"):
        table.numbers(0, AMPLITUDE if part == "amp" else PHASE)
    elif quantity in [f"height.{b}" for b in rotor.blades]:
        table.numbers(0, NUMBER)
    elif quantity == "date":
        if read_date(cell.text) is None:
            raise table.bad_cell(0, 0, EXPECTED_DATE)
    elif quantity != "note" and not any(quantity.startswith(p) and quantity != p for p in ("info.", GROUP)):
        names = ["regime", "rpm", *(f"{s}.{p}" for s in sensors for p in ("amp", "deg"))]
        names += [*(f"height.{b}" for b in rotor.blades), "note", "date", "group.<name>", "info.<anything>"]
        raise InputError(source, quantity, f"one of {', '.join(names)}")
    allowed: Sequence[str] = ()
    if part == "amp" and stem in sensors:
        allowed = tuple(VIBRATION_UNITS)
    elif quantity.startswith("height."):
        allowed = tuple(HEIGHT_UNITS)
    if cell.unit is not None and cell.unit not in allowed:
        raise InputError(source, cell.unit, f"{' or '.join(allowed)}" if allowed else "no unit here", column=quantity)


def check_place(rotor: Rotor, blade: str, adjuster: str, source: str) -> None:
    """Raise InputError unless a rotor has such a blade and adjuster."""
    if blade not in rotor.blades:
        raise InputError(source, blade, f"a blade: {', '.join(rotor.blades)}")
    if adjuster not in [a.name for a in rotor.adjusters]:
        raise InputError(source, adjuster, f"an adjuster: {', '.join(a.name for a in rotor.adjusters)}")


def check_range(
    rotor: Rotor, blade: str, adjuster: str, setting: Decimal, source: str, way: str = "; --anyway if it truly is so"
) -> None:
    """Raise InputError, with the `way` out, if a setting leaves its range or its pieces do not come to it."""
    kind = rotor.adjusters[rotor.adjuster_index(adjuster)]
    slack = STEP_SLACK * kind.step
    if not kind.minimum - slack <= float(setting) <= kind.maximum + slack:
        raise InputError(
            source,
            State(f"{adjuster} of blade {blade} at {setting:f} {kind.unit}"),
            f"{kind.minimum:g} to {kind.maximum:g}{way}",
        )
    if kind.pieces and not can_be_fitted(kind, float(setting)):
        raise InputError(
            source,
            State(f"{adjuster} of blade {blade} at {setting:f} {kind.unit}"),
            f"what its pieces come to, next to it {nearest_that_fit(kind, float(setting))}{way}",
        )


def add_import(
    book: Book,
    rotor: str,
    name: str,
    aircraft: str,
    runs: Sequence[Sequence[Row]],
    done: Sequence[Items],
    as_found: Items,
    source: str,
    author: str,
) -> None:
    """Add a whole job from elsewhere, closed; inside `writing`, after its rows have been checked."""
    job = book.add_entry("job", author, why=f"imported from {source}")
    book.run("INSERT INTO job (entry, name, aircraft, rotor) VALUES (?, ?, ?, ?)", (job, name, aircraft, rotor))
    add_settings(book, job, as_found, author, None)
    for rows, items in zip(runs, done, strict=True):
        run = _add_run(book, job, source, author)
        add_readings(book, job, run, rows, author, None)
        set_state(book, job, run, "finished", author, None)
        entry = book.add_entry("done", author, job)
        book.run("INSERT INTO done (entry, run) VALUES (?, ?)", (entry, run))
        add_adjustments(book, run, entry, items)
    entry = book.add_entry("closing", author, job)
    book.run("INSERT INTO closing (entry, job, outcome) VALUES (?, ?, ?)", (entry, job, f"imported from {source}"))


def add_adjustments(book: Book, run: int, entry: int, items: Items) -> None:
    """Add items done after a run; inside `writing`."""
    rows = [(run, blade, adjuster, entry, text) for (blade, adjuster), text in items.items()]
    book.run_many("INSERT INTO adjustment (run, blade, adjuster, entry, amount) VALUES (?, ?, ?, ?, ?)", rows)
