"""Whose page it is: that of the garden found, or of the shipped example where there is none."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

import click

from scheduler.cli import common
from scheduler.cli.site import site_of
from scheduler.errors import BadInput
from scheduler.web.phones import own_folder
from scheduler.web.settings import FOLDER, LISTEN, Settings


@contextmanager
def for_people() -> Iterator[Settings]:
    """Typed by a person: without `page:` for this computer alone, without a garden the example."""
    config = common.config_path_if_any()
    if config is not None:
        yield of_garden(config)
        return
    from scheduler.cli.page.example import example

    click.echo("no garden.yaml yet: this is the shipped example (a moment, please)", err=True)
    with example() as (places, of):
        yield of_garden(places.config, places.data, example_of=of)


@contextmanager
def for_the_manager() -> Iterator[Settings]:
    """Started by the service manager: only where garden.yaml says so."""
    settings = of_garden(common.config_path(), needs_page=True)
    yield settings


def of_garden(
    config: Path, data: Path | None = None, *, example_of: datetime | None = None, needs_page: bool = False
) -> Settings:
    """Raises what reading a garden raises."""
    data = common.data_folder() if data is None else data
    folder = data / FOLDER
    if data.is_dir():
        with suppress(OSError):  # whatever needs it says so
            own_folder(folder)
    site = site_of(config, folder if folder.is_dir() else data)
    if site.page is None and needs_page:
        raise BadInput(f"{config}: no page: stands in it, so none is served")
    page = site.page or {}
    return Settings(
        garden=site.name,
        timezone=site.timezone,
        config=config.absolute(),
        data=data.absolute(),
        folder=folder.absolute(),
        listen=str(page.get("listen", LISTEN)),
        names=tuple(page.get("names", ())),
        certificate=_file(config, page.get("certificate")),
        key=_file(config, page.get("key")),
        example_of=example_of,
    )


def _file(config: Path, named: str | None) -> Path | None:
    return None if named is None else config.absolute().parent / named
