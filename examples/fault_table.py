"""What the service does when something fails, and within what time: the table of README.md.

    python examples/fault_table.py            prints the table
    python examples/fault_table.py --write    puts it into README.md, between its marks

Every number is read where the program itself reads it; none is typed here.
"""

from __future__ import annotations

import configparser
import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from scheduler.cli import stop
from scheduler.core import health
from scheduler.model import Valve
from scheduler.relays import base, broker, mqtt
from scheduler.relays.gpio import GpioValve
from scheduler.service import (
    alarms,
    clock_trust,
    daemon,
    earlier_guards,
    end,
    guard,
    guard_keeper,
    guardlink,
    job_times,
    ledger,
    meter,
    on_record,
    valve_threads,
    valves_in_use,
    water_records,
)
from scheduler.service import jobs as service_jobs
from scheduler.service.settings import Settings
from scheduler.weather import http

ROOT = Path(__file__).parents[1]
UNIT = ROOT / "deploy" / "rowwater.service"
README = ROOT / "README.md"
BEGIN, END = "<!-- fault table -->", "<!-- end of the fault table -->"

LEFT_ALONE = 1.5
"""After so many keepalive times of silence a broker gives a client up: MQTT 5.0, 3.1.2.10."""

Row = tuple[str, str, str]
"""What fails; within what time; what is done."""


def span(seconds: float) -> str:
    """The shortest words for a time: "2 s", "90 s", "10 min", "6 h"."""
    for size, unit, least in ((3600, "h", 2), (60, "min", 2)):
        if seconds % size == 0 and seconds / size >= least:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


def unit_times(path: Path = UNIT) -> dict[str, float]:
    """The seconds that the unit file gives to the service manager."""
    parser = configparser.RawConfigParser(strict=False)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    section = parser["Service"]
    return {name: float(section[name]) for name in ("RestartSec", "WatchdogSec", "TimeoutStopSec")}


def valves() -> Iterator[Row]:
    usual = Settings()
    cap_minutes = Valve("by_hand", "").cap_minutes
    yield (
        "a run reaches its end, whatever the clock on the wall says",
        "at once",
        f"closed by a clock that nobody sets; never open longer than the valve's `cap` "
        f"({span(cap_minutes * 60)} unless you say otherwise)",
    )
    yield (
        "a valve is still open after that",
        span(guard_keeper.GUARD_MARGIN_S),
        "the guard process closes every valve and ends the service, which starts anew",
    )
    yield (
        "a valve does not answer",
        f"{span(base.LIMIT_S)} (a pin: {span(GpioValve.limit_s)})",
        "counts as open, so its flow stays taken; the close is repeated, at most "
        f"{span(valve_threads.LONGEST_PAUSE_S)} apart, for ever, and told",
    )
    yield (
        "an open is not confirmed (no answer, a lost connection, a killed program): it may still act",
        f"{span(base.ACTS_WITHIN_S)} or more: the valve's `acts_within`",
        "until then the valve counts as open and its close is repeated, at most "
        f"{span(valve_threads.LONGEST_PAUSE_S)} apart, by the service, by the guard after a kill, and by the "
        "next start; the books carry the least and the most it can have given",
    )
    yield (
        "a close is not confirmed: it may still act, also on the next run",
        f"{span(base.ACTS_WITHIN_S)} or more: the valve's `acts_within`",
        "nothing opens on that valve until then; also after a start that follows no clean end",
    )
    yield (
        "a valve with `state` falls silent during a run",
        f"{span(valve_threads.UNREAD * (valve_threads.LOOK_OPEN_S + base.LIMIT_S))}",
        "the run goes on; unless it answers again, it is booked as surely open only until its last word",
    )
    yield (
        "a valve with `state` or `state_topic` opens without being told",
        f"{span(valve_threads.LOOK_S)}, or at its report",
        "closed and told; its water is booked with bounds",
    )
    yield (
        "an open command is late, since the program stood still",
        span(valve_threads.STALE_S),
        "never sent",
    )
    yield (
        "the connection to the message broker is lost",
        span(LEFT_ALONE * broker.KEEPALIVE_S),
        "the broker sends our last will, close; an open that it could not deliver is thrown away after "
        f"{span(mqtt.OPEN_EXPIRES_S)}. The run ends, booked with bounds. A broker that is down tells "
        "nobody: then the seconds count that went with the open, where the relay heeds them",
    )
    yield (
        "`rowwater stop` while the service is down",
        span(stop.TRY_FOR_S),
        "closes by itself, or tells you to use the hand valve",
    )
    yield (
        "a line bursts, where there is a meter",
        f"{span(health.SETTLE_S)} to settle, then {span(health.WATCH_S)}",
        f"that zone is closed and kept dry until tomorrow (from {health.BURST_SHARE:g} times its flow on)",
    )
    yield (
        "the meter is silent",
        span(meter.SILENT_S),
        "told; watering goes on by the minutes",
    )
    yield (
        "the service stands still, then goes on",
        span(usual.freeze_s),
        "what was open is closed, and its time booked with bounds",
    )


def process() -> Iterator[Row]:
    usual, unit = Settings(), unit_times()
    yield (
        "the service is killed or crashes",
        "at once",
        "the guard process closes every valve; then systemd has all closed once more, for up to "
        f"{span(guard.CLOSE_ALL_FOR_S)}, and starts the service {span(unit['RestartSec'])} later",
    )
    yield (
        "the service freezes",
        span(guard.SILENCE_S),
        "the guard ends it and closes every valve",
    )
    yield (
        "the guard dies, or freezes",
        f"{span(usual.tick_s)}, or {span(guardlink.ANSWER_S)}",
        "nothing new opens until another one stands",
    )
    yield (
        "the guard is stopped and the service killed in the same moment",
        "at once",
        "the kernel wakes the guard, which closes every valve. One that cannot run any more is ended by "
        f"systemd after {span(unit['TimeoutStopSec'])}, and all is closed; without systemd by the next start",
    )
    yield (
        "a killed service is started again at once",
        span(earlier_guards.WAIT_S),
        "nothing opens while the guard of the earlier start still closes valves; one that takes longer is "
        "ended",
    )
    yield (
        "no step of the service for a while, though it lives",
        span(daemon.STUCK_S),
        "it closes every valve and ends; systemd starts it anew",
    )
    yield (
        "both are frozen",
        span(unit["WatchdogSec"]),
        "systemd kills them, closes every valve, starts anew",
    )
    yield (
        "stop, reboot",
        span(end.STOP_S),
        f"closed first, then written down; systemd would end it after {span(unit['TimeoutStopSec'])}",
    )
    yield (
        "start, after whatever happened",
        span(valves_in_use.FIRST_CLOSE_S),
        "every valve of these and of the last settings is closed first; unconfirmed, it counts as open",
    )
    yield (
        "a crash or a power cut in a run",
        f"its length was written down {span(usual.beat_s)} before, at most",
        "booked as interrupted, with the least and the most it can have got; what is missing is planned anew",
    )


def records_and_weather() -> Iterator[Row]:
    usual = Settings()
    yield (
        "the disk does not take the record of a run",
        f"asked again every {span(ledger.RETRY_WRITE_S)}",
        "the valve stays closed",
    )
    yield (
        "the disk fails during a run",
        span(water_records.MISSED_BEATS * usual.beat_s + ledger.GRACE_S),
        "closed; what was given is booked as soon as the disk takes it",
    )
    yield (
        f"the clock is not set, or more than {span(clock_trust.TOLERANCE_S)} behind the newest record",
        span(usual.tick_s),
        "nothing opens, until it is right; what is open ends in time",
    )
    yield (
        "an old copy or a backup stands in the place of the records, or they were deleted",
        span(on_record.ASK_AGAIN_S),
        "told first; nothing planned runs until `rowwater day --records-are-right`, at most through the day "
        "after; water that the trace beside them knows of is booked with bounds",
    )
    yield (
        "garden.yaml is changed for the worse",
        f"{span(service_jobs.LOOK_S)}, and {span(service_jobs.READ_LIMIT_S)} at most to read it",
        "the last good version goes on, also after a reboot; the first line of the morning says so",
    )
    yield (
        "a weather service hangs",
        span(http.TOTAL_SECONDS),
        "the next source, or a stated fallback",
    )
    yield (
        "the daily job hangs or fails",
        span(service_jobs.DAY_LIMIT_S),
        f"killed; again after {span(job_times.FIRST_PAUSE_S)}, then after longer pauses up to "
        f"{span(job_times.LONGEST_PAUSE_S)}; no plan, no water",
    )
    yield (
        "somebody is to be told",
        span(alarms.LIMIT_S),
        f"one try in the way of `notify`; the same matter once in {span(alarms.AGAIN_S)}, at most "
        f"{alarms.MOST_AN_HOUR} an hour",
    )


def rows() -> list[Row]:
    return [*process(), *valves(), *records_and_weather()]


def table() -> str:
    lines = ["| what fails | within | what is done |", "| --- | --- | --- |"]
    return "\n".join([*lines, *(f"| {what} | {when} | {done} |" for what, when, done in rows())])


def placed(text: str) -> str:
    """A text with the table between its marks; ValueError where there are none."""
    pattern = re.compile(f"{re.escape(BEGIN)}.*?{re.escape(END)}", re.DOTALL)
    if len(pattern.findall(text)) != 1:
        raise ValueError(f"the marks {BEGIN} and {END} must be there once")
    return pattern.sub(lambda _: f"{BEGIN}\n{table()}\n{END}", text)


def main(args: Sequence[str]) -> int:
    if list(args) == ["--write"]:
        README.write_text(placed(README.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(table())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
