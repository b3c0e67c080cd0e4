"""What the service has done by child processes: they read YAML and compute, and give the memory back.

    python -m scheduler.cli.job read --config FILE             the garden in brief, as JSON
    python -m scheduler.cli.job day --config COPY --folder DIR  the daily job, with a garden from its copy

Answers one JSON document on stdout; exit status as everywhere.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scheduler.cli import common
from scheduler.errors import RowwaterError

if TYPE_CHECKING:
    from scheduler.model import Garden, Zone
    from scheduler.store.store import Store


@click.group()
def job() -> None:
    """Not for people."""


@job.command()
@common.places
def read() -> None:
    """Check garden.yaml and say what the service must know of it."""
    from scheduler.clock import site_now
    from scheduler.gardenfile import load_text

    path = common.config_path()
    texts = {path.name: path.read_bytes()}
    crops = path.with_name("crops.yaml")
    if crops.exists():
        texts[crops.name] = crops.read_bytes()
    garden = load_text(
        texts[path.name], texts.get(crops.name), name=path.name, folder=str(path.parent.absolute())
    )
    page = brief_page(garden, site_now(garden.location.timezone).date())
    answer = {
        "path": str(path.absolute()),
        "brief": page,
        "texts": {name: text.decode() for name, text in texts.items()},
    }
    click.echo(json.dumps(answer))


@job.command()
@click.option("--folder", required=True, help="where the garden.yaml of the copy came from")
@click.option("--date", "day", type=common.DATE)
@common.places
def day(folder: str, day: date | None) -> None:
    """The daily job once."""
    from scheduler.cli.run_day import run_day
    from scheduler.clock import today_and_now
    from scheduler.gardenfile import load_text

    path = common.config_path()
    crops = path.with_name("crops.yaml")
    garden = load_text(
        path.read_bytes(), crops.read_bytes() if crops.exists() else None, name=path.name, folder=folder
    )
    today, now = today_and_now(garden, day)
    page = run_day(garden, today, now=now)
    with common.store(now) as store:
        rates = rates_page(garden, today, store)
    answer = {
        "date": page["date"],
        "runs": len(page["runs"]),
        "failures": page["sources"]["failures"],
        "rates": rates,
    }
    click.echo(json.dumps(answer))


def brief_page(garden: Garden, day: date) -> dict[str, Any]:
    from scheduler.clock import planning_time
    from scheduler.relays.specs import spec_of
    from scheduler.restrictions import rules_of

    service = dict(garden.service)
    broker = service.get("broker")
    by_key: dict[str, list[Zone]] = {}
    for zone in garden.zones:
        by_key.setdefault(zone.valve.key, []).append(zone)
    master = service.pop("master_valve", None)
    return {
        "garden": garden.name,
        "timezone": garden.location.timezone,
        "display": garden.display,
        "plan_at": planning_time(garden).isoformat(),
        "hours": [f"{garden.supply.hours_from:%H:%M}", f"{garden.supply.hours_until:%H:%M}"],
        "usable_lpm": garden.supply.usable_lpm,
        "valves": [
            spec_of(zones[0].valve, zones=[zone.name for zone in zones], broker=broker)
            for zones in by_key.values()
        ],
        "master": master
        and {
            "spec": spec_of(master["valve"], zones=[], broker=broker),
            "opens_before_s": master["opens_before_minutes"] * 60,
            "closes_after_s": master["closes_after_minutes"] * 60,
        },
        "service": service,
        "rates": rates_page(garden, day, None),
        "rates_day": day.isoformat(),
        "limits": rules_of(garden.supply, garden.location.timezone),
        "stations": [
            {"kind": source.kind, "name": source.name, "settings": dict(source.settings)}
            for source in garden.sources
            if source.kind == "mqtt"
        ]
        + [
            {"kind": "mqtt", "name": f"soil {zone.name}", "settings": {"topic": zone.soil_sensor.topic}}
            for zone in garden.zones
            if zone.soil_sensor and zone.soil_sensor.topic
        ],
    }


def rates_page(garden: Garden, day: date, store: Store | None) -> dict[str, list[float]]:
    """What each zone does with its minutes on a day; with a store, after the grower's planting notes."""
    from scheduler.applied import rates
    from scheduler.facts import with_notes
    from scheduler.gardenfile import planting_from_note

    zones = garden.zones
    if store is not None:
        notes = store.notes()
        path = common.config_path()
        zones = with_notes(zones, notes, lambda zone, crop, on: planting_from_note(path, zone, crop, on))
    found = {zone.name: rates(garden, zone, day) for zone in zones}
    return {
        name: [rate.flow_lpm, rate.net_per_minute, rate.gross_per_minute, rate.fill_minutes]
        for name, rate in found.items()
    }


def main() -> None:
    try:
        status = job.main(prog_name="rowwater", standalone_mode=False) or 0
    except RowwaterError as error:
        click.echo(error.text, err=True)
        if error.hint:
            click.echo(f"  hint: {error.hint}", err=True)
        status = error.exit_status
    except OSError as error:
        click.echo(f"{error.filename or Path()}: {error.strerror or error}", err=True)
        status = 1
    raise SystemExit(status)


if __name__ == "__main__":
    main()
