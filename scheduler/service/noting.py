"""What a person tells by way of the service is put on record by the command that they would type themselves.

`rowwater note` and `rowwater hold` judge it, book it and plan again, in a child that gives its memory back;
doubts that they would ask about are refused, in their words.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from scheduler.service.child import Run, run_child
from scheduler.service.stopped import COULD_NOT, DONE

NOTE_LIMIT_S = 60.0
MOST_LETTERS = 100


def note(
    config: Path, data: Path, told: Mapping[str, Any], limit_s: float, run: Run = run_child
) -> tuple[int, str]:
    """(exit status, words). told: {"what": "given", "rain", "hold" or "chore", and what `words_of` reads}.

    ValueError, LookupError or TypeError, and nothing done, for what is none of these.
    """
    places = ["--config", str(config), "--data", str(data)]
    command = [sys.executable, "-P", "-m", "scheduler.cli.main", *places, *words_of(told)]
    ended = run(command, limit_s)
    if ended.status in (0, 3):
        return DONE, "; ".join(ended.out.split("\n")).strip("; ")
    said = [line.strip() for line in ended.err.splitlines() if line.strip()]
    complaints = [line for line in said if not line.startswith("hint:")]
    last = complaints[-1:] or ["it was not noted, and no reason was given"]
    return COULD_NOT, last[0].removeprefix("rowwater: ").removeprefix("Error: ")


def words_of(told: Mapping[str, Any]) -> list[str]:
    """The command's words. Nothing that was typed can be taken for an option."""
    made = _COMMANDS[_text(told, "what")](told)
    typed = made.index("--")
    return [*made[:typed], *(["--yes"] if told.get("sure") is True else []), *made[typed:]]


def _given(told: Mapping[str, Any]) -> list[str]:
    """Without a zone: every run of that day."""
    day = ["--date", _day(told, "day")]
    zone = [] if told.get("zone") is None else [_text(told, "zone")]
    if told["how"] == "minutes":
        return ["note", "applied", *day, "--", _text(told, "zone"), _text(told, "amount")]
    how = {"planned": "--as-planned", "none": "--not-given"}[told["how"]]
    return ["note", "applied", how, *day, "--", *zone]


def _rain(told: Mapping[str, Any]) -> list[str]:
    if told.get("day") is None:
        return ["note", "rain", "--", _text(told, "amount")]
    day = date.fromisoformat(_day(told, "day"))
    span = ["--since", day.isoformat(), "--at", f"{day + timedelta(days=1)} 00:00"]
    return ["note", "rain", *span, "--", _text(told, "amount")]


def _hold(told: Mapping[str, Any]) -> list[str]:
    return ["hold", "--", _text(told, "zone"), "until", _day(told, "until")]


def _chore(told: Mapping[str, Any]) -> list[str]:
    """Of a zone: that new tape was laid there, or something mended; what is put off is put off everywhere."""
    chore, later = _text(told, "chore"), told.get("later") is True
    if chore in ("tape", "repair") and told.get("zone") is not None and not later:
        return ["note", chore, "--", _text(told, "zone")]
    return ["note", "chore", "--", chore, *(["later"] if later else [])]


_COMMANDS: Mapping[str, Callable[[Mapping[str, Any]], list[str]]] = {
    "given": _given, "rain": _rain, "hold": _hold, "chore": _chore,
}  # fmt: skip


def _text(told: Mapping[str, Any], key: str) -> str:
    text = told[key]
    if not isinstance(text, str) or not text.strip() or not text.isprintable() or len(text) > MOST_LETTERS:
        raise ValueError(f"{key}: a few words in one line are needed")
    return text


def _day(told: Mapping[str, Any], key: str) -> str:
    return date.fromisoformat(_text(told, key)).isoformat()
