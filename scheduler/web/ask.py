"""What a phone asks for is done by the service; where none runs, by the command that a person would type."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any, NamedTuple

from scheduler.service.ask import NoService, ask
from scheduler.service.child import run_child
from scheduler.service.noting import NOTE_LIMIT_S, note
from scheduler.service.stopped import COULD_NOT
from scheduler.web.settings import Settings

STOP_LIMIT_S = 30.0


class Answer(NamedTuple):
    done: bool
    said: str


def asked(settings: Settings, request: Mapping[str, Any]) -> Answer:
    """Waits for it: at most as long as the service's own limits. request: as `service.control` reads it."""
    try:
        status, said = ask(settings.data, dict(request))
    except NoService:
        return _without_service(settings, request)
    return Answer(status != COULD_NOT, said)


def _without_service(settings: Settings, request: Mapping[str, Any]) -> Answer:
    match request["do"]:
        case "note":
            try:
                status, said = note(settings.config, settings.data, request["note"], NOTE_LIMIT_S)
            except (ValueError, LookupError, TypeError) as error:
                return Answer(False, f"not understood: {error}")
            return Answer(status != COULD_NOT, said)
        case "stop":
            zone = [] if request.get("zone") is None else ["--", request["zone"]]
            return _stop(settings, zone)
    return Answer(False, "the service is not running: nobody would close the valve again")


def _stop(settings: Settings, zone: list[str]) -> Answer:
    places = ["--config", str(settings.config), "--data", str(settings.data)]
    command = [sys.executable, "-P", "-m", "scheduler.cli.main", *places, "stop", *zone]
    ended = run_child(command, STOP_LIMIT_S)
    words = " ".join((ended.out + ended.err).split()) or "it did not answer"
    return Answer(ended.status in (0, 3), words.removeprefix("rowwater: "))
