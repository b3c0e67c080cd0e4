"""A database that loses its tables under an open connection is a lost file, not a defect."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from scheduler.errors import CouldNot
from scheduler.store.failures import explained


def test_tables_that_are_gone_are_told_and_other_mistakes_are_let_through(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "rowwater.db")
    with pytest.raises(CouldNot, match="deleted or replaced"), explained(tmp_path / "rowwater.db"):
        connection.execute("SELECT 1 FROM openings")
    with pytest.raises(sqlite3.OperationalError), explained(tmp_path / "rowwater.db"):
        connection.execute("SELEC 1")
    connection.close()
