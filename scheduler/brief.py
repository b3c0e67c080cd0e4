"""What the service must know of the garden, small and plain: so that it carries no YAML reader and no numpy.

A child process reads garden.yaml and prints a brief (`cli/job.py`); the last good one stays in the data
folder with the texts it was made from.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from scheduler.actions import MasterRule, Rules, ValveRule
from scheduler.dayplan import Rate
from scheduler.publish import write_atomic

IN_USE = "in-use.json"
VALVES = "valves.json"


@dataclass(frozen=True, slots=True)
class Brief:
    """One version of garden.yaml, as far as valves and times go."""

    garden: str
    timezone: str
    display: str
    plan_at: time
    hours: tuple[str, str]
    usable_lpm: float
    valves: tuple[Mapping[str, Any], ...]  # relays.specs.Spec, and "by_hand": bool
    master: Mapping[str, Any] | None  # {"spec", "opens_before_s", "closes_after_s"}
    service: Mapping[str, Any]  # clock, notify, broker, meter, flow_from
    rates: Mapping[str, Rate]
    rates_day: date
    limits: Mapping[str, Any] | None = None  # `restrictions.Rules`
    stations: tuple[Mapping[str, Any], ...] = ()  # weather stations that send messages: kind, name, settings

    @classmethod
    def read(cls, page: Mapping[str, Any]) -> Brief:
        """ValueError, KeyError or TypeError for what is no brief."""
        return cls(
            garden=str(page["garden"]),
            timezone=str(page["timezone"]),
            display=str(page["display"]),
            plan_at=time.fromisoformat(page["plan_at"]),
            hours=(str(page["hours"][0]), str(page["hours"][1])),
            usable_lpm=float(page["usable_lpm"]),
            valves=tuple(dict(valve) for valve in page["valves"]),
            master=page["master"],
            service=dict(page["service"]),
            rates=rates_of(page["rates"]),
            rates_day=date.fromisoformat(page["rates_day"]),
            limits=page.get("limits"),
            stations=tuple(dict(one) for one in page.get("stations", ())),
        )

    @property
    def valve_of(self) -> dict[str, str]:
        return {zone: valve["key"] for valve in self.valves for zone in valve["zones"]}

    def specs(self) -> list[dict[str, Any]]:
        """Every valve that a command can close."""
        own = [dict(valve) for valve in self.valves if valve["driver"] != "by_hand"]
        return own + ([dict(self.master["spec"])] if self.master else [])

    def rules(self, rates: Mapping[str, Rate] | None = None) -> Rules:
        flow = {zone: rate[0] for zone, rate in {**self.rates, **(rates or {})}.items()}
        valves = {
            valve["key"]: ValveRule(
                valve["key"],
                tuple(valve["zones"]),
                float(valve["cap_s"]),
                sum(flow.get(zone, 0.0) for zone in valve["zones"]),
            )
            for valve in self.valves
            if valve["driver"] != "by_hand"
        }
        master = None
        if self.master:
            spec = self.master["spec"]
            master = MasterRule(
                spec["key"],
                float(spec["cap_s"]),
                float(self.master["opens_before_s"]),
                float(self.master["closes_after_s"]),
            )
        return Rules(self.usable_lpm, valves, master, self.limits)


def rates_of(page: Mapping[str, Sequence[float]]) -> dict[str, Rate]:
    return {zone: (float(r[0]), float(r[1]), float(r[2]), float(r[3])) for zone, r in page.items()}


# --- the last good version, on disk ---


@dataclass(frozen=True, slots=True)
class InUse:
    """The version in force: its brief, its copy of the texts, and when it was taken over."""

    brief: Brief
    page: Mapping[str, Any]  # the brief as it was printed
    copy: Path  # garden.yaml, crops.yaml beside it
    original: Path
    taken_at: datetime
    stamp: Mapping[str, Any]  # of the original files: see `stamp_of`


def stamp_of(garden: Path) -> dict[str, Any]:
    """What tells one state of garden.yaml and crops.yaml from another without reading them."""
    found: dict[str, Any] = {}
    for path in (garden, garden.with_name("crops.yaml")):
        try:
            state = path.stat()
            found[path.name] = [state.st_mtime_ns, state.st_size, state.st_ino]
        except OSError as error:
            found[path.name] = error.strerror
    return found


def keep(
    data: Path,
    page: Mapping[str, Any],
    texts: Mapping[str, bytes],
    *,
    original: Path,
    stamp: Mapping[str, Any],
    now: datetime,
) -> InUse:
    """Make this version the one in force: copies first, then one rename that decides. OSError, CouldNot."""
    number = 1 + max((int(p.name[7:]) for p in data.glob("in-use-*") if p.name[7:].isdigit()), default=0)
    folder = data / f"in-use-{number}"
    folder.mkdir()
    for name, text in texts.items():
        write_atomic(folder / name, text)
    _sync(data)
    record = {
        "copy": folder.name,
        "original": str(original),
        "taken_at": now.isoformat(timespec="seconds"),
        "stamp": stamp,
        "brief": page,
    }
    write_atomic(data / IN_USE, json.dumps(record, indent=1) + "\n")
    for other in data.glob("in-use-*"):
        if other != folder:
            shutil.rmtree(other, ignore_errors=True)
    return InUse(Brief.read(page), page, folder / original.name, original, now, stamp)


def kept(data: Path) -> InUse | None:
    """The version in force before this start; None where there is none that can be read."""
    try:
        record = json.loads((data / IN_USE).read_text(encoding="utf-8"))
        original = Path(record["original"])
        copy = data / record["copy"] / original.name
        brief = Brief.read(record["brief"])
        if not copy.is_file():
            return None
        taken_at = datetime.fromisoformat(record["taken_at"])
        return InUse(brief, record["brief"], copy, original, taken_at, record["stamp"])
    except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError):
        return None


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
