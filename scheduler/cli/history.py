"""`rowwater history`: daily weather of past years into the records, from the archive or from a file."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.errors import BadInput, CouldNot

if TYPE_CHECKING:
    from scheduler.model import Fetched, Garden
    from scheduler.planning.history import Done
    from scheduler.store.store import Store

NOTHING_YET = "no weather stored yet"
HINT = "run: rowwater history --years 30, or rowwater day"


@click.command(name="history")
@click.option(
    "--years", type=click.IntRange(min=1), metavar="N", help="fetch the N whole years before this one"
)
@click.option("--file", "path", metavar="FILE", type=click.Path(), help="take a daily weather CSV instead")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(ctx: click.Context, years: int | None, path: str | None, as_json: bool) -> None:
    """Daily weather of past years, put on record: the climate of the place, and the warmth that stages go by.

    --years asks Open-Meteo's archive, a year a call with a pause between, and passes over what is on record:
    stopped at any point, the same command goes on. --file takes a CSV with the columns of `season --weather`.
    Neither displaces what your own sources said. With neither option: what is on record.
    Exit status 3 where days lack temperatures or rain.
    """
    from scheduler.clock import site_now
    from scheduler.pages.history import history_page

    if years is not None and path is not None:
        raise BadInput("--years and --file: one at a time")
    garden = common.garden()
    now = site_now(garden.location.timezone)
    if years is None and path is None and not (common.data_folder() / "rowwater.db").is_file():
        raise CouldNot(NOTHING_YET, hint=HINT)
    with common.store(now) as store:
        notices: list[str] = []
        if years is not None:
            done = _fetched(garden, store, years, now)
        elif path is not None:
            done, notices = _read(garden, store, Path(path).expanduser(), now)
        else:
            done = _on_record(store, now)
        page = history_page(garden, store, done, notices)
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.history import history_text

        click.echo(history_text(page, garden.display, common.terminal_width()))
    ctx.exit(3 if any(year["complete"] < year["days"] for year in page["years"]) else 0)


def _fetched(garden: Garden, store: Store, count: int, now: datetime) -> list[Done]:
    from scheduler.planning.history import fetch, past_years
    from scheduler.weather import http
    from scheduler.weather.openmeteo import history as archive
    from scheduler.weather.openmeteo.service import NAME as SERVICE

    today = now.date()
    if today.year - count < archive.FIRST_YEAR:
        most = today.year - archive.FIRST_YEAR
        raise BadInput(f"--years: the archive begins with {archive.FIRST_YEAR}: {most} at most")
    settings = (one.settings for one in garden.sources if (one.kind, one.name) == ("service", SERVICE))
    url = archive.address(next(settings, {}), os.environ)
    _keep_for(garden, store)

    def ask(first: date, last: date) -> Fetched:
        return archive.fetch(garden.location, first, last, today=today, now=now, get=http.get, url=url)

    steps = fetch(store, past_years(today, count), ask, pause=lambda: time.sleep(archive.PAUSE_SECONDS))
    return _collected(steps, count)


def _read(garden: Garden, store: Store, path: Path, now: datetime) -> tuple[list[Done], list[str]]:
    """The file's days before today; what comes later is not past."""
    from scheduler.planning.history import FILE, from_file
    from scheduler.weather.files import daily

    today = now.date()
    days = daily.read(path)
    if days.first >= today:
        raise BadInput(f"{path.name}: no day before today, {today}")
    _keep_for(garden, store)
    notices = list(days.notices)
    if days.last >= today:
        notices.append(f"{path.name}: its days from {today} on are not past: left out")
    steps = from_file(store, days, f"{FILE}{path.name}", before=today, now=now)
    return _collected(steps, days.last.year - days.first.year + 1), notices


def _on_record(store: Store, now: datetime) -> list[Done]:
    from scheduler.pages.history import years_on_record
    from scheduler.planning.history import Done, years_between

    span = years_on_record(store, now.date())
    if span is None:
        raise CouldNot(NOTHING_YET, hint=HINT)
    return [Done(year) for year in years_between(*span)]


def _keep_for(garden: Garden, store: Store) -> None:
    from scheduler.daily import owner_of

    store.keep_for(owner_of(garden, common.places()))


def _collected(steps: Iterable[Done], count: int) -> list[Done]:
    """Year after year, with a bar on a terminal; where it breaks off, what is on record is said."""
    done: list[Done] = []
    hidden = not (sys.stderr and sys.stderr.isatty())
    try:
        with click.progressbar(steps, length=count, label="years", file=sys.stderr, hidden=hidden) as shown:
            done.extend(shown)
    except (CouldNot, KeyboardInterrupt) as problem:
        what, hint = (problem.text, problem.hint) if isinstance(problem, CouldNot) else ("stopped", None)
        more = f" ({hint})" if hint else ""
        raise CouldNot(
            f"{what}; {len(done)} of {count} years are done and on record",
            hint=f"the same command goes on where it ended{more}",
        ) from None
    return done
