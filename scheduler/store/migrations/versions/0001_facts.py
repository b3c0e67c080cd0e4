"""The facts: weather values, water given, notes, plans, and what the store knows of itself.

Written as SQL, since STRICT tables, the checks and the triggers are the point. The checks are also what
SQLite's quick_check compares every row with, so a flipped bit in a date is found when the file is opened.
"""

from __future__ import annotations

from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

LARGEST = "1.7976931348623157e308"  # of a double: anything above is infinity, and NaN arrives as NULL


def day() -> str:
    return "day TEXT NOT NULL CHECK (day = date(day, '+0 days'))"  # the sum turns 31 June into 1 July


def moment(name: str, *, needed: bool = True) -> str:
    shape = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].*+00:00"
    return f"{name} TEXT {'NOT NULL ' if needed else ''}CHECK ({name} GLOB '{shape}')"


def number(name: str, *, needed: bool = True) -> str:
    return f"{name} REAL {'NOT NULL ' if needed else ''}CHECK (abs({name}) <= {LARGEST})"


def flag(name: str) -> str:
    return f"{name} INTEGER NOT NULL CHECK ({name} IN (0, 1))"


def document(name: str) -> str:
    return f"{name} TEXT NOT NULL CHECK (json_valid({name}))"


TABLES = {
    "store_info": ["name TEXT NOT NULL PRIMARY KEY", "value TEXT NOT NULL"],
    "weather_values": [
        "id INTEGER NOT NULL PRIMARY KEY",
        day(),
        "field TEXT NOT NULL",
        number("value"),
        "source TEXT NOT NULL",
        "kind TEXT NOT NULL",
        moment("fetched_at"),
    ],
    "applied": [
        "id INTEGER NOT NULL PRIMARY KEY",
        "zone TEXT NOT NULL",
        day(),
        number("minutes"),
        number("liters"),
        number("gross_mm"),
        number("net_mm"),
        "outcome TEXT NOT NULL",
        moment("recorded_at"),
        "pulse INTEGER",
        moment("opened_at", needed=False),
        moment("closed_at", needed=False),
        flag("measured"),
        flag("replaces_day"),
        number("least_minutes", needed=False),
        number("most_minutes", needed=False),
    ],
    "notes": [
        "id INTEGER NOT NULL PRIMARY KEY",
        "kind TEXT NOT NULL",
        day(),
        moment("recorded_at"),
        "zone TEXT",
        document("details"),
    ],
    "plans": [
        "id INTEGER NOT NULL PRIMARY KEY",
        day(),
        moment("made_at"),
        "inputs TEXT NOT NULL",
        document("page"),
        document("working"),
    ],
}

INDEXES = {
    "weather_values_newest": "weather_values (day, field, source, kind)",
    "applied_day": "applied (day)",
    "notes_day": "notes (day)",
    "plans_day": "plans (day)",
}


def upgrade() -> None:
    for table, columns in TABLES.items():
        op.execute(f"CREATE TABLE {table} ({', '.join(columns)}) STRICT")
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'facts are added, never edited or deleted'); END"
            )
    for name, keys in INDEXES.items():
        op.execute(f"CREATE INDEX {name} ON {keys}")
