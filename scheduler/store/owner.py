"""Whose garden a database belongs to: two gardens must never mix in one."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

OWNERS = "SELECT value FROM store_info WHERE name GLOB 'owner *' ORDER BY CAST(substr(name, 7) AS INTEGER)"
SAME_PLACE_DEGREES = 0.1
"""A corrected coordinate, not another place: 11 km or less."""


@dataclass(frozen=True, slots=True)
class Owner:
    """A garden as its file tells it from others; zones may come and go."""

    name: str
    latitude: float
    longitude: float
    file: str  # whole path

    @classmethod
    def of(cls, name: str, latitude: float, longitude: float, folder: str, file_name: str) -> Owner:
        return cls(name, latitude, longitude, str(Path(folder).absolute() / file_name))

    @classmethod
    def read(cls, text: str) -> Owner:
        return cls(**read_json(text))

    def as_text(self) -> str:
        return json.dumps(asdict(self), ensure_ascii=False)

    def is_same(self, other: Owner) -> bool:
        """Whether at most one of name, place and file has changed."""
        far = max(abs(self.latitude - other.latitude), abs(self.longitude - other.longitude))
        alike = (self.name == other.name, far <= SAME_PLACE_DEGREES, self.file == other.file)
        return sum(alike) >= 2


def refuse_another(owner: Owner, known: Iterable[Owner], database: Path) -> None:
    """CouldNot where the database has an owner, and it is not this garden."""
    known = list(known)
    if known and not any(owner.is_same(one) for one in known):
        theirs = known[-1]
        raise CouldNot(
            f"the records in {database.parent} are those of another garden: {theirs.name} ({theirs.file}), "
            f"not {owner.name} ({owner.file}); nothing was written",
            hint="give this garden a folder of its own with --data DIR; or, if it is the same one under a "
            "new name, run once: rowwater day --same-garden",
        )


def owners_of(database: Path) -> list[Owner]:
    """Oldest first, read without touching the file; none where it is not there or cannot be read.

    What cannot be read is judged, and told, where the database is opened.
    """
    if not database.is_file():
        return []
    try:
        with closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            return [Owner.read(text) for (text,) in connection.execute(OWNERS)]
    except (sqlite3.Error, ValueError, TypeError):
        return []
