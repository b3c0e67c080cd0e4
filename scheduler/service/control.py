"""The service's end of the socket that `rowwater water`, `stop` and the page ask by; theirs is `ask.py`."""

from __future__ import annotations

import contextlib
import json
import logging
import math
import queue
import socket
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.service.ask import ANSWER_S, NAME, address_in, read_line
from scheduler.service.queues import drained
from scheduler.service.requests import Request
from scheduler.service.reserve import Reserve
from scheduler.service.stopped import COULD_NOT

log = logging.getLogger(__name__)

MOST_GUESTS = 8  # at once; more are sent away, so that nobody uses up what a close needs
PAUSE_S = 0.2  # until somebody is let in again, after that failed
TAKEN_S = 4.0  # a request to water that the ticks come to later than this is refused
MOST_NOTES = 2  # at once, one of them waiting: the other places stay free for those who want to stop
Note = Callable[[Mapping[str, Any]], tuple[int, str]]


class ControlSocket:
    """Listens; each request becomes a `Request` that the next tick takes."""

    def __init__(self, data: Path, reserve: Reserve, note: Note) -> None:
        """reserve: so that `stop` is heard also when descriptors are used up. note: puts on record what a
        person tells, in its own time, and says what became of it.
        """
        self._data = data
        self._note = note
        self._notes = threading.BoundedSemaphore(MOST_NOTES)
        self._noting = threading.Lock()
        self._reserve = reserve
        self._guests = threading.BoundedSemaphore(MOST_GUESTS)
        self._requests: queue.SimpleQueue[tuple[float, Request]] = queue.SimpleQueue()
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Raises CouldNot. The caller is the only service of this folder: an old socket is a leftover."""
        door = socket.socket(socket.AF_UNIX)
        try:
            with contextlib.suppress(FileNotFoundError):
                (self._data / NAME).unlink()
            with address_in(self._data) as address:
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

    def requests(self) -> list[Request]:
        """Those to be taken now. Nobody is to be told "busy", and the water to run after that."""
        now, found = time.monotonic(), list[Request]()
        for asked, request in drained(self._requests):
            if request.kind == "water" and now > asked + TAKEN_S:
                request.reply(COULD_NOT, f"{request.zone}: not opened: the service was busy; ask again")
            else:
                found.append(request)
        return found

    def _listen(self, door: socket.socket) -> None:
        while self._socket is not None:
            try:
                guest = self._accepted(door)
                if guest is None:
                    time.sleep(PAUSE_S)
                else:
                    self._let_in(guest)
            except MemoryError:  # whoever asks next may have more luck: this thread is the only way in
                time.sleep(PAUSE_S)

    def _let_in(self, guest: socket.socket) -> None:
        if not self._guests.acquire(blocking=False):
            guest.close()
            return
        with self._reserve.freed():
            try:
                threading.Thread(target=self._serve, args=(guest,), name="guest", daemon=True).start()
            except (RuntimeError, MemoryError):  # no thread is left: one after the other
                self._serve(guest)

    def _accepted(self, door: socket.socket) -> socket.socket | None:
        """Waits for somebody. None: it did not work."""
        try:
            return door.accept()[0]
        except OSError:
            if self._socket is None:
                return None
        with self._reserve.freed(), contextlib.suppress(OSError):
            return door.accept()[0]
        return None

    def _serve(self, guest: socket.socket) -> None:
        try:
            self._answer(guest)
        finally:
            self._guests.release()

    def _answer(self, guest: socket.socket) -> None:
        with guest, contextlib.suppress(OSError):
            guest.settimeout(2.0)
            answers: queue.SimpleQueue[tuple[int, str]] = queue.SimpleQueue()
            try:
                asked = read_json(read_line(guest))
                if not isinstance(asked, dict):
                    raise TypeError("no request")
                _log(asked)
                if asked["do"] == "note":
                    self._send(guest, *self._noted(dict(asked["note"])))
                    return
                request = _request(asked, lambda status, said: answers.put((status, said)))
            except (ValueError, LookupError, TypeError, OverflowError, RecursionError) as error:
                status, said = COULD_NOT, f"not understood: {error}"
            else:
                self._requests.put((time.monotonic(), request))
                try:
                    status, said = answers.get(timeout=ANSWER_S[request.kind])
                except queue.Empty:
                    status, said = COULD_NOT, "the service is busy, and has not said what became of it"
            self._send(guest, status, said)

    def _noted(self, told: Mapping[str, Any]) -> tuple[int, str]:
        """One after the other; it is no matter of the ticks. What `self._note` raises."""
        if not self._notes.acquire(blocking=False):
            return COULD_NOT, "others are just telling something: nothing was noted, try again in a moment"
        try:
            with self._noting:
                return self._note(told)
        finally:
            self._notes.release()

    @staticmethod
    def _send(guest: socket.socket, status: int, said: str) -> None:
        answer = {"done": status != COULD_NOT, "status": status, "said": said}
        guest.sendall(json.dumps(answer).encode() + b"\n")


def _log(asked: Mapping[str, Any]) -> None:
    """Who asked, where somebody else asks in their name."""
    if isinstance(by := asked.get("by"), str):
        log.info("%s asks to %s", by[:60], asked["do"])


def _request(request: Mapping[str, Any], reply: Any) -> Request:
    kind = request["do"]
    zone = request.get("zone")
    if kind not in ("water", "stop") or not (zone is None or isinstance(zone, str)):
        raise ValueError(kind)
    minutes = float(request.get("minutes", 0.0))
    if kind == "water" and (zone is None or not (math.isfinite(minutes) and minutes > 0)):
        raise ValueError("a zone and a time are needed")
    return Request(kind, zone, minutes, reply)
