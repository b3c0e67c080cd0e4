"""The tables as queries see them; revision by revision they are made in `migrations/`.

A test holds both equal. Times are ISO text in UTC, days the local date of the site.
"""

from __future__ import annotations

from sqlalchemy import REAL, Column, Index, Integer, MetaData, Table, Text, text

HEAD = "0002"
"""The newest revision, known without asking alembic: importing it costs half of what a morning takes."""

metadata = MetaData()

store_info = Table(
    "store_info",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

weather_values = Table(
    "weather_values",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("day", Text, nullable=False),
    Column("field", Text, nullable=False),
    Column("value", REAL, nullable=False),
    Column("source", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("fetched_at", Text, nullable=False),
    Index("weather_values_newest", "day", "field", "source", "kind"),
)

applied = Table(
    "applied",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("zone", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("minutes", REAL, nullable=False),
    Column("liters", REAL, nullable=False),
    Column("gross_mm", REAL, nullable=False),
    Column("net_mm", REAL, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("recorded_at", Text, nullable=False),
    Column("pulse", Integer),
    Column("opened_at", Text),
    Column("closed_at", Text),
    Column("measured", Integer, nullable=False),
    Column("replaces_day", Integer, nullable=False),
    Column("least_minutes", REAL),
    Column("most_minutes", REAL),
    Index("applied_day", "day"),
)

notes = Table(
    "notes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("recorded_at", Text, nullable=False),
    Column("zone", Text),
    Column("details", Text, nullable=False),
    Index("notes_day", "day"),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("day", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("inputs", Text, nullable=False),
    Column("page", Text, nullable=False),
    Column("working", Text, nullable=False),
    Index("plans_day", "day"),
)

openings = Table(
    "openings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("opening", Text, nullable=False),
    Column("valve", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("pulse", Integer),
    Column("seconds", REAL, nullable=False),
    Column("minutes", REAL, nullable=False),
    Column("flow_lpm", REAL, nullable=False),
    Column("net_per_minute", REAL, nullable=False),
    Column("gross_per_minute", REAL, nullable=False),
    Column("fill_minutes", REAL, nullable=False),
    Column("recorded_at", Text, nullable=False),
    Column("boot", Text, nullable=False),
    Column("monotonic_s", REAL, nullable=False),
    Index("openings_once", "day", "zone", "pulse", unique=True, sqlite_where=text("pulse IS NOT NULL")),
    Index("openings_uid", "opening"),
)
"""Written before the valve is told to open: one row per zone on it, one opening per zone, day and pulse."""

heartbeats = Table(
    "heartbeats",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("opening", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("open_seconds", REAL, nullable=False),
    Index("heartbeats_opening", "opening"),
)

closings = Table(
    "closings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("opening", Text, nullable=False),
    Column("recorded_at", Text, nullable=False),
    Index("closings_once", "opening", unique=True),
)
"""The opening is closed, and its water is in `applied` (the same transaction)."""
