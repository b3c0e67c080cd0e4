"""The door for `rowwater water` and `rowwater stop`: a socket in the data folder, one JSON line each way."""

from __future__ import annotations

import contextlib
import json
import math
import os
import queue
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.service.queues import drained
from scheduler.service.requests import Request

NAME = "control.sock"
ANSWER_S = 4.0  # the service answers sooner; after so long it is not well
LINE_BYTES = 4096


class NoService(CouldNot):
    """Nobody listens: the service is not running, or not well."""


@contextmanager
def _address(data: Path) -> Iterator[str]:
    """A path short enough for a socket, wherever the folder is."""
    handle = os.open(data, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{handle}/{NAME}"
    finally:
        os.close(handle)


def ask(data: Path, request: dict[str, Any], *, answer_s: float = ANSWER_S) -> tuple[bool, str]:
    """(done, words) of the running service. NoService where there is none."""
    try:
        with _address(data) as address, socket.socket(socket.AF_UNIX) as door:
            door.settimeout(answer_s + 1)
            door.connect(address)
            door.sendall(json.dumps(request).encode() + b"\n")
            answer = json.loads(_line(door))
    except (OSError, ValueError) as error:
        raise NoService("the service does not answer", hint="start it: rowwater serve") from error
    return bool(answer["done"]), str(answer["said"])


def _line(door: socket.socket) -> bytes:
    data = b""
    while not data.endswith(b"\n") and len(data) < LINE_BYTES:
        more = door.recv(LINE_BYTES)
        if not more:
            break
        data += more
    return data


class Door:
    """Listens; each request becomes a `Request` that the next tick takes."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._wishes: queue.SimpleQueue[Request] = queue.SimpleQueue()
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Raises CouldNot. The caller is the only service of this folder: an old socket is a leftover."""
        door = socket.socket(socket.AF_UNIX)
        try:
            with contextlib.suppress(FileNotFoundError):
                (self._data / NAME).unlink()
            with _address(self._data) as address:
                door.bind(address)
            (self._data / NAME).chmod(0o660)
            door.listen(8)
        except OSError as error:
            door.close()
            raise CouldNot(f"{self._data / NAME}: {error.strerror or error}") from error
        self._socket = door
        threading.Thread(target=self._listen, args=(door,), name="control", daemon=True).start()

    def close(self) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()
            self._socket = None
            with contextlib.suppress(OSError):
                (self._data / NAME).unlink()

    def wishes(self) -> list[Request]:
        return drained(self._wishes)

    def _listen(self, door: socket.socket) -> None:
        while True:
            try:
                guest, _ = door.accept()
            except OSError:
                if self._socket is None:
                    return
                continue
            threading.Thread(target=self._serve, args=(guest,), name="guest", daemon=True).start()

    def _serve(self, guest: socket.socket) -> None:
        with guest, contextlib.suppress(OSError):
            guest.settimeout(2.0)
            answers: queue.SimpleQueue[tuple[bool, str]] = queue.SimpleQueue()
            try:
                wish = _wish(_line(guest), lambda done, said: answers.put((done, said)))
            except (ValueError, KeyError, TypeError) as error:
                done, said = False, f"not understood: {error}"
            else:
                self._wishes.put(wish)
                try:
                    done, said = answers.get(timeout=ANSWER_S)
                except queue.Empty:
                    done, said = False, "the service is busy, and has not said what became of it"
            guest.sendall(json.dumps({"done": done, "said": said}).encode() + b"\n")


def _wish(line: bytes, reply: Any) -> Request:
    request = json.loads(line)
    kind = request["do"]
    zone = request.get("zone")
    if kind not in ("water", "stop") or not (zone is None or isinstance(zone, str)):
        raise ValueError(kind)
    minutes = float(request.get("minutes", 0.0))
    if kind == "water" and (zone is None or not (math.isfinite(minutes) and minutes > 0)):
        raise ValueError("a zone and a time are needed")
    return Request(kind, zone, minutes, reply)
