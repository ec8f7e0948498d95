"""The tables of a logbook, its version, and the rules the file itself enforces.

Every table refuses to change or delete a row, and to replace one. `entry` says who wrote
what when and why; the other tables hold what was written, by the number of the entry.
"""

from __future__ import annotations

#: Marks an SQLite file as a logbook of trackbal ("TBlg").
APPLICATION_ID = 0x54426C67


def _items(table: str, of: str, entry: str, value: str) -> str:
    """Return the table of what is said, entry by entry, of each adjuster of each blade in a job or after a run."""
    return f"""CREATE TABLE {table} (
    {of} INTEGER NOT NULL REFERENCES {of} (entry),
    blade TEXT NOT NULL,
    adjuster TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES {entry},
    {value} TEXT NOT NULL,
    PRIMARY KEY ({of}, blade, adjuster, entry)
) WITHOUT ROWID;"""


_TABLES = f"""
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    job INTEGER REFERENCES entry (id),
    at TEXT NOT NULL,
    author TEXT NOT NULL,
    why TEXT
);
CREATE INDEX entry_of_job ON entry (job);
CREATE TABLE rotor (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    name TEXT NOT NULL,
    toml TEXT NOT NULL
);
CREATE TABLE influence (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    rotor TEXT NOT NULL,
    source TEXT NOT NULL,
    json TEXT NOT NULL
);
CREATE TABLE job (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    name TEXT NOT NULL UNIQUE,
    aircraft TEXT NOT NULL,
    rotor TEXT NOT NULL
);
CREATE INDEX job_of_aircraft ON job (aircraft, rotor);
{_items("setting", of="job", entry="entry (id)", value="setting")}
CREATE TABLE run (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    job INTEGER NOT NULL REFERENCES job (entry),
    source TEXT NOT NULL
);
CREATE INDEX run_of_job ON run (job);
CREATE TABLE reading (
    run INTEGER NOT NULL REFERENCES run (entry),
    line INTEGER NOT NULL,
    quantity TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (id),
    unit TEXT,
    value TEXT NOT NULL,
    PRIMARY KEY (run, line, quantity, entry)
) WITHOUT ROWID;
CREATE TABLE run_state (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER NOT NULL REFERENCES run (entry),
    state TEXT NOT NULL CHECK (state IN ('finished', 'dropped'))
);
CREATE INDEX state_of_run ON run_state (run);
CREATE TABLE advice (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER NOT NULL REFERENCES run (entry),
    influence INTEGER NOT NULL REFERENCES influence (entry),
    verdict TEXT NOT NULL,
    chance REAL,
    answer TEXT NOT NULL
);
CREATE INDEX advice_of_run ON advice (run);
CREATE TABLE advised (
    entry INTEGER NOT NULL REFERENCES advice (entry),
    blade TEXT NOT NULL,
    adjuster TEXT NOT NULL,
    amount TEXT NOT NULL,
    PRIMARY KEY (entry, blade, adjuster)
) WITHOUT ROWID;
CREATE TABLE done (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER NOT NULL REFERENCES run (entry)
);
CREATE INDEX done_of_run ON done (run);
{_items("adjustment", of="run", entry="done (entry)", value="amount")}
CREATE TABLE note (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER REFERENCES run (entry),
    text TEXT NOT NULL
);
CREATE TABLE closing (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    job INTEGER NOT NULL UNIQUE REFERENCES job (entry),
    outcome TEXT NOT NULL
);
"""

#: What is answered to `log done --ask`, kept answer by answer until it is recorded as done, or dropped.
_ANSWERS = f"""
{_items("answer", of="run", entry="entry (id)", value="amount")}
CREATE TABLE answers_end (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER NOT NULL REFERENCES run (entry)
);
CREATE INDEX answers_end_of_run ON answers_end (run);
"""
_ANSWER_KEYS = {"answer": ("run", "blade", "adjuster", "entry"), "answers_end": ("entry",)}

#: A person has checked record and readings of a surprising run, and goes on; a mechanical cause found and put right;
#: work before a job after which the aircraft may answer otherwise than in its earlier jobs.
_CHECKS = """
CREATE TABLE checked (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    run INTEGER NOT NULL REFERENCES run (entry),
    reason TEXT NOT NULL
);
CREATE INDEX checked_of_run ON checked (run);
CREATE TABLE reworked (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    job INTEGER NOT NULL REFERENCES job (entry),
    what TEXT NOT NULL
);
CREATE TABLE finding (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    job INTEGER NOT NULL REFERENCES job (entry),
    found TEXT NOT NULL
);
"""
_CHECK_KEYS = {"checked": ("entry",), "finding": ("entry",), "reworked": ("entry",)}

#: Table -> the columns that tell its rows apart.
_KEYS = {
    "entry": ("id",),
    "rotor": ("entry",),
    "influence": ("entry",),
    "job": ("entry",),
    "setting": ("job", "blade", "adjuster", "entry"),
    "run": ("entry",),
    "reading": ("run", "line", "quantity", "entry"),
    "run_state": ("entry",),
    "advice": ("entry",),
    "advised": ("entry", "blade", "adjuster"),
    "done": ("entry",),
    "adjustment": ("run", "blade", "adjuster", "entry"),
    "note": ("entry",),
    "closing": ("entry",),
}


def append_only(table: str, key: tuple[str, ...]) -> str:
    """Return the triggers by which a table refuses to change, delete or replace a row."""
    same = " AND ".join(f"{column} = NEW.{column}" for column in key)
    refusal = f"SELECT RAISE(ABORT, 'a logbook only grows: no row of {table} may be %s')"
    return f"""
CREATE TRIGGER {table}_keeps BEFORE UPDATE ON {table} BEGIN {refusal % "changed"}; END;
CREATE TRIGGER {table}_stays BEFORE DELETE ON {table} BEGIN {refusal % "deleted"}; END;
CREATE TRIGGER {table}_once BEFORE INSERT ON {table}
WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) BEGIN {refusal % "replaced"}; END;
"""


#: STEPS[v] brings a file from version v to version v + 1; a new file takes all of them.
STEPS: tuple[str, ...] = (
    _TABLES + "".join(append_only(table, key) for table, key in _KEYS.items()),
    _ANSWERS + "".join(append_only(table, key) for table, key in _ANSWER_KEYS.items()),
    _CHECKS + "".join(append_only(table, key) for table, key in _CHECK_KEYS.items()),
)


def version() -> int:
    """Return the version this trackbal reads and writes."""
    return len(STEPS)


def statements(script: str) -> list[str]:
    """Return the statements of a script one by one, so that they can run inside a transaction."""
    import sqlite3

    found, statement = [], ""
    for line in script.splitlines(keepends=True):
        statement += line
        if statement.strip() and sqlite3.complete_statement(statement):
            found.append(statement.strip())
            statement = ""
    return found
