"""What the screens show: today.json as it stands on disk, and what the commands print, each asked of a child.

A child (`rowwater week --json` and the like) gives its memory back, and its answer is kept until something
that it rests on has changed.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from tempfile import mkdtemp
from typing import Any, cast
from weakref import finalize

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.publish.files import TODAY, read_today
from scheduler.service.child import Run, run_child
from scheduler.shapes.base import Display
from scheduler.shapes.day import OpenLine
from scheduler.web.copied import copy_records
from scheduler.web.settings import Settings

READ_LIMIT_S = 60.0
MOST_KEPT = 12
RESTS_ON = ("rowwater.db", "rowwater.db-wal", TODAY)


@dataclass(frozen=True, slots=True)
class Live:
    """What changes during a day."""

    garden: str | None
    display: Display
    open: Sequence[OpenLine]
    made_at: str | None


class Pages:
    """Reads; nothing here writes."""

    def __init__(self, settings: Settings, run: Run = run_child, *, own_copy: bool | None = None) -> None:
        """own_copy: read the records from a copy; None: where they cannot be written."""
        self._settings = settings
        own_copy = not os.access(settings.data, os.W_OK) if own_copy is None else own_copy
        self._copy = Path(mkdtemp(prefix="rowwater-page-")) if own_copy else None
        if self._copy is not None:
            finalize(self, shutil.rmtree, self._copy, ignore_errors=True)
        self._copied: Any = None
        self._run = run
        self._today: tuple[Any, dict[str, Any]] | None = None
        self._kept: OrderedDict[tuple[str, ...], tuple[Any, Any]] = OrderedDict()

    # --- today.json ---

    def today(self) -> dict[str, Any]:
        """As it stands on disk; read again where it was replaced. CouldNot."""
        stamp = _stamp(self._settings.data / TODAY)
        if self._today is None or stamp is None or self._today[0] != stamp:
            page = read_today(self._settings.data)
            if page is None:
                raise CouldNot("no plan yet", hint="run: rowwater day; the service does each morning")
            self._today = (stamp, page)
        return self._today[1]

    def live(self) -> Live:
        """Nothing is open, as far as is known, where today.json cannot be read."""
        try:
            page = self.today()
            found = page.get("open_now") or ()
            open_now: list[OpenLine] = [{"zone": str(o["zone"]), "until": str(o["until"])} for o in found]
            display = "metric" if page.get("display") == "metric" else "us"
            return Live(str(page["garden"]), cast(Display, display), open_now, str(page["made_at"]))
        except (CouldNot, LookupError, TypeError, AttributeError):
            return Live(None, "us", (), None)

    # --- what the commands print ---

    def printed(self, *words: str) -> Any:
        """The page that `rowwater WORDS --json` prints, for one thread at a time. CouldNot, in its words."""
        rests_on = self._rests_on()
        found = self._kept.get(words)
        if found is None or found[0] != rests_on:
            found = self._kept[words] = (rests_on, self._ask(words))
        self._kept.move_to_end(words)
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return found[1]

    def _rests_on(self) -> tuple[Any, ...]:
        """What tells whether an answer still holds; a new day changes what "today" is."""
        config = self._settings.config
        files = [self._settings.data / name for name in RESTS_ON] + [config, config.with_name("crops.yaml")]
        return (date.today(), *(_stamp(path) for path in files))  # noqa: DTZ011 - any date that turns each day

    def _records(self) -> Path:
        """The data folder, or the copy, made anew where it is an old one."""
        if self._copy is None:
            return self._settings.data
        rests_on = self._rests_on()
        if self._copied != rests_on:
            copy_records(self._settings.data, self._copy)
            self._copied = rests_on
        return self._copy

    def _ask(self, words: Sequence[str]) -> Any:
        places = ["--config", str(self._settings.config), "--data", str(self._records())]
        command = [*places, words[0], "--json", *words[1:]]
        ended = self._run([sys.executable, "-P", "-m", "scheduler.cli.main", *command], READ_LIMIT_S)
        if ended.status not in (0, 3):
            said = [line.strip() for line in ended.err.splitlines() if line.strip()]
            hint = next((line.removeprefix("hint: ") for line in said if line.startswith("hint: ")), None)
            why = next((line for line in said if not line.startswith("hint: ")), "no answer")
            raise CouldNot(why.removeprefix("rowwater: "), hint=hint)
        try:
            return read_json(ended.out)
        except ValueError as error:
            raise CouldNot(f"rowwater {words[0]} printed no page") from error


def _stamp(path: Path) -> tuple[int, int, int] | None:
    try:
        state = os.stat(path)  # noqa: PTH116 - on every request, and half the price
    except OSError:
        return None
    return (state.st_mtime_ns, state.st_ino, state.st_size)
