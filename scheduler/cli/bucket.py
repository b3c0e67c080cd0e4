"""`rowwater bucket`: the flow of a timed bucket, and how much tape it feeds."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, NamedTuple

import click

from scheduler.cli import common
from scheduler.errors import BadInput
from scheduler.model import Display
from scheduler.nearest import did_you_mean

if TYPE_CHECKING:
    from scheduler.model import Garden
    from scheduler.units import KindName

_US_WORDS = re.compile(r"gal|gpm|gph|qt|quart|ft|foot|feet|\bin\b|inch|yd|yard|['\"]", re.IGNORECASE)


class Tapes(NamedTuple):
    """Tapes to be fed: L/min per m by name, and how to show their length."""

    flows: dict[str, float]
    display: Display


@click.command(name="bucket")
@click.option("--volume", required=True, help="what the bucket holds, such as 5gal")
@click.option(
    "--time", "times", required=True, multiple=True, help="time to fill it, such as 58s; once per trial"
)
@click.option("--tape", help="only this tape of garden.yaml")
@click.option("--tape-flow", help="a tape's flow, such as 0.40gpm/100ft, instead of garden.yaml's tapes")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(
    ctx: click.Context,
    volume: str,
    times: tuple[str, ...],
    tape: str | None,
    tape_flow: str | None,
    as_json: bool,
) -> None:
    """Flow of a bucket filled in TIME, and the tape that it feeds at once."""
    from scheduler.pages.bucket import bucket_page

    if tape and tape_flow:
        raise click.UsageError("give --tape or --tape-flow, not both")
    garden = _garden_if_any(ctx)
    display: Display = garden.display if garden else _as_typed(volume)
    page = bucket_page(
        _above_zero("--volume", "volume", volume, garden),
        [_above_zero("--time", "duration", text, garden) * 60 for text in times],
        keep_back=garden.supply.keep_back if garden else 0.0,
        tapes=(tapes := _tapes(garden, tape, tape_flow)).flows,
    )
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.bucket import bucket_text

        click.echo(bucket_text(page, garden, display, tapes.display, common.terminal_width()))
    ctx.exit(0 if page["timings"]["agree"] else 3)


def _garden_if_any(ctx: click.Context) -> Garden | None:
    """None where there is no garden.yaml yet; one that is named must exist, one that is there be right."""
    try:
        common.config_path()
    except BadInput:
        if (ctx.obj or {}).get("config") or os.environ.get("ROWWATER_CONFIG"):
            raise
        return None
    return common.garden()


def _tapes(garden: Garden | None, tape: str | None, tape_flow: str | None) -> Tapes:
    if tape_flow is not None:
        flow = _above_zero("--tape-flow", "tape flow", tape_flow, garden)
        return Tapes({tape_flow.strip(): flow}, garden.display if garden else _as_typed(tape_flow))
    if garden is None:
        if tape is not None:
            raise BadInput(
                f'--tape {tape}: there is no garden.yaml that describes a tape "{tape}"',
                hint="give the flow printed on the reel instead, such as --tape-flow 0.40gpm/100ft",
            )
        return Tapes({}, "us")
    if tape is None:
        return Tapes({name: one.flow_lpm_per_m for name, one in garden.tapes.items()}, garden.display)
    if tape not in garden.tapes:
        hint = did_you_mean(tape, garden.tapes, f"tapes: {', '.join(garden.tapes)}")
        raise BadInput(f'no tape "{tape}" in garden.yaml', hint=hint)
    return Tapes({tape: garden.tapes[tape].flow_lpm_per_m}, garden.display)


def _as_typed(text: str) -> Display:
    return "us" if _US_WORDS.search(text) else "metric"


def _above_zero(option: str, kind: KindName, text: str, garden: Garden | None) -> float:
    """In the house unit.  A bare time is refused: elsewhere it means minutes, and no bucket takes 58."""
    if kind == "duration" and re.fullmatch(r"\s*[\d.]+\s*", text):
        raise BadInput(f'{option}: "{text}" has no unit - for example "58 s"')
    bare = garden is not None and garden.display == "metric" and kind != "duration"
    value = common.quantity(kind, text, garden.display if garden else "us", bare=bare, option=option)
    if value <= 0:
        raise BadInput(f'{option}: "{text}" must be more than 0')
    return value
