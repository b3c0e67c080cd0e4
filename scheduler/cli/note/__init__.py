"""`rowwater note ...`: what the grower saw or did, kept as facts; today's plan is made again with them."""

from __future__ import annotations

import click

from scheduler.cli import common
from scheduler.cli.note import applied, care, chores, crops, rain, sightings, soil, taken_back
from scheduler.cli.note.keeping import keep

__all__ = ["command", "keep"]


@click.group(name="note")
@common.place_options
def command() -> None:
    """What you saw or did: kept for ever, and today's plan is made again with it."""


for _one in (
    applied.command, rain.command, soil.command, crops.planted, crops.pulled,
    sightings.emerged, sightings.stage, sightings.cover, care.sprinkled, care.dry_off, care.feed,
    chores.filter_, chores.tape, chores.repair, chores.chore, taken_back.list_, taken_back.undo,
):  # fmt: skip
    command.add_command(_one)
