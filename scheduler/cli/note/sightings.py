"""`rowwater note emerged`, `note stage`, `note cover`: what was seen of a crop."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, cast, get_args

import click

from scheduler.cli import common
from scheduler.cli.complete import STAGE, ZONE
from scheduler.cli.note.doubts import ask_if_meant
from scheduler.cli.note.keeping import keep, on_day
from scheduler.cli.note.spot import Spot, site_of, spot_of
from scheduler.dates import short, spoken
from scheduler.errors import BadInput
from scheduler.nearest import did_you_mean

if TYPE_CHECKING:
    from scheduler.model import Stage
    from scheduler.pages.stage_moved import StageMoved

SHORT_STAGES = {
    "dev": "development", "mid": "mid-season", "midseason": "mid-season", "mid season": "mid-season",
    "late": "late season", "lateseason": "late season", "late-season": "late season", "end": "late season",
}  # fmt: skip
FARTHEST = 2.0
"""A stage so many times later or sooner than reckoned stretches the rest no further (model M11)."""
NOT_DUAL = "it changes nothing while garden.yaml says crop_coefficient: single"


@click.command()
@click.argument("zone", type=ZONE)
@on_day("it was seen")
def emerged(zone: str, day: date | None, sure: bool) -> None:
    """The sown rows of ZONE came up: the seedbed needs no more water of its own."""
    spot = spot_of(zone, day, sure=sure)
    ask_if_meant(not_sown(spot), sure=sure)
    planting = spot.planting
    before = planting.emerged if planting else None
    said = f"{spot.name}: {spot.crop} came up{instead(before, spot.day)}"
    keep(spot.garden, spot.now, "emerged", spot.day, spot.name, {}, said=said)
    say_effect(spot, f"its seedbed ends: from {spot.day} on {spot.crop} is watered as its roots need")


def not_sown(spot: Spot) -> str | None:
    """The doubt about a seedbed where none was sown, or the seed was laid that very day."""
    from scheduler.core.balance.sowing import started_by

    if spot.planting is None:
        return None
    by = started_by(spot.planting)
    if by == "seed":
        return None
    return f"{spot.crop} in {spot.name} was not sown: it grows from {by} (sown? by: seed in garden.yaml)"


def say_effect(spot: Spot, effect: str) -> None:
    """What a note does that only the soil's own evaporation goes by; else that it does nothing."""
    click.echo(effect if spot.garden.crop_coefficient == "dual" else NOT_DUAL)


def instead(before: date | None, day: date) -> str:
    """Which day a note corrects, where there was another."""
    return "" if before is None or before == day else f" (instead of {short(before)})"


# --- stage ---------------------------------------------------------------------------------------


@click.command()
@click.argument("zone", type=ZONE)
@click.argument("words", metavar="STAGE", type=STAGE, nargs=-1, required=True)
@on_day("the stage began")
def stage(zone: str, words: Sequence[str], day: date | None, sure: bool) -> None:
    """The crop of ZONE began STAGE: development, mid-season or late season; its later stages move with it."""
    from scheduler.planning.notes import agreeing

    began = _stage(" ".join(words))
    spot = spot_of(zone, day, sure=sure)
    said = f"{spot.name}: {spot.crop} in {began}"
    if spot.planting is not None:
        agrees = agreeing(spot.planting.observed, began, spot.day)
        at_odds = [one for one in spot.planting.observed if one[0] != began and one not in agrees]
        ask_if_meant(_at_odds(spot, began, at_odds), sure=sure)
        seen = replace(spot.planting, observed=(*agrees, (began, spot.day)))
        moved = site_of(spot).moved(spot.planting, seen, began)
        ask_if_meant(_far_off(moved), sure=sure)
        said += "".join(_moved(moved, dict(spot.planting.observed).get(began), spot.now.date()))
        said += "".join(f"; {other} of {short(when)} counts no more" for other, when in at_odds)
    keep(spot.garden, spot.now, "stage", spot.day, spot.name, {"stage": began}, said=said)


def _stage(typed: str) -> Stage:
    from scheduler.model import Stage

    word = " ".join(typed.casefold().split())
    word = SHORT_STAGES.get(word, word)
    known = get_args(Stage)[1:]
    if word in known:
        return cast("Stage", word)
    if word == get_args(Stage)[0]:
        raise BadInput(
            "the initial stage begins on the planting date", hint="rowwater note planted ZONE CROP --date DAY"
        )
    hint = did_you_mean(word, (*known, *SHORT_STAGES), f"stages: {', '.join(known)}")
    raise BadInput(f'"{typed}" is not a stage', hint=hint)


def _at_odds(spot: Spot, began: str, at_odds: Sequence[tuple[str, date]]) -> str | None:
    if not at_odds:
        return None
    seen = ", ".join(f"{other} from {spoken(when)}" for other, when in at_odds)
    return f"{began} from {spoken(spot.day)} does not go with what is known of {spot.crop}: {seen}"


def _far_off(moved: StageMoved) -> str | None:
    if moved.was is None:
        return None
    planted = moved.planting.planted
    seen, reckoned = (moved.day - planted).days, (moved.was - planted).days
    if reckoned <= 0 or 1 / FARTHEST <= seen / reckoned <= FARTHEST:
        return None
    return (
        f"{moved.planting.crop.name} in {moved.stage} {seen} days after planting, "
        f"reckoned were {reckoned} ({spoken(moved.was)})"
    )


def _moved(moved: StageMoved, noted: date | None, today: date) -> Iterator[str]:
    """From where the stage, and each later one, was moved to where."""
    yield instead(noted, moved.day)
    if moved.was == moved.day:
        yield ", as reckoned"
    elif moved.was is not None:
        yield f", reckoned for {short(moved.was)}"
    for name, was, now in moved.later:
        if now is not None and was != now:
            yield f"; {name} from {short(now)}" + ("" if was is None else f" (was {short(was)})")
    pulled = moved.planting.pulled
    if pulled is not None and pulled <= today:
        yield f"; pulled on {short(pulled)}: only days gone by are reckoned anew"


# --- cover ---------------------------------------------------------------------------------------


@click.command()
@click.argument("zone", type=ZONE)
@click.argument("words", metavar="SHARE", nargs=-1, required=True)
@on_day("it was seen")
def cover(zone: str, words: Sequence[str], day: date | None, sure: bool) -> None:
    """The crop of ZONE shades SHARE of the ground at noon, such as 40%."""
    share = common.quantity("fraction", " ".join(words), "us")
    if share <= 0:
        raise BadInput("a crop that stands shades some of the ground - for example 5%")
    spot = spot_of(zone, day, sure=sure)
    seen = dict(spot.planting.covers_seen).get(spot.day, share) if spot.planting else share
    said = f"{spot.name}: {spot.crop} shades {100 * share:.0f} % of the ground"
    said += "" if seen == share else f" (instead of {100 * seen:.0f} %)"
    keep(spot.garden, spot.now, "cover", spot.day, spot.name, {"cover": share}, said=said)
    say_effect(spot, f"from {spot.day} on the ground that {spot.crop} leaves open to the sun goes by it")
