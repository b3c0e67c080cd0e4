"""What learning from 120 mornings of forecasts costs each plan, against one ET0 of the whole weather record.

    python tests/benchmarks/bench_forecasts.py [ROUNDS]

CPU time of this process, medians of alternated rounds.  It prints, and asserts no time.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from statistics import median

from scheduler.core.balance.et import reference_et
from scheduler.garden.file import load
from scheduler.model import WeatherDays, WeatherValue
from scheduler.planning.confidence import forecast_share
from scheduler.planning.facts import Facts
from scheduler.planning.spans import LEARN_DAYS
from scheduler.weather.files import daily

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
TODAY = date(2015, 7, 20)
MORNINGS = 120


def forecasts(came: WeatherDays) -> tuple[WeatherValue, ...]:
    """What a service said each morning of that day and the seven after: what came, off by an invented spread
    that grows with the lead."""
    draw = random.Random(5)
    values = []
    for morning in (TODAY - timedelta(days=n) for n in range(MORNINGS, -1, -1)):
        at = datetime(morning.year, morning.month, morning.day, 12, tzinfo=UTC)
        for lead in range(8):
            day = morning + timedelta(days=lead)
            i = (day - came.first).days
            low, high = (float(t[i]) + draw.gauss(0, 0.5 + 0.3 * lead) for t in (came.tmin_c, came.tmax_c))
            told = {"tmin_c": min(low, high), "tmax_c": max(low, high), "tdew_c": low - 1.0,
                    "wind_m_s": draw.uniform(1.0, 4.0), "wind_height_m": 10.0, "rain_mm": draw.random(),
                    "solar_mj_m2": draw.uniform(15.0, 25.0), "rain_chance_pct": 20.0}  # fmt: skip
            values += [WeatherValue(day, f, round(v, 2), "service", "forecast", at) for f, v in told.items()]
    learned_from = (TODAY - timedelta(days=LEARN_DAYS), TODAY - timedelta(days=1))
    return tuple(value for value in values if learned_from[0] <= value.day <= learned_from[1])


def cpu_ms(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return (time.process_time() - begun) * 1e3


def main(rounds: int) -> None:
    garden, came = load(CREEKSIDE / "garden.yaml"), daily.read(CREEKSIDE / "weather.csv")
    et = reference_et(came, garden.location)
    facts = Facts(
        start=came.first, day=TODAY, zones=garden.zones, weather=came, rain_so_far_mm=None, applied=(),
        notes=(), plans={}, store_replaced=False, forecasts_issued=forecasts(came),
    )  # fmt: skip
    share = forecast_share(facts, et, garden)  # the first call imports
    pairs = [
        (
            cpu_ms(lambda: forecast_share(facts, et, garden)),
            cpu_ms(lambda: reference_et(came, garden.location)),
        )
        for _ in range(rounds)
    ]
    ours, one = (median(side) for side in zip(*pairs, strict=True))
    print("share of ET0 by lead: " + " ".join(f"{lead:.3f}" for lead in share))
    print(f"{len(facts.forecasts_issued)} values: {ours:.1f} ms   one ET0 of the record {one:.1f} ms   "
          f"ratio {ours / one:.2f}   (goal: at most 5)")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
