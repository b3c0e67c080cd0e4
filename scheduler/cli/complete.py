"""What a shell may complete: days, zones, crops; quick, and silent where nothing is known."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

if TYPE_CHECKING:
    TextParam = click.ParamType[str]
else:
    TextParam = click.ParamType  # older releases know no type argument


class Zone(TextParam):
    """The name of a zone of garden.yaml."""

    name = "zone"

    def shell_complete(
        self,
        ctx: click.Context,
        param: click.Parameter,  # noqa: ARG002 - click's
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        from scheduler.cli import common
        from scheduler.errors import RowwaterError

        with _as_called(ctx):
            try:
                return _items(common.site().zones, incomplete)
            except RowwaterError:  # no garden yet, or a broken one: the command itself says so
                return []


class Crop(TextParam):
    """A word of the name of a crop, the shipped ones and those of crops.yaml."""

    name = "crop"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        before = " ".join(ctx.params.get(str(param.name)) or ())
        begun = f"{before} " if before else ""
        names = [name.removeprefix(begun) for name in _crop_names(ctx) if name.startswith(begun)]
        return _items(names, incomplete)


class Stage(TextParam):
    """A stage of a crop that can be seen to begin."""

    name = "stage"

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's
        param: click.Parameter,  # noqa: ARG002 - click's
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        return _items(("development", "mid-season", "late season"), incomplete)


ZONE, CROP, STAGE = Zone(), Crop(), Stage()


def _crop_names(ctx: click.Context) -> list[str]:
    from scheduler import tables
    from scheduler.cli import common
    from scheduler.errors import RowwaterError

    with _as_called(ctx):
        try:
            path = common.config_path_if_any()
            own = tables.own_crop_names(path.with_name("crops.yaml")) if path else []
        except RowwaterError:
            own = []
    return [*tables.crops(), *tables.crop_aliases(), *own]


def _as_called(ctx: click.Context) -> Any:
    """`ctx` as it would be were the command run: with --config and --data wherever they were given."""
    given = {name: ctx.find_root().params.get(name) for name in ("config", "data")}
    ctx.obj = {**{name: value for name, value in given.items() if value}, **(ctx.obj or {})}
    return ctx.scope(cleanup=False)


def _items(names: Iterable[str], incomplete: str) -> list[CompletionItem[str]]:
    return [CompletionItem(name) for name in dict.fromkeys(names) if name.startswith(incomplete)]
