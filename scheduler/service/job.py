"""What the service has done by child processes: they read YAML and compute, and give the memory back.

    python -m scheduler.service.job read --config FILE             the garden in brief, as JSON
    python -m scheduler.service.job day --config COPY --folder DIR --data DIR
                                                    the daily job, with a garden from its copy

Answers one JSON document on stdout; exit status as everywhere.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from dataclasses import asdict
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from scheduler.clock import site_now
from scheduler.errors import BadInput, RowwaterError
from scheduler.garden.file import load_text, planting_from_note
from scheduler.places import Places, data_dir, find_config, unreadable
from scheduler.service.brief import brief_page, rates_page
from scheduler.store.owner import Owner


def read(config: Path) -> dict[str, Any]:
    """Check garden.yaml and say what the service must know of it."""
    texts = _texts(config)
    garden = load_text(
        texts[config.name], texts.get("crops.yaml"), name=config.name, folder=str(config.parent.absolute())
    )
    place = garden.location
    owner = Owner.of(garden.name, place.latitude_deg, place.longitude_deg, garden.folder, config.name)
    return {
        "path": str(config.absolute()),
        "owner": asdict(owner),
        "brief": brief_page(garden, site_now(garden.location.timezone).date()),
        "texts": {name: text.decode() for name, text in texts.items()},
    }


def day(places: Places, folder: str, on: date | None) -> dict[str, Any]:
    """The daily job once; `folder`: where the garden.yaml of the copy came from."""
    from scheduler.daily import run_day
    from scheduler.planning.day_rules import today_and_now
    from scheduler.planning.notes import with_notes
    from scheduler.service.folder import last_page
    from scheduler.store import older
    from scheduler.store.store import Store

    texts = _texts(places.config)
    garden = load_text(
        texts[places.config.name], texts.get("crops.yaml"), name=places.config.name, folder=folder
    )
    today, now = today_and_now(garden, on, site_now(garden.location.timezone))
    store = Store.open(places.data / "rowwater.db", now=now)
    try:
        for notice in store.notices:
            print(f"rowwater: {notice}", file=sys.stderr)
        older.look(store, last_page(places.data), day=today, now=now)
        page = run_day(garden, store, today, now=now, places=places)
        zones = with_notes(garden.zones, store.notes(), partial(planting_from_note, places.config))
    finally:
        store.close()
    return {
        "date": page["date"],
        "runs": len(page["runs"]),
        "failures": page["sources"]["failures"],
        "rates": rates_page(garden, today, zones),
    }


def _texts(config: Path) -> dict[str, bytes]:
    """Of garden.yaml, and of crops.yaml where anything bears that name, also a link that leads nowhere."""
    crops = config.with_name("crops.yaml")
    return {path.name: _bytes(path) for path in (config, crops) if path == config or os.path.lexists(path)}


def _bytes(path: Path) -> bytes:
    """BadInput for what is no file that can be read; a named pipe is not waited for."""
    if why := unreadable(path):
        raise BadInput(f"{path}: {why}")
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror or error}") from error


def _answer(words: list[str]) -> dict[str, Any]:
    parser = argparse.ArgumentParser(prog="rowwater")
    parser.add_argument("job", choices=("read", "day"))
    parser.add_argument("--config")
    parser.add_argument("--data")
    parser.add_argument("--folder", default=".")
    parser.add_argument("--date", type=date.fromisoformat)
    asked = parser.parse_args(words)
    config = find_config(asked.config, os.environ, Path.cwd())
    if asked.job == "read":
        return read(config)
    return day(Places(config, data_dir(asked.data, os.environ)), asked.folder, asked.date)


def main(words: list[str] | None = None) -> int:
    """Exit status: 0 done, 1 could not, 2 the file is wrong."""
    try:
        answer = _answer(sys.argv[1:] if words is None else words)
    except RowwaterError as error:
        hint = f"\n  hint: {error.hint}" if error.hint else ""
        print(f"{error.text}{hint}", file=sys.stderr)
        return error.exit_status
    except OSError as error:
        print(f"{error.filename or Path()}: {error.strerror or error}", file=sys.stderr)
        return 1
    print(json.dumps(answer))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
