"""A station's JSON messages as stamped values: any names, any nesting, numbers that may come as text."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.errors import BadInput
from scheduler.json_reading import read_json
from scheduler.weather.answers import short
from scheduler.weather.files import layout as layouts
from scheduler.weather.files import stamps as stamping
from scheduler.weather.files.layout import Layout, Wanted, plausible
from scheduler.weather.localdays import zone_of
from scheduler.weather.mqtt.readings import Message
from scheduler.weather.quantities import COLUMN_KEYS, MISSING_NUMBERS, MISSING_TEXTS, number, parse_key

AHEAD = timedelta(minutes=10)  # a station's clock may be a little ahead
WHOLE = "."  # the path of a payload that is the value itself
KINDS = ("daily", "readings")
NOT_DAILY = ("spread", "since reset")  # quantities of which a single value says nothing of a day


@dataclass(frozen=True, slots=True)
class Stamped:
    """One message: SI values by the key of their setting (only known ones), and of when they are."""

    values: Mapping[str, float]
    at: datetime | None
    """Readings: their instant. Daily values: when they were sent, None where nobody knows."""
    day: date | None = None
    """The local day of daily values."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The checked settings of one mqtt source."""

    made: Layout
    kind: str
    only: Mapping[str, str]
    given: bool  # whether the fields are named; else the message's own names are taken


@dataclass(slots=True)
class Read:
    messages: list[Stamped] = field(default_factory=list)
    wanted: tuple[Wanted, ...] = ()
    notices: list[str] = field(default_factory=list)


def plan(settings: Mapping[str, Any]) -> Plan:
    """BadInput with all complaints about `fields`, `kind` and what they share with a file's settings."""
    complaints = check(settings)
    if complaints:
        raise BadInput("\n".join(complaints))
    fields = settings.get("fields")
    made = layouts.layout({**settings, "columns": fields or {"tmax_c": "tmax_c"}})
    only = {str(path): _plain(value) for path, value in (settings.get("only") or {}).items()}
    kind = str(settings.get("kind") or "daily")
    return Plan(made if fields else replace(made, wanted=()), kind, only, bool(fields))


def check(settings: Mapping[str, Any]) -> list[str]:
    """Complaints about the settings of an mqtt source, each `key: what is expected`."""
    kind = settings.get("kind")
    complaints = []
    if kind is not None and kind not in KINDS:
        complaints.append(f'kind: "{kind}" - expected readings or daily')
    fields = settings.get("fields")
    if fields is not None:
        shared = ("wind_height", "missing", "time_zone", "date_format")
        about = {name: settings[name] for name in shared if name in settings}
        found = layouts.check({**about, "columns": fields})
        complaints += [text.replace("columns:", "fields:") for text in found]
        if kind != "readings" and not found:
            within = [
                key for key in fields if key not in ("date", "time") and parse_key(key)[1].gather in NOT_DAILY
            ]
            complaints += [
                f"fields: {key}: needs kind: readings; a day has {_instead(key)}" for key in within
            ]
    return complaints


def _instead(key: str) -> str:
    return "rain or rain_day" if parse_key(key)[0] == "rain_total" else "tmin and tmax"


def read(messages: Iterable[Message], made: Plan, zone: ZoneInfo, *, now: datetime) -> Read:
    """The usable messages, in the order they came. zone: the site's, for times that name none."""
    result = Read()
    bodies = [(message, body) for message in messages if (body := _body(message, made)) is not None]
    result.wanted = (
        made.made.wanted if made.given else _named_so((body for _, body in bodies), made.kind == "daily")
    )
    if not result.wanted and bodies:
        names = sorted({str(name) for _, body in bodies if isinstance(body, dict) for name in body})
        result.notices.append(
            f"no name known here in the messages ({short(', '.join(names[:8]))}): say their fields"
        )
    own_zone = zone_of(made.made.time_zone) if made.made.time_zone else zone
    said: Counter[str] = Counter()
    for (message, body), (day, at) in zip(bodies, _stamps(bodies, made, own_zone, zone, result), strict=True):
        if message.received_at > now + AHEAD or (at is not None and at > now + AHEAD):
            said["later than now"] += 1
        elif (at is None and day is None) or (made.kind == "daily" and day is None):
            said[f"without a usable {'date' if made.kind == 'daily' else 'time'}"] += 1
        elif (day or at or now).year < 2000 or (day or now.date()) > now.date() + timedelta(days=1):
            said["with an impossible time"] += 1
        elif values := _values(body, result.wanted, made, said):
            result.messages.append(Stamped(values, at, day))
    result.notices += [f"{count} {what} set aside" for what, count in said.items()]
    return result


def _body(message: Message, made: Plan) -> Any:
    """The payload as JSON; None for what is no reading: other devices, words such as "offline"."""
    try:
        body = read_json(message.text)
    except ValueError:
        return None
    if isinstance(body, dict):
        wrong = any(_plain(look(body, path)) != value for path, value in made.only.items())
        return None if wrong else body
    return body if made.given and not made.only and isinstance(body, int | float | list) else None


def _named_so(bodies: Iterable[Any], daily: bool) -> tuple[Wanted, ...]:
    """Without `fields`: the names that the messages share with the settings of a file."""
    names = dict.fromkeys(name for body in bodies if isinstance(body, dict) for name in body)
    fields: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        if name not in COLUMN_KEYS or (daily and parse_key(name)[1].gather in NOT_DAILY):
            continue
        if (field := parse_key(name)[1].field) not in taken:
            taken.add(field)
            fields[name] = name
    return layouts.layout({"columns": fields}).wanted if fields else ()


def look(body: Any, path: str) -> Any:
    """What stands at `temp.max` or `list.0.value`; a name that itself has dots is found too."""
    if path == WHOLE:
        return body
    if isinstance(body, dict):
        if path in body:
            return body[path]
        for at, sign in enumerate(path):
            if sign == "." and path[:at] in body:
                return look(body[path[:at]], path[at + 1 :])
    if isinstance(body, list):
        first, _, rest = path.partition(".")
        if first.isascii() and first.isdecimal() and int(first[:6]) < len(body):
            inner = body[int(first[:6])]
            return look(inner, rest) if rest else inner
    return None


def _plain(value: Any) -> str:
    """A scalar as the grower would write it: 77 and 77.0 are the same, and so is "77"."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).casefold() if isinstance(value, bool) else str(value).strip()


# --- times ---------------------------------------------------------------------------------------


def _stamps(
    bodies: Sequence[tuple[Message, Any]], made: Plan, own_zone: ZoneInfo, zone: ZoneInfo, result: Read
) -> list[tuple[date | None, datetime | None]]:
    """Day and instant of each message, None where nobody can tell.

    A message that the broker kept is old news: the time at which it comes says nothing of it.
    """
    days, times = made.made.date_title, made.made.time_title
    if made.kind == "daily":
        dates = _parsed([_text(look(body, days or "date")) for _, body in bodies], made, result)
        instants = _parsed([_text(look(body, times or "time")) for _, body in bodies], made, result)
    else:
        dates = [None] * len(bodies)
        paths = [path for path in (days, times) if path] or ["time"]
        instants = _parsed(
            [" ".join(_text(look(body, path)) for path in paths).strip() for _, body in bodies], made, result
        )
    stamps: list[tuple[date | None, datetime | None]] = []
    for (message, body), day, instant in zip(bodies, dates, instants, strict=True):
        at: datetime | None = None if message.retained else message.received_at
        if isinstance(instant, datetime):
            at = _instant(instant, own_zone, message.received_at)
        elif made.kind == "readings" and any(_text(look(body, path)) for path in paths):
            at = None  # it has a time of its own, which cannot be read
        stamps.append((_local_day(day, zone), at))
    return stamps


def _local_day(stamp: stamping.Stamp | None, zone: ZoneInfo) -> date | None:
    """The date as written, and that of seconds since 1970 at the site."""
    if not isinstance(stamp, datetime):
        return stamp
    return stamp.astimezone(zone).date() if stamp.tzinfo is UTC else stamp.date()


def _text(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return ""
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".") if math.isfinite(value) and abs(value) < 1e12 else "?"
    return str(value).strip()[:60]


def _parsed(texts: Sequence[str], made: Plan, result: Read) -> list[stamping.Stamp | None]:
    """Each text by itself where they do not agree in how they are written."""
    if not any(texts):
        return [None] * len(texts)
    try:
        texts = [re.sub(r"^([1-9]\d{8,9})\.0*$", r"\1", text) for text in texts]
        if any(text and re.fullmatch(r"[1-9]\d{8,9}(\.\d+)?", text) is None for text in texts):
            return stamping.parse_all(texts, made.made.date_format, "messages")
        return stamping.parse_all(texts, "epoch", "messages")
    except BadInput as problem:
        result.notices.append(problem.text)
        return [None] * len(texts)


def _instant(stamp: datetime, zone: ZoneInfo, received_at: datetime) -> datetime:
    """An hour that the clock repeats is the one nearer to when the message came."""
    if stamp.tzinfo is not None:
        return stamp
    both = [stamp.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    return min(both, key=lambda at: abs(at - received_at))


# --- values --------------------------------------------------------------------------------------


def _values(body: Any, wanted: Sequence[Wanted], made: Plan, said: Counter[str]) -> dict[str, float]:
    values: dict[str, float] = {}
    for one in wanted:
        found = look(body, one.title)
        value = _number(found, made.made.missing)
        if value is None or (not math.isnan(value) and not plausible(one, value)):
            said[f"values of {one.key} that cannot be true,"] += 1
        elif not math.isnan(value):
            values[one.key] = one.unit.si(value)
    return values


def _number(found: Any, missing: frozenset[str]) -> float | None:
    """A number, also as text; nan where it is marked as missing or absent, None where it is neither."""
    if found is None:
        return math.nan
    if isinstance(found, bool) or not isinstance(found, int | float | str):
        return None
    text = str(found).strip()
    if text.casefold() in MISSING_TEXTS or text.casefold() in missing:
        return math.nan
    try:
        value = number(text)
    except ValueError:
        return None
    if not math.isfinite(value):
        return None
    return math.nan if value in MISSING_NUMBERS or f"{value:g}" in missing else value
