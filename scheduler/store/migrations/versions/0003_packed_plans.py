"""Plans are kept compressed: page and working as zlib streams of their JSON, a tenth of the text."""

from __future__ import annotations

import sqlite3
import zlib
from typing import cast

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

COLUMNS = [
    "id INTEGER NOT NULL PRIMARY KEY",
    "day TEXT NOT NULL CHECK (day = date(day, '+0 days'))",
    "made_at TEXT NOT NULL CHECK (made_at GLOB "
    "'[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].*+00:00')",
    "inputs TEXT NOT NULL",
    "page BLOB NOT NULL",
    "working BLOB NOT NULL",
]


def upgrade() -> None:
    driver = cast(sqlite3.Connection, op.get_bind().connection.driver_connection)
    driver.create_function("packed", 1, lambda text: zlib.compress(text.encode(), 9), deterministic=True)
    op.execute(f"CREATE TABLE plans_packed ({', '.join(COLUMNS)}) STRICT")
    op.execute(
        "INSERT INTO plans_packed SELECT id, day, made_at, inputs, packed(page), packed(working) FROM plans"
    )
    op.execute("DROP TABLE plans")  # its triggers and its index go with it
    op.execute("ALTER TABLE plans_packed RENAME TO plans")
    op.execute("CREATE INDEX plans_day ON plans (day)")
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER plans_no_{change.lower()} BEFORE {change} ON plans "
            "BEGIN SELECT RAISE(ABORT, 'facts are added, never edited or deleted'); END"
        )
