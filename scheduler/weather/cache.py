"""Answers of weather services kept on disk, so that what has not changed is not sent again.

A damaged, strange or unwritable file is a miss, never an error. The whole cache stays below a fixed size.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from scheduler.json_reading import read_json
from scheduler.weather import http

FOLDER = "weather-cache"
MOST_BYTES = 8_000_000
MOST_FILES = 64
LONGEST_FRESH_SECONDS = 3600.0  # a plan shall not rest on an older word, whatever the service allows


class Cache:
    """Named JSON objects, each in a file of its own, written whole; the oldest go first when it is full."""

    def __init__(self, folder: Path, *, most_bytes: int = MOST_BYTES, most_files: int = MOST_FILES) -> None:
        self.folder = folder
        self._most_bytes = most_bytes
        self._most_files = most_files

    def get(self, name: str) -> dict[str, Any] | None:
        try:
            with self._path(name).open("rb") as file:
                text = file.read(self._most_bytes + 1)
            head, _, body = text.partition(b"\n")
            if head.decode() != hashlib.sha256(body).hexdigest():
                return None
            kept = read_json(body)
        except (OSError, ValueError):
            return None
        return kept["content"] if isinstance(kept, dict) and kept.get("name") == name else None

    def put(self, name: str, content: Mapping[str, Any]) -> None:
        body = json.dumps({"name": name, "content": dict(content)}).encode()
        if len(body) > self._most_bytes // 2:
            self.drop(name)
            return
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            self._write(self._path(name), hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
            self._make_room()

    def drop(self, name: str) -> None:
        with contextlib.suppress(OSError):
            self._path(name).unlink(missing_ok=True)

    def _path(self, name: str) -> Path:
        return self.folder / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.json"

    def _write(self, path: Path, data: bytes) -> None:
        """Not forced to disk: after a power cut the check sum tells, and the answer is asked for anew."""
        handle, name = tempfile.mkstemp(dir=self.folder, prefix=".new-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(name).replace(path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise

    def _make_room(self) -> None:
        found = sorted(
            ((status.st_mtime, status.st_size, path) for path in self.folder.iterdir()
             if (status := path.stat()) and path.is_file()),
            reverse=True,
        )  # fmt: skip
        size = 0
        for count, (_, bytes_, path) in enumerate(found, start=1):
            size += bytes_
            if size > self._most_bytes or count > self._most_files:
                path.unlink(missing_ok=True)


@dataclass(frozen=True, slots=True)
class CachedGet:
    """A `Get` that asks "has it changed?" where it holds an earlier answer (RFC 9110, 13.1; RFC 9111).

    Within the time for which a service calls its answer fresh, an hour at most, it is not asked at all.
    now: when the questions are asked; aware.
    """

    cache: Cache
    now: datetime
    ask: http.Get = http.get

    def __call__(
        self,
        url: str,
        params: Mapping[str, str] | None = None,
        /,
        *,
        headers: Mapping[str, str] | None = None,
        total_seconds: float = http.TOTAL_SECONDS,
    ) -> http.Reply:
        name = f"{url}?{urlencode(sorted((params or {}).items()))}"
        kept = _kept(self.cache.get(name))
        if kept is not None and self._fresh(kept):
            return http.Reply(200, kept.text, headers=kept.headers)
        asked = dict(headers or {}) | (kept.conditions() if kept is not None else {})
        reply = self.ask(url, params, headers=asked, total_seconds=total_seconds)
        if reply.status == 304 and kept is not None:
            self._keep(name, kept.text, {**kept.headers, **reply.headers})
            return http.Reply(200, kept.text, headers=kept.headers)
        if reply.status == 200 and _is_json(reply.text):  # a cut answer must not stay for an hour
            self._keep(name, reply.text, reply.headers)
        return reply

    def _fresh(self, kept: _Kept) -> bool:
        age = (self.now - kept.at).total_seconds()
        return 0 <= age < min(_fresh_seconds(kept.headers), LONGEST_FRESH_SECONDS)

    def _keep(self, name: str, text: str, headers: Mapping[str, str]) -> None:
        if "no-store" in headers.get("cache-control", "").casefold():
            self.cache.drop(name)
        elif "etag" in headers or "last-modified" in headers or _fresh_seconds(headers) > 0:
            self.cache.put(
                name, {"at": self.now.astimezone(UTC).isoformat(), "text": text, "headers": dict(headers)}
            )


@dataclass(frozen=True, slots=True)
class _Kept:
    at: datetime
    text: str
    headers: Mapping[str, str]

    def conditions(self) -> dict[str, str]:
        pairs = (("If-None-Match", "etag"), ("If-Modified-Since", "last-modified"))
        return {ask: self.headers[name] for ask, name in pairs if name in self.headers}


def _kept(content: Mapping[str, Any] | None) -> _Kept | None:
    try:
        at = datetime.fromisoformat((content or {})["at"])
        text, headers = (content or {})["text"], dict((content or {})["headers"])
    except (KeyError, ValueError, TypeError):
        return None
    fits = isinstance(text, str) and all(isinstance(v, str) for v in headers.values())
    return _Kept(at, text, headers) if fits and at.tzinfo is not None else None


def _is_json(text: str) -> bool:
    try:
        read_json(text)
    except ValueError:
        return False
    return True


def _fresh_seconds(headers: Mapping[str, str]) -> float:
    """For how long an answer may be used without asking; 0 where nothing says so."""
    control = headers.get("cache-control", "").casefold()
    if re.search(r"no-cache|no-store|must-revalidate", control):
        return 0.0
    age = float(headers["age"][:9]) if headers.get("age", "").isdecimal() else 0.0
    if found := re.search(r"max-age=\"?(\d{1,9})", control):
        return max(float(found[1]) - age, 0.0)
    until, date = http.http_date(headers.get("expires", "")), http.http_date(headers.get("date", ""))
    return max((until - date).total_seconds() - age, 0.0) if until and date else 0.0


def recall(
    cache: Cache | None, name: str, days: float, now: datetime, make: Callable[[], dict[str, Any]]
) -> dict[str, Any]:
    """What `make` gave in the last `days`, else what it gives now; a word from the future is not believed."""
    kept = cache.get(name) if cache is not None else None
    with contextlib.suppress(KeyError, TypeError, ValueError):
        at = datetime.fromisoformat((kept or {})["at"])
        if timedelta() <= now - at < timedelta(days=days) and isinstance(kept, dict):
            return dict(kept["made"])
    made = make()
    if cache is not None:
        cache.put(name, {"at": now.astimezone(UTC).isoformat(), "made": made})
    return made
