"""A garden where the truth was told at once: what is in force in the ledger, each thing on its own day."""

from __future__ import annotations

from copy import copy
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from lived.gardens import Place
from lived.ledger import Entry, Ledger
from lived.play import Shed


class Told(NamedTuple):
    at: datetime
    args: tuple[str, ...]


class Twin:
    """Lives from one comparison to the next; what came in between is told as at the time it was true.

    In between it plans on the mornings that it is told of. They take time, and matter only where the plan
    weighs how forecasts have fared: to a soil reading, and to a week that does not fit.
    """

    def __init__(self, lived: Shed, folder: Path, first: date, *, clock: str = "03:50") -> None:
        self.shed = Shed(lived.place, folder)
        self.mornings: set[Told] = set()
        self.told: set[Told] = set()
        self.shed.garden.write_text(lived.garden.read_text(encoding="utf-8"), encoding="utf-8")
        self.shed.at(first, clock)
        self._plan()

    def morning(self, lived: Shed) -> None:
        """To plan on this one, too, with the garden as it is now."""
        self.mornings.add(Told(lived.now, ("day", lived.garden.read_text(encoding="utf-8"))))

    def copied(self, folder: Path) -> Twin:
        other = copy(self)
        other.shed, other.told, other.mornings = self.shed.copied(folder), set(self.told), set(self.mornings)
        return other

    def told_at_once(self, ledger: Ledger, lived: Shed) -> dict[str, Any]:
        """The page of the lived garden's morning, had all been told in time."""
        for told in sorted({*truth(ledger), *self.mornings} - self.told):
            self.told.add(told)
            self.shed.now = told.at
            if told.args[0] == "day":
                self.shed.garden.write_text(told.args[1], encoding="utf-8")
                self._plan()
            else:
                said = self.shed(*told.args)
                assert said.status in (0, 3), (told, said)
        self.shed.garden.write_text(lived.garden.read_text(encoding="utf-8"), encoding="utf-8")
        self.shed.silent = lived.silent
        self.shed.now = lived.now
        self._plan()
        return self.shed.today

    def _plan(self) -> None:
        self.shed.weather()
        assert self.shed("day").status in (0, 3)


def truth(ledger: Ledger) -> list[Told]:
    """Everything in force: water at nine in the evening of its day, readings when they were read."""
    zone = ledger.place.timezone
    amounts: dict[tuple[date, str, str], float] = {}
    for water in ledger.in_force():
        liters = water.measured_liters
        key = (water.day, water.zone, "min" if liters is None else "L")
        amounts[key] = amounts.get(key, 0.0) + (water.minutes if liters is None else liters)
    given = [
        Told(
            datetime.combine(day, time(21), zone),
            ("note", "applied", name, f"{amount:.6f} {unit}", "--date", day.isoformat()),
        )
        for (day, name, unit), amount in amounts.items()
    ]
    readings = {(entry.kind, entry.says["at"]): entry for entry in ledger.standing("rain", "soil")}
    rest = [*readings.values(), *ledger.standing("planted", "hold")]
    return given + [Told(_when(entry, ledger.place), _typed(entry)) for entry in rest]


def _when(entry: Entry, place: Place) -> datetime:
    if "at" in entry.says:
        at: datetime = entry.says["at"]
        return at + timedelta(minutes=1)
    return datetime.combine(entry.day, time(20), place.timezone)


def _typed(entry: Entry) -> tuple[str, ...]:
    says = entry.says
    match entry.kind:
        case "rain":
            return ("note", "rain", f"{says['mm']} mm", "--at", f"{says['at']:%Y-%m-%dT%H:%M}")
        case "soil":
            return ("note", "soil", says["zone"], *says["args"], "--at", f"{says['at']:%Y-%m-%dT%H:%M}")
        case "hold":
            return ("hold", says["zone"], "until", str(says["until"]))
        case "planted":
            return ("note", "planted", says["zone"], says["crop"], "--date", str(entry.day))
    raise AssertionError(entry.kind)


def differences(lived: dict[str, Any], told_at_once: dict[str, Any]) -> list[str]:
    """Deficits and minutes of two pages of one morning, zone by zone."""
    assert lived["date"] == told_at_once["date"]
    ours = {zone["zone"]: zone for zone in told_at_once["zones"]}
    return [
        f"{lived['date']} {zone['zone']}: {key} {zone.get(key)}, told at once {ours[zone['zone']].get(key)}"
        for zone in lived["zones"]
        for key in ("deficit_start_mm", "deficit_mm", "minutes", "wanted_minutes", "crop", "day", "state")
        if not _same(zone.get(key), ours[zone["zone"]].get(key))
    ]


def _same(one: object, other: object) -> bool:
    if isinstance(one, float | int) and isinstance(other, float | int):
        return one == pytest.approx(other, abs=0.01)
    return one == other
