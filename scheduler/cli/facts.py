"""`rowwater facts`: all that is on record as one open text file, out and in."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from scheduler.cli import common
from scheduler.errors import BadInput, CouldNot

if TYPE_CHECKING:
    from scheduler.store.exchange.bringing import TakenIn


@click.command(name="facts")
@click.option("--export", "to", metavar="FILE|-", help="write them all, one line a fact")
@click.option(
    "--import",
    "source",
    metavar="FILE|-",
    help="add those that are not on record yet; also what can be read of a damaged rowwater.db",
)
@click.option("--same-garden", is_flag=True, help="the file is of this garden, under whatever name")
@common.place_options
def command(to: str | None, source: str | None, same_garden: bool) -> None:
    """Weather, water given, notes, openings and plans as one open text file, out or in."""
    if (to is None) == (source is None):
        raise BadInput("name one: --export FILE or --import FILE", hint='"-" is the standard output or input')
    if to is not None:
        _export(to)
    else:
        assert source is not None
        _import(source, same_garden)


def _export(to: str) -> None:
    from datetime import UTC, datetime

    from scheduler.store.exchange.writing import facts_of
    from scheduler.store.store import Store

    database = common.data_folder() / "rowwater.db"
    if not database.exists():  # opening would begin a new one
        raise CouldNot(f"there are no records in {database.parent}", hint="name their folder with --data DIR")
    with Store.open(database, now=datetime.now(UTC)) as store:
        if to == "-":
            for line in facts_of(store):
                sys.stdout.write(line)
            return
        from scheduler.store.exchange.file import write_facts

        many = write_facts(Path(to), facts_of(store))
    click.echo(f"{many:,} facts in {to}")


def _import(source: str, same: bool) -> None:
    from scheduler.clock import site_now
    from scheduler.relays.lock import hold_valves
    from scheduler.store.exchange.bringing import take_in
    from scheduler.store.exchange.file import lines_of
    from scheduler.store.exchange.salvage import Salvage, is_database
    from scheduler.store.owner import Owner

    config, site = common.config_path(), common.site()
    owner = Owner.of(site.name, site.latitude, site.longitude, str(config.parent), config.name)
    now = site_now(site.timezone)
    name = "standard input" if source == "-" else Path(source).name
    with _opened(source) as file, hold_valves(common.data_folder(), "rowwater facts --import"):
        damaged = Salvage(Path(source), owner) if source != "-" and is_database(Path(source)) else None
        lines = lines_of(file) if damaged is None else damaged.lines()
        with common.store(now) as store:
            taken = take_in(store, lines, name=name, owner=owner, now=now, same=same)
    if damaged is not None and damaged.lost:
        click.echo(f"{damaged.lost:,} of its rows could not be read: what they said is lost.")
    _say(taken)


@contextmanager
def _opened(source: str) -> Iterator[BinaryIO]:
    if source == "-":
        yield sys.stdin.buffer
        return
    if not os.path.isfile(source):  # noqa: PTH113 - a pipe would be waited for
        raise BadInput(f"{source}: no such file")
    with Path(source).open("rb") as file:
        yield file


def _say(taken: TakenIn) -> None:
    new, total = sum(taken.new.values()), sum(taken.of.values())
    if not new:
        click.echo(f"All {total:,} facts are on record already: nothing was written.")
        return
    kinds = ", ".join(f"{kind} {many:,}" for kind, many in taken.new.items() if many)
    here = f"; {total - new:,} were on record already" if new < total else ""
    click.echo(f"{new:,} facts taken in ({kinds}){here}.")
    if taken.gap is not None:
        first, last = taken.gap
        click.echo(
            f"Of {first} to {last} nothing is on record: those days count as not watered until you say\n"
            "what was given: rowwater note applied ZONE 45min --date DATE"
        )
    click.echo("Next: rowwater day")
