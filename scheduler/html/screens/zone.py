"""One zone: why it runs, waits or rests; its root zone over the season and the week ahead; the working."""

from __future__ import annotations

from datetime import timedelta
from typing import TypedDict

from markupsafe import Markup

from scheduler.drawings.root_zone import root_zone
from scheduler.html.screens.frame import Frame, render
from scheduler.phrases import morning as phrases
from scheduler.phrases.working import figure
from scheduler.shapes.day import TodayFile
from scheduler.shapes.working import WhyPage


class Values(TypedDict):
    """today: today.json; why: `rowwater why --season ZONE --json`."""

    today: TodayFile
    why: WhyPage


def zone(values: Values, frame: Frame) -> str:
    """LookupError: today.json knows no such zone."""
    page, why = values["today"], values["why"]
    name = why["zone"]
    line = next((one for one in page["zones"] if one["zone"] == name), None)
    if line is None:
        raise LookupError(name)
    runs = phrases.runs_by_zone(page).get(name, [])
    season, day = why.get("root_zone"), phrases.day_of(page, frame.now)
    picture = ""
    if season is not None:
        picture = root_zone("season", name, season["days"], frame.display, season["ahead"], season["morning"])
    return render(
        "zone.html",
        frame,
        line=line,
        plan=phrases.zone_plan(line, runs),
        runs=runs,
        dryness=phrases.dryness(page, line),
        why=why,
        figure=figure,
        season=season,
        picture=Markup(picture),
        apart=any("evaporation_mm" in day for day in why["history"]),
        today=day.isoformat(),
        tomorrow=(day + timedelta(days=1)).isoformat(),
    )
