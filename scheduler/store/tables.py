"""The table of weather as queries see it; revision by revision all tables are made in `migrations/`.

A test holds both equal. Times are ISO text in UTC, days the local date of the site.
"""

from __future__ import annotations

from sqlalchemy import REAL, Column, Index, Integer, MetaData, Table, Text

metadata = MetaData()

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
