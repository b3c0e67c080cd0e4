"""A garden where the truth was told at once: what is in force in the ledger, each thing on its own day."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from lived.ledger import Ledger
from lived.play import Shed


class Told(NamedTuple):
    at: datetime
    args: tuple[str, ...]


class Twin:
    """Lives from one comparison to the next; what came in between is told as at the time it was true."""

    def __init__(self, lived: Shed, folder: Path, first: date, clock: str = "03:50") -> None:
        self.shed = Shed(lived.place, folder)
        self.shed.garden.write_text(lived.garden.read_text(encoding="utf-8"), encoding="utf-8")
        self.shed.at(first, clock)
        self.shed.weather()
        self.shed("day")
        self.told: list[tuple[str, ...]] = []

    def told_at_once(self, ledger: Ledger, lived: Shed) -> dict[str, Any]:
        """The page of the lived garden's morning, had all been told in time."""
        for told in sorted(truth(ledger)):
            if told.args not in self.told:
                self.told.append(told.args)
                self.shed.now = told.at
                said = self.shed(*told.args)
                assert said.status in (0, 3), (told, said)
        self.shed.garden.write_text(lived.garden.read_text(encoding="utf-8"), encoding="utf-8")
        self.shed.silent = lived.silent
        self.shed.now = lived.now
        self.shed.weather()
        assert self.shed("day").status in (0, 3)
        return self.shed.today


def truth(ledger: Ledger) -> list[Told]:
    """Everything in force: water at nine in the evening of its day, readings when they were read."""
    zone = ledger.place.timezone
    out = [
        Told(
            datetime.combine(day, time(21), zone),
            ("note", "applied", name, f"{minutes:.6f}min", "--date", day.isoformat()),
        )
        for (day, name), minutes in ledger.given_minutes().items()
    ]
    readings = {entry.says["at"]: entry.says["mm"] for entry in ledger.standing("rain")}
    out += [
        Told(at + timedelta(minutes=1), ("note", "rain", f"{mm} mm", "--at", f"{at:%Y-%m-%dT%H:%M}"))
        for at, mm in readings.items()
    ]
    for entry in ledger.standing("planted", "hold", "soil"):
        args = {
            "planted": (
                "planted",
                entry.says.get("zone"),
                entry.says.get("crop"),
                "--date",
                entry.day.isoformat(),
            ),
            "hold": (entry.says.get("zone"), "until", str(entry.says.get("until"))),
        }[entry.kind]
        command = ("hold",) if entry.kind == "hold" else ("note",)
        out.append(Told(datetime.combine(entry.day, time(20), zone), (*command, *args)))
    return out


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
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, abs=0.01)
    return one == other
