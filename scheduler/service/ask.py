"""To ask the running service: a socket in the data folder, one JSON line each way."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

NAME = "control.sock"
ANSWER_S = {"stop": 4.0, "water": 8.0, "note": 90.0}  # it answers sooner; after so long it is not well
LINE_BYTES = 4096


class NoService(CouldNot):
    """Nobody listens: the service is not running, or not well."""


@contextmanager
def address_in(data: Path) -> Iterator[str]:
    """A path short enough for a socket, wherever the folder is."""
    handle = os.open(data, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{handle}/{NAME}"
    finally:
        os.close(handle)


def ask(data: Path, request: dict[str, Any]) -> tuple[int, str]:
    """(exit status, words) of the running service. NoService where there is none."""
    try:
        with address_in(data) as address, socket.socket(socket.AF_UNIX) as door:
            door.settimeout(ANSWER_S[request["do"]] + 1)
            door.connect(address)
            door.sendall(json.dumps(request).encode() + b"\n")
            answer = read_json(read_line(door))
    except (OSError, ValueError) as error:
        raise NoService("the service does not answer", hint="start it: rowwater serve") from error
    return int(answer["status"]), str(answer["said"])


def read_line(door: socket.socket) -> bytes:
    data = b""
    while not data.endswith(b"\n") and len(data) < LINE_BYTES:
        more = door.recv(LINE_BYTES)
        if not more:
            break
        data += more
    return data
