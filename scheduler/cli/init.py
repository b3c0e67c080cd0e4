"""`rowwater init`: a commented garden.yaml to start from, with the schema that editors complete from."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import click

from scheduler.cli import common
from scheduler.errors import BadInput

ASKED = {
    "garden": "Name of the garden",
    "latitude": "Latitude, degrees (south is negative)",
    "longitude": "Longitude, degrees (west is negative)",
    "elevation": "Elevation",
    "timezone": "Time zone",
    "display": "Units to show: us or metric",
    "bucket_volume": "Bucket: volume",
    "bucket_time": "Bucket: time to fill",
    "pressure": "Pressure behind the regulator",
    "tape_flow": "Tape: flow per length",
    "zone": "Name of the first zone",
    "row_count": "Its rows: how many",
    "row_length": "Its rows: length",
    "row_spacing": "Its rows: spacing",
    "tape_depth": "Its tape lies how deep (0: on the ground)",
    "soil": "Its soil texture",
    "crop": "Its crop",
    "planted": "Planted on",
}

NEVER_OFFERED = ("latitude", "longitude", "elevation")
"""Nobody's garden is at an example's place."""


def _one_option_per_question(function: Callable[..., Any]) -> Callable[..., Any]:
    for name, text in reversed(ASKED.items()):
        function = click.option(f"--{name.replace('_', '-')}", help=text)(function)
    return function


def _ask(missing: list[str], given: dict[str, str]) -> None:
    """Puts an answer to each question into `given`; one that is wrong is asked again."""
    from scheduler.garden import starter

    offered = _offered()
    for name in missing:
        while True:
            given[name] = str(click.prompt(ASKED[name], offered.get(name)))
            wrong = starter.wrong_answer(name, given)
            if not wrong:
                break
            click.echo(f"  {wrong}")


def _offered() -> dict[str, str]:
    """What stands for an answer that is not given: an example's but for the place, and today's planting."""
    from scheduler.clock import site_now
    from scheduler.garden.starter import Answers

    found = {field.name: getattr(Answers(), field.name) for field in fields(Answers)}
    found["timezone"] = _zone_of_this_machine()
    found["planted"] = site_now(found["timezone"] or "UTC").date().isoformat()
    return {name: found[name] for name in ASKED if name not in NEVER_OFFERED and found[name] is not None}


def _take(missing: list[str], given: dict[str, str]) -> None:
    """Puts what is offered into `given`; BadInput where nothing is."""
    offered = _offered()
    wanted = [f"--{name}" for name in missing if name not in offered]
    if wanted:
        raise BadInput(
            f"a garden needs its place: {', '.join(wanted)}",
            hint="such as --latitude 35.61 --longitude -82.44 --elevation '2130 ft' "
            "--timezone America/New_York; or without --yes, to be asked",
        )
    given |= {name: offered[name] for name in missing}


def _zone_of_this_machine() -> str | None:
    """Such as America/New_York; None where the machine keeps UTC, which is no garden's clock."""
    try:
        name = str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2]
    except OSError:
        return None
    return name if "/" in name and not name.startswith("Etc/") else None


@click.command(name="init")
@click.argument("path", default="garden.yaml", metavar="[FILE]")
@click.option(
    "--yes",
    is_flag=True,
    help="ask nothing: take the options given (the place must be), and an example for the rest",
)
@_one_option_per_question
def command(path: str, yes: bool, **options: str | None) -> None:
    """Write a starter garden.yaml (asks, or takes options) and its schema; never overwrites."""
    from scheduler.disk import write_atomic
    from scheduler.garden import schema, starter
    from scheduler.garden.file import load_text

    target = Path(path)
    if target.exists():
        raise BadInput(f"{target} is there already and stays as it is", hint="give another FILE name")
    if not target.parent.is_dir():
        raise BadInput(f"no folder {target.parent}")
    given = {name: value for name, value in options.items() if value is not None}
    for name in ASKED:
        if name in given and (wrong := starter.wrong_answer(name, given)):
            raise BadInput(f"--{name.replace('_', '-')}: {wrong}")
    missing = [name for name in ASKED if name not in given]
    if missing and not yes:
        if not common.asking_is_possible():
            raise BadInput("no terminal to ask on", hint="use --yes, with options such as --latitude 35.61")
        _ask(missing, given)
    else:
        _take(missing, given)
    answers = replace(starter.Answers(), **given)
    text = starter.short_text(answers)
    load_text(text, name=target.name)  # what only all answers together show, before anything is written
    write_atomic(target, text)
    click.echo(f"wrote {target}")
    reference = target.with_name(starter.REFERENCE_FILE)
    if not reference.exists():
        write_atomic(reference, starter.starter_text(answers))
        click.echo(f"wrote {reference} (every setting, explained)")
    schemas = {
        starter.GARDEN_SCHEMA_FILE: schema.schema(),
        starter.CROPS_SCHEMA_FILE: schema.crops_schema(),
    }
    for name, made in schemas.items():
        beside = target.with_name(name)
        write_atomic(beside, json.dumps(made, indent=1, ensure_ascii=False) + "\n")
        click.echo(f"wrote {beside} (editors complete and check with it)")
    click.echo(f"next: edit {target}, then rowwater check --config {target}")
