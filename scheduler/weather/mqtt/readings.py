"""What a station said over the broker, kept as it came: one JSON line per message, in a file per topic."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from scheduler.disk import sync_folder, write_atomic
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

KEEP_DAYS = 14
MOST_BYTES = 16_000_000
MOST_PAYLOAD = 16_384


@dataclass(frozen=True, slots=True)
class Message:
    received_at: datetime
    topic: str
    text: str
    retained: bool = False  # old news: the broker kept it for whoever comes


def path_for(data_folder: Path, topic: str) -> Path:
    """`readings-<slug>.jsonl`; the slug is readable, and different for any two topics."""
    plain = re.sub(r"[^a-z0-9]+", "-", topic.casefold()).strip("-")[:40] or "topic"
    return data_folder / f"readings-{plain}-{hashlib.sha256(topic.encode()).hexdigest()[:6]}.jsonl"


def append(path: Path, messages: Iterable[Message]) -> None:
    """Adds lines, and returns when they are on disk. OSError where that fails."""
    data = b"".join(map(_line, messages))
    if not data:
        return
    new = not path.exists()
    descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o664)
    try:
        end = os.lseek(descriptor, 0, os.SEEK_END)
        if end and os.pread(descriptor, 1, end - 1) != b"\n":  # a power cut tore the last line
            data = b"\n" + data
        _write(descriptor, data)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    if new:
        sync_folder(path.parent)


def _write(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


def size_of(message: Message) -> int:
    """Bytes that it takes on the card."""
    return len(_line(message))


def is_too_large(path: Path) -> bool:
    return path.stat().st_size > MOST_BYTES


def _line(message: Message) -> bytes:
    kept = {
        "at": message.received_at.astimezone(UTC).isoformat(timespec="milliseconds"),
        "topic": message.topic,
        "retained": message.retained,
        "text": message.text,
    }
    return json.dumps(kept).encode() + b"\n"


def read(path: Path, since: datetime) -> list[Message]:
    """The messages received from `since` on, as they came. Lines that are torn or strange are left out.

    Empty where there is no file. Raises CouldNot where it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return [m for m in _messages(file) if m.received_at >= since]
    except FileNotFoundError:
        return []
    except OSError as problem:
        raise CouldNot(f"{path.name} cannot be read ({problem.strerror})") from problem


def _messages(lines: Iterable[bytes]) -> Iterator[Message]:
    for line in lines:
        if not line.endswith(b"\n"):
            continue
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
            found = read_json(line)
            at = datetime.fromisoformat(found["at"])
            topic, text = found["topic"], found["text"]
            if at.tzinfo is not None and isinstance(topic, str) and isinstance(text, str):
                yield Message(at, topic, text, found.get("retained") is True)


def drop_old(path: Path, now: datetime, *, keep_days: int = KEEP_DAYS, most_bytes: int | None = None) -> None:
    """Writes the file anew without lines older than `keep_days`, and below its size; whole or not at all.

    At most once a day, to spare the card: not before the oldest line is a day too old.
    """
    most_bytes = MOST_BYTES if most_bytes is None else most_bytes
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            oldest = next(_messages(file), None)
            limit = now - timedelta(days=keep_days + 1)
            if size <= most_bytes and (oldest is None or oldest.received_at >= limit):
                return
            file.seek(0)
            if size > most_bytes:
                file.seek(size - most_bytes // 2)
                file.readline()
            kept = [m for m in _messages(file) if m.received_at >= now - timedelta(days=keep_days)]
    except FileNotFoundError:
        return
    write_atomic(path, b"".join(map(_line, kept)))
