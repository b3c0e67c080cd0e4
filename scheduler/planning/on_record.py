"""Questions to the record: water given, runs that nobody answered, zones on hold.

Records of water come in the order of recording; corrections among them are worked in here.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, NamedTuple

from scheduler.model import Applied, Note, Outcome, Run, StoredPlan
from scheduler.store.effective import effective_applied

if TYPE_CHECKING:
    from scheduler.shapes.base import Bounds
    from scheduler.shapes.day import GivenLine


WORTH_SAYING_MIN = 0.05  # so much doubt of what was given is a figure of its own


@dataclass(frozen=True, slots=True)
class Given:
    """All the water that one zone got on one local date."""

    minutes: float
    liters: float
    gross_mm: float
    net_mm: float
    outcome: Outcome  # of the last record
    bounds: tuple[float, float] | None = None  # least and most minutes, where only these are sure


def given(records: Iterable[Applied]) -> dict[tuple[date, str], Given]:
    """By date and zone, in that order."""
    groups: dict[tuple[date, str], list[Applied]] = {}
    for record in effective_applied(records):
        groups.setdefault((record.day, record.zone), []).append(record)
    return {
        key: Given(
            minutes=round(sum(a.minutes for a in found), 4),
            liters=round(sum(a.liters for a in found), 4),
            gross_mm=round(sum(a.gross_mm for a in found), 4),
            net_mm=round(sum(a.net_mm for a in found), 4),
            outcome=found[-1].outcome,
            bounds=_bounds(found),
        )
        for key, found in sorted(groups.items())
    }


def _bounds(found: Iterable[Applied]) -> tuple[float, float] | None:
    found = list(found)
    least = sum(a.minutes if a.least_minutes is None else a.least_minutes for a in found)
    most = sum(a.minutes if a.most_minutes is None else a.most_minutes for a in found)
    return (round(least, 4), round(most, 4)) if most - least > WORTH_SAYING_MIN else None


def planned_minutes(plans: Iterable[StoredPlan]) -> dict[tuple[date, str], float]:
    """By date and zone."""
    planned: dict[tuple[date, str], float] = {}
    for plan in plans:
        for run in plan.runs:
            planned[plan.day, run.zone] = planned.get((plan.day, run.zone), 0.0) + run.minutes
    return planned


def given_lines(records: Iterable[Applied], plans: Iterable[StoredPlan]) -> list[GivenLine]:
    """One line per zone and day as today.json lists them, oldest first."""
    planned = planned_minutes(plans)
    return [
        {
            "zone": zone,
            "date": day.isoformat(),
            "minutes": water.minutes,
            "liters": water.liters,
            "net_mm": water.net_mm,
            "planned_minutes": planned.get((day, zone), 0.0),
            "outcome": water.outcome,
            **bounds_of(water),
        }
        for (day, zone), water in given(records).items()
    ]


def bounds_of(water: Given | None) -> Bounds:
    """Nothing where the minutes are sure."""
    if water is None or water.bounds is None:
        return {}
    return {"least_minutes": water.bounds[0], "most_minutes": water.bounds[1]}


class Spent(NamedTuple):
    """What limits count of one record of water: the most that it may have been."""

    day: date
    zone: str
    most_minutes: float
    liters: float  # the best estimate
    unsure_minutes: float  # for which water may have run beyond it


def spent(records: Iterable[Applied]) -> Iterator[Spent]:
    """Of the records in force."""
    for record in effective_applied(records):
        most = max(record.minutes, record.most_minutes or 0.0)
        unsure = 0.0 if record.measured else most - record.minutes
        yield Spent(record.day, record.zone, most, record.liters, unsure)


def gathered(records: Iterable[Spent], day: date) -> list[Spent]:
    """The same added up: by zone of `day`, by date of other days; what is unsure stays by zone.

    >>> one = Spent(date(2026, 7, 1), "beans", 30.0, 90.0, 0.0)
    >>> [tuple(s)[1:] for s in gathered([one, one._replace(zone="squash")], date(2026, 7, 2))]
    [('', 60.0, 180.0, 0.0)]
    """
    sums: dict[tuple[date, str], Spent] = {}
    for one in records:
        key = one.day, one.zone if one.day == day or one.unsure_minutes else ""
        so_far = sums.get(key, Spent(*key, 0.0, 0.0, 0.0))
        sums[key] = Spent(*key, *(a + b for a, b in zip(so_far[2:], one[2:], strict=True)))
    return list(sums.values())


def liters_at_most(records: Iterable[Spent], flow_lpm: Mapping[str, float]) -> dict[date, float]:
    """By date. flow_lpm: of the zones."""
    used: dict[date, float] = {}
    for one in records:
        liters = one.liters + one.unsure_minutes * flow_lpm.get(one.zone, 0.0)
        used[one.day] = used.get(one.day, 0.0) + liters
    return used


def unanswered(plans: Iterable[StoredPlan], records: Iterable[Applied]) -> Iterator[tuple[date, Run]]:
    """Planned runs that no record of water answers, plan by plan."""
    of: dict[tuple[date, str], list[Applied]] = {}
    for record in records:
        of.setdefault((record.day, record.zone), []).append(record)
    for plan in plans:
        for run in plan.runs:
            if not any(answers(record, run) for record in of.get((plan.day, run.zone), ())):
                yield plan.day, run


def answers(record: Applied, run: Run) -> bool:
    """Whether a record of the run's zone and day says what became of it.

    One that names a pulse speaks of that run only.  An amount that the grower tells speaks of all that had
    begun by then: a run that comes after it is a question of its own.
    """
    if record.pulse is not None:
        return record.pulse == run.pulse
    told_at = record.recorded_at
    ahead = (
        told_at.astimezone(run.start.tzinfo).date() < record.day
    )  # told before the day began: of all of it
    return ahead or run.start <= told_at


def net_whole(plan: StoredPlan, run: Run) -> float:
    """mm net of a planned run with what was to wash salt out: as records of water hold it (`soil.run`)."""
    line = next((zone for zone in plan.page.get("zones", ()) if zone["zone"] == run.zone), None)
    return run.net_mm / (1 - (0.0 if line is None else line.get("leaching", 0.0)))


def begun(plan: StoredPlan, records: Iterable[Applied], by_valve: Container[str], now: datetime) -> list[Run]:
    """Runs whose start has passed and that nobody has answered, of zones that no valve here opens: by hand,
    or gone from garden.yaml.

    Of a day that is over those of all zones: nothing of it is still ahead.
    """
    over = now.date() > plan.day and all(run.stop <= now for run in plan.runs)
    return [
        run
        for _, run in unanswered([plan], records)
        if (over or run.zone not in by_valve) and run.start <= now
    ]


def holds(notes: Iterable[Note], day: date) -> dict[str, date]:
    """Until when the grower keeps zones dry, where that is still ahead on `day`; the newest note holds."""
    newest: dict[str, date] = {}
    for note in sorted((n for n in notes if n.kind == "hold"), key=lambda n: n.recorded_at):
        if note.zone is not None:
            newest[note.zone] = date.fromisoformat(str(note.details["until"]))
    return {zone: until for zone, until in newest.items() if until > day}
