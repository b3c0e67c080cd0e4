"""How each source's forecasts have fared: what was said some days ahead against what came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance.et import NONE, reference_et
from scheduler.core.uncertainty import learned as uncertainty
from scheduler.model import Garden, WeatherDays, WeatherValue
from scheduler.pages.rounding import rounded
from scheduler.planning.issued import days_as_issued, issued_by_source
from scheduler.planning.weather import kind_of
from scheduler.shapes.weather import SkillLine

LEADS = range(1, 8)
FIELDS = ("et0_mm", "rain_mm", "tmax_c", "tmin_c", "solar_mj_m2", "wind_m_s")
LOOK_BACK_DAYS = 90


def skill_rows(
    garden: Garden, said: Iterable[WeatherValue], came: WeatherDays, *, today: date
) -> list[SkillLine]:
    """Per source, field and lead day (1 to 7): pairs, mean error, mean absolute and root mean square error.

    Errors are what came less what was forecast; depths in mm, temperatures in degC, radiation in MJ/m2, wind
    in m/s at each source's height.  What came is never a forecast itself: such days, and today, make no pair.
    A forecast that a source did not change was not stored again: the last word of an earlier morning stands
    for any morning on which the source answered at all.
    """
    issued, mornings = issued_by_source(said, ZoneInfo(garden.location.timezone))
    past = came.first + timedelta(days=len(came)) if came.last < today else today
    count = (past - came.first).days
    outcome = {field: _came(came, field)[:count] for field in FIELDS if field != "et0_mm"}
    outcome["et0_mm"] = _et0_came(garden, came)[:count]
    against = _kinds(came, count)
    rows: list[SkillLine] = []
    for source in sorted(issued):
        for lead in LEADS:
            days = days_as_issued(issued[source], mornings[source], came.first, count, lead)
            if days is None:
                continue
            forecast = {field: getattr(days, field) for field in FIELDS if field != "et0_mm"}
            et = reference_et(days, garden.location)
            forecast["et0_mm"] = np.where(et.method != NONE, et.et0_mm, np.nan)
            rows += list(_rows(source, lead, forecast, outcome, against))
    order = {field: place for place, field in enumerate(FIELDS)}
    return sorted(rows, key=lambda row: (row["source"], order[row["field"]], row["lead_days"]))


def _rows(
    source: str,
    lead: int,
    forecast: Mapping[str, FloatArray],
    outcome: Mapping[str, FloatArray],
    against: Mapping[str, list[str]],
) -> Iterator[SkillLine]:
    for field in FIELDS:
        n = len(outcome[field])
        plain = uncertainty.skill(
            [source] * n, np.full(n, lead), forecast[field], outcome[field], prior_days=0
        ).get((source, lead))
        if plain is None:
            continue
        both = np.isfinite(forecast[field] - outcome[field])
        kinds = [kind for kind, pair in zip(against[field], both, strict=True) if pair]
        row: SkillLine = {
            "source": source,
            "field": field,
            "lead_days": lead,
            "pairs": plain.pairs,
            "bias": rounded(plain.bias),
            "mean_absolute": rounded(plain.mean_absolute),
            "root_mean_square": rounded(plain.sd),
            "against": {kind: kinds.count(kind) for kind in sorted(set(kinds))},
        }
        if field == "et0_mm":  # what the planner counts with: the prior worked in until a month is there
            stated = uncertainty.skill([source] * n, np.full(n, lead), forecast[field], outcome[field])
            row["stated_sd"] = rounded(stated[source, lead].sd)
        yield row


def _came(came: WeatherDays, field: str) -> FloatArray:
    told = came.came_from.get(field, ())
    forecast = np.array([kind_of(source) == "forecast" for source in told], dtype=bool)
    values: FloatArray = getattr(came, field)
    return np.where(forecast, np.nan, values) if len(forecast) else values


def _et0_came(garden: Garden, came: WeatherDays) -> FloatArray:
    et = reference_et(came, garden.location)
    known = np.isfinite(_came(came, "tmin_c")) & np.isfinite(_came(came, "tmax_c"))
    return np.where((et.method != NONE) & known, et.et0_mm, np.nan)


def _kinds(came: WeatherDays, count: int) -> dict[str, list[str]]:
    def kinds(field: str) -> list[str]:
        told = came.came_from.get(field) or (None,) * len(came)
        return [kind_of(source) or "" for source in told[:count]]

    return {field: kinds("tmax_c" if field == "et0_mm" else field) for field in FIELDS}
