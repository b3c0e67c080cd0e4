"""What quality control says of a season on a file, where nothing but model M1 may change a value."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from scheduler.core.quality.checks import Flag
from scheduler.show import WEATHER_NAMES, Display, show_weather, words

AS_M1_TAKES_IT = {
    "more sun than above the air": "held to 1.05 of a clear sky's",
    "lowest not below highest": "without temperatures where the lowest is above the highest",
    "humidity limits": "taken as model M1 says",
    "wind limits": "taken as model M1 says",
    "rain limits": "taken as model M1 says",
}


def remarks(flags: Iterable[Flag], display: Display) -> Iterator[str]:
    """One line a rule for a season on a file, where M1 alone may change a value; the latest case of each."""
    by_rule: dict[tuple[str, str], list[Flag]] = {}
    for flag in flags:
        by_rule.setdefault((flag.rule, flag.verdict), []).append(flag)
    for (rule, verdict), mine in by_rule.items():
        newest, days = mine[-1], len({flag.day for flag in mine})
        done = AS_M1_TAKES_IT.get(rule, "left as it is" if verdict != "repaired" else "held to its limit")
        unit = "stretch" if newest.sensor else "day"
        often = f"{days} {unit}{('es' if newest.sensor else 's') * (days > 1)}"
        what = WEATHER_NAMES[newest.field]
        amount = "" if newest.sensor else f" {show_weather(newest.field, newest.value, display)}"
        reason = words(newest.reason, newest.numbers, display)
        yield (f"quality control: {rule} on {often}, {done} (latest {newest.day}, {what}{amount}: {reason})")
