"""The report's record: each zone's totals, what was done, how forecasts fared."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from scheduler.core.balance.short_use import short_use, stressed
from scheduler.core.system.upkeep import crop_cycles_used, last_noted, row_repairs, tape_laid
from scheduler.model import Garden, Note
from scheduler.pages.forecast_skill import skill_rows
from scheduler.pages.report_water import Water, bounds_liters, waiting
from scheduler.pages.rounding import rounded
from scheduler.planning.season_past import Past
from scheduler.shapes.report import Done, SkillShort, ZoneReport
from scheduler.store.store import Store

DONE = ("filter", "tape", "chore", "repair", "planted", "pulled")
TOLD_FIELDS = ("et0_mm", "rain_mm")


def zone_report(past: Past, water: Water, zone: int) -> ZoneReport:
    name, span, balance = past.zones[zone].name, past.span, past.balance
    standing = past.live.terms.standing[span, zone]

    def total(column: object) -> float:
        return rounded(column[span, zone][standing].sum())  # type: ignore[index]  # of Balance, (day, zone)

    mine = [record for record in past.applied if record.zone == name]
    least, most = bounds_liters(past, zone)
    short = {day for day, at, _ in waiting(past.plans) if at == name}
    crops, lasts = _tape(past, zone)
    return {
        "given_l": water.of_zone(water.given, name),
        "least_l": rounded(least),
        "most_l": rounded(most),
        "asked_l": water.of_zone(water.asked, name),
        "kept_l": water.of_zone(water.kept, name),
        "timer_l": water.of_zone(water.timer, name),
        "net_mm": total(balance.irrigation),
        "rain_eff_mm": total(past.live.terms.rain_eff),
        "etc_mm": total(balance.eta),
        "percolation_mm": total(balance.percolation),
        "short_use_mm": total(short_use(past.live.terms, balance)),
        "stress_days": int(stressed(past.live.terms, balance)[span, zone].sum()),
        "short_days": len(short),
        "runs": sum(record.minutes > 0 for record in mine),
        "interrupted": sum(record.outcome in ("interrupted", "cut short") for record in mine),
        "unanswered": sum(run.zone == name for _, run in past.unanswered),
        "repairs": sum(note.kind == "repair" and note.zone == name for note in _of_span(past)),
        "row_repairs": {
            str(row): len(days) for (at, row), days in row_repairs(_of_span(past)).items() if at == name
        },
        "tape_crops": crops,
        "tape_lasts": lasts,
    }


def _tape(past: Past, zone: int) -> tuple[int | None, float | None]:
    """Crops on the zone's tape by the end of the span, and how many it lasts."""
    one = past.zones[zone]
    laid = tape_laid(one, last_noted(past.notes))
    if laid is None or laid > past.last:
        return None, one.tape.crop_cycles
    garden: Garden = past.garden
    return crop_cycles_used(garden, {one.name: laid}, past.last)[one.name], one.tape.crop_cycles


def done(past: Past) -> Iterator[Done]:
    """Chores, repairs and plantings that the grower noted, oldest first."""
    for note in sorted(_of_span(past), key=lambda n: (n.day, n.recorded_at)):
        if note.kind in DONE and not note.details.get("later"):
            yield {"date": note.day.isoformat(), "what": _what(note), "zone": note.zone}


def _of_span(past: Past) -> list[Note]:
    return [note for note in past.notes if note.day >= past.first]


CALLED = {
    "tape": "new tape",
    "filter": "filter rinsed",
    "repair": "tape repaired",
    "chore row": "mended rows looked at",
}


def _what(note: Note) -> str:
    if note.kind == "chore":
        return CALLED.get(f"chore {note.details['chore']}", str(note.details["chore"]))
    if row := note.details.get("row"):
        return f"row {row} repaired"
    if crop := note.details.get("crop"):
        return f"{crop} {note.kind}"
    return CALLED.get(note.kind, note.kind)


def skill(past: Past, store: Store) -> list[SkillShort]:
    """ET0 and rain as each source forecast them, against what came."""
    said = store.weather_issued(past.first, past.last)
    rows = skill_rows(past.garden, said, past.weather, today=past.last + timedelta(days=1))
    return [
        {"source": row["source"], "field": row["field"], "lead_days": row["lead_days"], "pairs": row["pairs"],
         "bias": row["bias"], "root_mean_square": row["root_mean_square"]}
        for row in rows if row["field"] in TOLD_FIELDS
    ]  # fmt: skip


def day_text(day: date) -> str:
    return f"{day:%d %b %Y}".lstrip("0")
