"""What the service has others do: the daily job, and the reading of garden.yaml."""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from scheduler.clock import site_now
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.service.brief import rates_of
from scheduler.service.child import Ended, Run, run_child
from scheduler.service.in_use import InUse, keep, stamp_of
from scheduler.service.job_times import JobDone
from scheduler.service.noting import NOTE_LIMIT_S, note
from scheduler.service.queues import drained
from scheduler.store.owner import Owner, owners_of, refuse_another

DAY_LIMIT_S = 600.0
READ_LIMIT_S = 60.0
LOOK_S = 4.0
AGAIN_S = 60.0  # until a reading that failed for no fault of the file's is tried again
_WRONG = 2  # exit status for a file that is wrong
_JOB = (sys.executable, "-P", "-m", "scheduler.service.job")


class DayJob:
    """The daily job as a child, watched from a thread of its own."""

    def __init__(self, data: Path, in_use: InUse, run: Run = run_child) -> None:
        self._data = data
        self.in_use = in_use  # which garden.yaml the next one reads
        self._run = run
        self._results: queue.SimpleQueue[JobDone] = queue.SimpleQueue()

    def start(self, day: date, why: str) -> None:  # noqa: ARG002 - the reason is for the log
        try:
            threading.Thread(target=self._go, args=(day,), name="daily job", daemon=True).start()
        except RuntimeError as error:  # no thread is left: no reason to end, with valves open
            self._results.put(JobDone(day, False, str(error)))

    def results(self) -> list[JobDone]:
        return drained(self._results)

    def note(self, told: Mapping[str, Any]) -> tuple[int, str]:
        """What somebody tells by way of the socket, on record. As `noting.note`."""
        return note(self.in_use.original, self._data, told, NOTE_LIMIT_S, self._run)

    def _go(self, day: date) -> None:
        try:
            self._results.put(self._once(day))
        except Exception as error:
            self._results.put(JobDone(day, False, f"{type(error).__name__}: {error}"))

    def _once(self, day: date) -> JobDone:
        used = self.in_use
        ended = self._run(
            [*_JOB, "day", "--config", str(used.copy), "--folder", str(used.original.parent),
             "--data", str(self._data)],
            DAY_LIMIT_S,
        )  # fmt: skip
        if ended.status != 0:
            return JobDone(day, False, _last_words(ended))
        answer = read_json(ended.out)
        return JobDone(
            date.fromisoformat(answer["date"]), True, "", tuple(answer["failures"]), rates_of(answer["rates"])
        )


def _last_words(ended: Ended) -> str:
    lines = [line.strip() for line in ended.err.splitlines() if line.strip()]
    return "; ".join(lines[-4:])[:600] or f"exit status {ended.status}"


@dataclass(frozen=True, slots=True)
class Refused:
    """A version of garden.yaml that is not taken over, and why."""

    complaints: tuple[str, ...]
    hints: tuple[str, ...] = ()
    another: CouldNot | None = None  # it is another garden's than the records in the data folder


class ConfigWatch:
    """Looks at garden.yaml, has it read by a child when it has changed, keeps what is good.

    config: as given on the command line; None: the usual places.
    """

    def __init__(
        self,
        data: Path,
        config: Path | None,
        known: InUse | None,
        *,
        run: Run = run_child,
        look_s: float = LOOK_S,
    ) -> None:
        self._data = data
        self.known = known
        self._path = config or (known.original if known else None)
        self._judged: dict[str, Any] | None = dict(known.stamp) if known else None
        if known is not None and config is not None and config.absolute() != known.original:
            self._judged = None
        self._run = run
        self._look_s = look_s
        self._news: queue.SimpleQueue[InUse | Refused] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._not_before = float("-inf")

    @property
    def same_file(self) -> bool:
        """Whether the file looked at is the one of the version in force before this start."""
        return self.known is not None and self._path == self.known.original

    def start(self) -> None:
        threading.Thread(target=self._loop, name="garden.yaml", daemon=True).start()

    def stop(self) -> None:
        self._stop.set()

    def news(self) -> list[InUse | Refused]:
        return drained(self._news)

    def _loop(self) -> None:
        while not self._stop.wait(self._look_s):
            found = self.look()
            if found is not None:
                self._news.put(found)

    def look(self) -> InUse | Refused | None:
        """None where nothing changed since the last look."""
        stamp = None if self._path is None else stamp_of(self._path)
        if stamp is not None and stamp == self._judged:
            return None
        if time.monotonic() < self._not_before:
            return None
        result = self._read(stamp)
        # a file that changed while it was read is read again at the next look
        same = self._path is not None and stamp_of(self._path) == stamp
        self._judged = stamp if same and time.monotonic() >= self._not_before else None
        return result

    def _read(self, stamp: dict[str, Any] | None) -> InUse | Refused:
        config = ["--config", str(self._path)] if self._path is not None else []
        ended = self._run([*_JOB, "read", *config], READ_LIMIT_S)
        if ended.status not in (0, _WRONG):  # no fault of the file's
            self._not_before = time.monotonic() + AGAIN_S
        if ended.status != 0:
            said = [line for line in ended.err.splitlines() if line.strip()]
            hints = tuple(line for line in said if line.startswith("  hint: "))
            lines = tuple(line for line in said if line not in hints)
            return Refused(lines or (f"could not be read: {_last_words(ended)}",), hints)
        try:
            answer = read_json(ended.out)
            self._path = Path(answer["path"])
            if (another := self._another(answer["owner"])) is not None:
                self._not_before = time.monotonic() + AGAIN_S  # the grower may say that it is the same
                return Refused((another.text,), another=another)
            texts = {name: text.encode() for name, text in answer["texts"].items()}
            return keep(
                self._data, answer["brief"], texts, original=self._path, stamp=stamp or stamp_of(self._path),
                now=site_now(answer["brief"]["timezone"]),
            )  # fmt: skip
        except (CouldNot, OSError) as error:
            return Refused((f"{self._path}: could not be kept: {error}",))
        except (ValueError, KeyError, TypeError) as error:
            return Refused((f"{self._path}: {type(error).__name__}: {error}",))

    def _another(self, owner: dict[str, Any]) -> CouldNot | None:
        database = self._data / "rowwater.db"
        try:
            refuse_another(Owner(**owner), owners_of(database), database)
        except CouldNot as error:
            return error
        return None
