"""The version of garden.yaml in force, and its copy on disk."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from scheduler.disk import sync_folder, write_atomic
from scheduler.json_reading import read_json
from scheduler.service.brief import Brief

IN_USE = "in-use.json"


@dataclass(frozen=True, slots=True)
class InUse:
    """The version in force: its brief, its copy of the texts, and when it was taken over."""

    brief: Brief
    page: Mapping[str, Any]  # the brief as it was printed
    copy: Path  # garden.yaml, crops.yaml beside it
    original: Path
    taken_at: datetime
    stamp: Mapping[str, Any]  # of the original files: see `stamp_of`


def stamp_of(garden: Path) -> dict[str, Any]:
    """What tells one state of garden.yaml and crops.yaml from another without reading them."""
    found: dict[str, Any] = {}
    for path in (garden, garden.with_name("crops.yaml")):
        try:
            state = path.stat()
            found[path.name] = [state.st_mtime_ns, state.st_size, state.st_ino]
        except OSError as error:
            found[path.name] = error.strerror
    return found


def keep(
    data: Path,
    page: Mapping[str, Any],
    texts: Mapping[str, bytes],
    *,
    original: Path,
    stamp: Mapping[str, Any],
    now: datetime,
) -> InUse:
    """Make this version the one in force: copies first, then one rename that decides. OSError, CouldNot."""
    number = 1 + max((int(p.name[7:]) for p in data.glob("in-use-*") if p.name[7:].isdigit()), default=0)
    folder = data / f"in-use-{number}"
    folder.mkdir()
    for name, text in texts.items():
        write_atomic(folder / name, text)
    sync_folder(data)
    record = {
        "copy": folder.name,
        "original": str(original),
        "taken_at": now.isoformat(timespec="seconds"),
        "stamp": stamp,
        "brief": page,
    }
    write_atomic(data / IN_USE, json.dumps(record, indent=1) + "\n")
    for other in data.glob("in-use-*"):
        if other != folder:
            shutil.rmtree(other, ignore_errors=True)
    return InUse(Brief.read(page), page, folder / original.name, original, now, stamp)


def kept(data: Path) -> InUse | None:
    """The version in force before this start; None where there is none that can be read."""
    if not (data / IN_USE).is_file():  # a pipe would be waited for
        return None
    try:
        record = read_json((data / IN_USE).read_text(encoding="utf-8"))
        original = Path(record["original"])
        copy = data / record["copy"] / original.name
        brief = Brief.read(record["brief"])
        if not copy.is_file():
            return None
        taken_at = datetime.fromisoformat(record["taken_at"])
        return InUse(brief, record["brief"], copy, original, taken_at, record["stamp"])
    except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError):
        return None
