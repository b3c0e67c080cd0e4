"""The ledger: valve openings, the heartbeats while one is open, and their closings."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

LARGEST = "1.7976931348623157e308"


def moment(name: str) -> str:
    shape = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].*+00:00"
    return f"{name} TEXT NOT NULL CHECK ({name} GLOB '{shape}')"


def number(name: str) -> str:
    return f"{name} REAL NOT NULL CHECK (abs({name}) <= {LARGEST})"


TABLES = {
    "openings": [
        "id INTEGER NOT NULL PRIMARY KEY",
        "opening TEXT NOT NULL",
        "valve TEXT NOT NULL",
        "zone TEXT NOT NULL",
        "day TEXT NOT NULL CHECK (day = date(day, '+0 days'))",
        "pulse INTEGER",
        number("seconds"),
        number("minutes"),
        number("flow_lpm"),
        number("net_per_minute"),
        number("gross_per_minute"),
        number("fill_minutes"),
        moment("recorded_at"),
        "boot TEXT NOT NULL",
        number("monotonic_s"),
    ],
    "heartbeats": [
        "id INTEGER NOT NULL PRIMARY KEY",
        "opening TEXT NOT NULL",
        moment("at"),
        number("open_seconds"),
    ],
    "closings": [
        "id INTEGER NOT NULL PRIMARY KEY",
        "opening TEXT NOT NULL",
        moment("recorded_at"),
    ],
}

INDEXES = [
    "UNIQUE INDEX openings_once ON openings (day, zone, pulse) WHERE pulse IS NOT NULL",
    "INDEX openings_uid ON openings (opening)",
    "INDEX heartbeats_opening ON heartbeats (opening)",
    "UNIQUE INDEX closings_once ON closings (opening)",
]


def upgrade() -> None:
    for table, columns in TABLES.items():
        op.execute(f"CREATE TABLE {table} ({', '.join(columns)}) STRICT")
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'facts are added, never edited or deleted'); END"
            )
    for index in INDEXES:
        op.execute(f"CREATE {index}")
