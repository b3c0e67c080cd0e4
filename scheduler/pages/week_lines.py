"""Why the plan of the week gives one zone what it gives it today: lines of `rowwater why`."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from scheduler.core.week.problem import DOUBT_SD
from scheduler.pages.lines import line
from scheduler.pages.week import AIMS, PLANNED_BY
from scheduler.planning.plan import Plan
from scheduler.planning.week import Outlook
from scheduler.shapes.working import Line

LOSS = "sum of w (Ky l + 3 max(l - 1/3, 0) + 9 max(l - 2/3, 0)), l = 1 - Ks"


def week_lines(plan: Plan, z: int) -> list[Line]:
    ahead = plan.outlook
    if ahead is None:
        return [line(f"the week could not be planned ({plan.unplanned}): its own trigger rules")]
    week, found = ahead.week, ahead.plan
    outcome, score = found.outcome, found.score
    wanted, given = float(plan.need.minutes[z]), float(found.minutes[0, z])
    expected = float(np.nansum(week.rain_eff[:, z] * week.rain_chance[:, z]))
    short = [s for s in found.short if s.zone == z]
    method = PLANNED_BY[found.method] + (f" ({found.note})" if found.note else "")
    evenings, sd = _row(outcome.deficit_end[:, z]), _row(ahead.sd[:, z])
    least = f"no plan can have less than {found.best_loss:.3f}"
    lines = [
        line(f"what counts, in this order: {AIMS}"),
        line(f"method: {method}"),
        line("minutes by its own rule today", "", wanted, "min", source="model M6, M7"),
        line("minutes by the plan today", "", given, "min", "", _week_minutes(ahead, z)),
        line("rain to come that counts", "", expected, "mm", "sum over 7 days of rain x chance x share"),
        line("deficit expected in the evenings", "Dr", None, "mm", "", evenings, "model M5"),
        line("sd of it", "", None, "mm", "sqrt of last night's and each day's variances", sd),
        line("trigger on those days", "", None, "mm", "", _row(week.trigger[:, z])),
        line("yield response factor", "Ky", float(week.ky[0, z]), "", source="FAO-33, of its stage"),
        line(
            "weight of its stress",
            "w",
            float(week.weight[0, z]),
            "",
            "area x priority x (1 + stress days of two weeks / 14), mean 1",
        ),
        line("stress of all zones over the week", "", score.stress_days, "d", "sum of 1 - Ks"),
        line("what it costs", "", score.loss, "weighted d", LOSS, least),
    ]
    if np.any(week.deficit_sd):
        wide = float(week.deficit_sd[z])
        lines.append(
            line(
                "planned as thirstier by its doubt", "", DOUBT_SD * wide, "mm",
                "1.28 sd: nine outcomes in ten are milder", f"1.28 x {wide:.2f}",
            )
        )  # fmt: skip
    for s in short:
        days = f"{s.stress_days:.2f} stress days from {ahead.day(s.first_day)} on"
        lines.append(line(f"short this week: {s.why}", "", s.net_mm, "mm net", "", days))
    return lines


def _week_minutes(ahead: Outlook, z: int) -> str:
    days = range(ahead.week.days)
    return "; ".join(f"{ahead.day(k):%a} {m:.0f}" for k in days if (m := float(ahead.plan.minutes[k, z])) > 0)


def _row(values: Iterable[float]) -> str:
    return ", ".join(f"{value:.1f}" if np.isfinite(value) else "-" for value in values)
