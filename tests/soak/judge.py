"""What a soak must show: the relays' own words against the books, and sizes that do not grow."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from soak.shed import Shed, Size

SLACK_S = 15.0  # of one opening: a command takes its time, ticks are half a second
AFTER_FAULT_S = 180.0  # closes are repeated at pauses that grow up to 15 s; a restart takes its time
SETTLED_S = 6 * 3600.0  # of a life: until then caches and pools fill
LEAST_SPAN_S = 6 * 3600.0  # of the samples of one life, for a slope
DAY_S = 86_400.0


@dataclass(frozen=True)
class Spell:
    """A fault, by the page's monotonic clock."""

    name: str
    begin: float
    end: float


@dataclass(frozen=True)
class Open:
    zone: str
    begin: float
    seconds: float
    end: float


@dataclass(frozen=True)
class Sample:
    mono: float
    age_s: float
    life: int
    quiet: bool  # no fault lately, no valve open, no child at work
    service: Size
    guard: Size
    database_bytes: int


@dataclass
class Slopes:
    """Of all lives that were long enough, weighted by their length."""

    days: float = 0.0
    rss_kb_a_day: float = 0.0
    descriptors_a_day: float = 0.0
    threads_a_day: float = 0.0


@dataclass
class Findings:
    wrong: list[str] = field(default_factory=list)
    opens: int = 0
    minutes: dict[str, float] = field(default_factory=dict)


def opens_of(witness: str, end: float) -> list[Open]:
    found: list[Open] = []
    since: dict[str, tuple[float, float]] = {}
    rows = sorted((line.split() for line in witness.splitlines()), key=lambda row: float(row[0]))
    for at, zone, word, seconds in rows:
        if zone in since:
            begin, asked = since.pop(zone)
            found.append(Open(zone, begin, asked, float(at)))
        if word == "open":
            since[zone] = float(at), float(seconds)
    return found + [Open(zone, begin, asked, end) for zone, (begin, asked) in since.items()]


def judge(shed: Shed, spells: Iterable[Spell], end: float) -> Findings:
    """P2, P4, P5 and P9 over the whole time."""
    findings = Findings()
    spells = list(spells)
    opens = opens_of(shed.log("witness.txt"), end)
    findings.opens = len(opens)
    for one in opens:
        faulty = sum(
            min(spell.end, one.end) - max(spell.begin, one.begin) + AFTER_FAULT_S
            for spell in spells
            if spell.begin < one.end and spell.end + AFTER_FAULT_S > one.begin
        )
        ran = one.end - one.begin
        if ran > one.seconds + SLACK_S + max(faulty, 0.0):
            findings.wrong.append(
                f"P2: {one.zone} open for {ran:.0f} s where {one.seconds:.0f} were asked for"
            )
    _books(shed, opens, findings)
    return findings


def _books(shed: Shed, opens: Sequence[Open], findings: Findings) -> None:
    twice = shed.rows(
        "SELECT day, zone, pulse FROM openings WHERE pulse IS NOT NULL GROUP BY day, zone, pulse "
        "HAVING count(*) > 1"
    )
    findings.wrong += [f"P4: {row} was opened twice" for row in twice]
    unsettled = shed.rows("SELECT zone FROM openings WHERE opening NOT IN (SELECT opening FROM closings)")
    findings.wrong += [f"P5: an opening of {zone} is not settled" for (zone,) in unsettled]
    recorded = Counter(zone for (zone,) in shed.rows("SELECT zone FROM openings"))
    told = Counter(one.zone for one in opens)
    findings.wrong += [
        f"P9: {zone} was opened {told[zone]} times, {recorded[zone]} on record"
        for zone in told
        if told[zone] > recorded[zone]
    ]
    query = (
        "SELECT zone, count(*), sum(coalesce(least_minutes, minutes)), sum(coalesce(most_minutes, minutes)) "
        "FROM applied WHERE outcome NOT IN ('never opened') AND zone || day || coalesce(pulse, '') IN "
        "(SELECT zone || day || coalesce(pulse, '') FROM openings) GROUP BY zone"
    )
    ran = {zone: sum(one.end - one.begin for one in opens if one.zone == zone) / 60 for zone in told}
    findings.minutes = {zone: round(minutes, 1) for zone, minutes in ran.items()}
    for zone, count, least, most in shed.rows(query):
        if zone not in ran:
            continue  # a pin of the mock, seen by nobody
        slack = count * SLACK_S / 60
        if not least - slack <= ran[zone] <= most + slack:
            findings.wrong.append(
                f"P5: {zone} ran {ran[zone]:.1f} min, the books say {least:.1f} to {most:.1f}"
            )


def slopes(samples: Sequence[Sample], which: str) -> Slopes:
    """which: service or guard. By Theil and Sen, the median of all pairs' slopes: a peak moves nothing."""
    total = Slopes()
    for life in sorted({sample.life for sample in samples}):
        mine = [s for s in samples if s.life == life and s.quiet and s.age_s >= SETTLED_S]
        if len(mine) < 4 or (span := mine[-1].mono - mine[0].mono) < LEAST_SPAN_S:
            continue
        days = span / DAY_S
        total.days += days
        for name in ("rss_kb", "descriptors", "threads"):
            pairs = [(s.mono / DAY_S, float(getattr(getattr(s, which), name))) for s in mine]
            both = getattr(total, f"{name}_a_day") + days * _median_slope(pairs)
            setattr(total, f"{name}_a_day", both)
    for name in ("rss_kb", "descriptors", "threads") if total.days else ():
        setattr(total, f"{name}_a_day", getattr(total, f"{name}_a_day") / total.days)
    return total


def _median_slope(pairs: Sequence[tuple[float, float]]) -> float:
    return statistics.median(
        (y1 - y0) / (x1 - x0) for k, (x0, y0) in enumerate(pairs) for x1, y1 in pairs[k + 1 :] if x1 > x0
    )
