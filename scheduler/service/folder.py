"""The data folder as the service uses it: the database, and today.json with its own part in it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.publish.files import read_today, write_today
from scheduler.service.page import laid_over
from scheduler.store import older
from scheduler.store.opening import Setup
from scheduler.store.store import Store

DISK_PATIENCE_S = 2.0


def open_store(data: Path) -> Store:
    path = data / "rowwater.db"
    return Store.open(path, now=datetime.now(UTC), setup=Setup(patience_s=DISK_PATIENCE_S), check=True)


def compare(data: Path, store: Store, day: date) -> None:
    """Whether the records are older than the trace and today.json remember. CouldNot."""
    older.look(store, last_page(data), day=day, now=datetime.now(UTC))


def last_page(data: Path) -> dict[str, Any] | None:
    """today.json; None where there is none that can be read and taken on."""
    try:
        page = read_today(data)
    except CouldNot:
        return None
    return page if page is None or _has_shape(page) else None


def _has_shape(page: Mapping[str, Any]) -> bool:
    notices, facts = page.get("notices", []), page.get("facts", 0)
    try:
        date.fromisoformat(page.get("date", ""))
        for notice in notices:
            if "key" in notice:
                datetime.fromisoformat(notice["at"])
    except (LookupError, TypeError, ValueError, AttributeError):
        return False
    return isinstance(notices, list) and isinstance(facts, int)


def write_page(data: Path, service: Mapping[str, Any]) -> None:
    """today.json with the service's part renewed; not written where nothing changed."""
    before = last_page(data)
    page = laid_over(before, service)
    if page != before:
        write_today(data, page)
