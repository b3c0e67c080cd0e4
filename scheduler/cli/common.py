"""What the commands share: their common options, and the way to garden, data folder and store."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from scheduler.errors import BadInput, CouldNot
from scheduler.model import EARLIEST, LATEST
from scheduler.nearest import did_you_mean
from scheduler.places import Places, data_dir, find_config

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from scheduler.cli.site import Site
    from scheduler.dates import Lean
    from scheduler.model import Display, Garden
    from scheduler.store.store import Store
    from scheduler.units import KindName

    DateParam = click.ParamType[date]
else:
    DateParam = click.ParamType  # older releases know no type argument

FORECAST_HINT = (
    "FILE is a CSV with the columns of the daily weather file and in front `issued`, the date on which "
    "the row was forecast"
)

Function = TypeVar("Function", bound=Callable[..., Any])


class LocalDate(DateParam):
    """A day as people type it; `lean` says which of several is meant."""

    name = "date"

    def __init__(self, lean: Lean = "past") -> None:
        self._lean = lean

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            return date_of(str(value), self._lean)
        except BadInput as error:
            self.fail(error.text, param, ctx)

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's
        param: click.Parameter,  # noqa: ARG002 - click's
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        from click.shell_completion import CompletionItem

        from scheduler.dates import DAYS_OFF, WEEKDAYS

        return [CompletionItem(word) for word in (*DAYS_OFF, *WEEKDAYS) if word.startswith(incomplete)]


DATE = LocalDate()
"""Of what was: "friday" is the last one."""
DATE_AHEAD = LocalDate("future")
DATE_THIS_YEAR = LocalDate("year")


def date_of(typed: str, lean: Lean = "past") -> date:
    """The day that is meant, in the site's calendar and the order of its display; says which one it took.

    Raises BadInput, and what reading the garden raises.
    """
    with suppress(ValueError):
        if EARLIEST <= (exact := date.fromisoformat(typed)) <= LATEST:
            return exact
    from scheduler.clock import site_now
    from scheduler.dates import day, spoken

    known = site()
    today = site_now(known.timezone).date()
    try:
        found = day(typed, today=today, lean=lean, month_first=known.display == "us")
    except ValueError as error:
        raise BadInput(str(error)) from None
    if found != today:
        click.echo(f'rowwater: "{typed}" is taken as {spoken(found)}', err=True)
    return found


def moment_of(
    option: str, typed: str, now: datetime, display: Display, *, day_alone: bool = False
) -> datetime:
    """A time that was, in the time zone of `now`; `day_alone` takes a day's begin where no time is given."""
    from scheduler.dates import moment

    try:
        return moment(typed, now=now, month_first=display == "us", day_alone=day_alone)
    except ValueError as error:
        raise BadInput(f"{option}: {error}") from None


def _keep(name: str) -> Callable[[click.Context, click.Parameter, str | None], None]:
    def callback(ctx: click.Context, param: click.Parameter, value: str | None) -> None:  # noqa: ARG001 - click's
        if value is not None:
            ctx.obj = {**(ctx.obj or {}), name: value}

    return callback


def place_options(function: Function) -> Function:
    """--config and --data, also after the command's name."""
    for name, metavar, text in (
        ("data", "DIR", "folder of the database and the published files"),
        ("config", "PATH", "garden.yaml to use"),
    ):
        option = click.option(
            f"--{name}",
            metavar=metavar,
            type=click.Path(),
            help=text,
            expose_value=False,
            callback=_keep(name),
            is_eager=True,
        )
        function = option(function)
    return function


def config_path() -> Path:
    return find_config(_given("config"), os.environ, Path.cwd())


def config_path_if_any() -> Path | None:
    """garden.yaml; None where there is none yet, which is no fault unless one was named."""
    try:
        return config_path()
    except BadInput:
        if named_config():
            raise
        return None


def named_config() -> Path | None:
    """The garden.yaml named by --config or $ROWWATER_CONFIG; None: the usual places hold."""
    named = _given("config") or os.environ.get("ROWWATER_CONFIG")
    return Path(named).absolute() if named else None


def garden() -> Garden:
    from scheduler.garden.file import load

    return load(config_path())


def site() -> Site:
    """Zones, display and time zone of the garden, without reading it through where that was done before."""
    from scheduler.cli.site import site_of

    return site_of(config_path(), data_folder())


def data_folder() -> Path:
    return data_dir(_given("data"), os.environ)


def _given(name: str) -> str | None:
    ctx = click.get_current_context()
    value = (ctx.obj or {}).get(name)
    return None if value is None else str(value)


def places() -> Places:
    """garden.yaml and the data folder, as named or found."""
    return Places(config_path(), data_folder())


@contextmanager
def store(now: datetime, *, of_any_garden: bool = False) -> Iterator[Store]:
    """The records; refused where they are another garden's, unless `of_any_garden`."""
    from scheduler.store.owner import Owner
    from scheduler.store.store import Store

    opened = Store.open(data_folder() / "rowwater.db", now=now)
    try:
        if not of_any_garden:
            here, file = site(), config_path()
            folder, name = str(file.parent), file.name
            opened.refuse_another(Owner.of(here.name, here.latitude, here.longitude, folder, name))
        for notice in opened.notices:
            click.echo(f"rowwater: {notice}", err=True)
        _say_if_older(opened, now)
        yield opened
    finally:
        opened.close()


def _say_if_older(opened: Store, now: datetime) -> None:
    """Records older than what was done since: an old copy, a restored backup."""
    from scheduler.publish.files import read_today
    from scheduler.store import older

    page = None
    with suppress(CouldNot):
        page = read_today(data_folder())
    older.look_if_possible(opened, page, day=now.date(), now=now)
    if (text := older.told(opened, now.date())) is not None:
        click.echo(f"rowwater: {text}", err=True)


def zone_name(garden: Garden, name: str) -> str:
    """The zone as garden.yaml spells it; a wrong name gets the nearest one."""
    return known_zone([zone.name for zone in garden.zones], name)


def known_zone(known: Sequence[str], name: str) -> str:
    if name in known:
        return name
    hint = did_you_mean(name, known, f"zones: {', '.join(known)}")
    raise BadInput(f'no zone "{name}" in garden.yaml', hint=hint)


def quantity(
    kind: KindName, text: str, display: Display, *, bare: bool | None = None, option: str = ""
) -> float:
    """An argument or option with a unit, in the house unit of its kind; `bare` as in `units.read`."""
    from scheduler.units import BadQuantity, read

    try:
        return read(kind, text, display=display, bare=bare)
    except BadQuantity as error:
        raise BadInput(f"{option}: {error}" if option else str(error)) from None


def not_below_zero(option: str, kind: KindName, text: str, display: Display) -> float:
    value = quantity(kind, text, display, option=option)
    if value < 0:
        raise BadInput(f'{option}: "{text}" is below 0')
    return value


def print_json(page: Mapping[str, object]) -> None:
    from scheduler.shapes.serialise import as_json

    click.echo(as_json(page, indent=2))


def print_csv(rows: Iterable[Mapping[str, object]], columns: Sequence[str]) -> None:
    """Only these columns, in this order."""
    import csv

    writer = csv.DictWriter(sys.stdout, columns, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


def terminal_width() -> int:
    """Columns of the terminal; 80 in a pipe, and never so few that nothing fits."""
    import shutil

    return max(shutil.get_terminal_size((80, 24)).columns, 40)


def asking_is_possible() -> bool:
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()


def no_plan(day: date | None) -> CouldNot:
    when = f"for {day}" if day else "yet"
    return CouldNot(f"no plan {when}", hint="run: rowwater day")
