"""The weather services by their names in garden.yaml.

A new one is a module with `answer(ask: Request) -> Fetched` (fetch, then parse) and a line here.  It may have
`complaints(settings)`: (key, text) of each setting that it cannot work with.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol, cast

from scheduler.errors import CouldNot

if TYPE_CHECKING:  # who reads garden.yaml needs the names alone
    from scheduler.model import Fetched
    from scheduler.weather.request import Request

SERVICES = {"open-meteo": "scheduler.weather.openmeteo.source", "nws": "scheduler.weather.nws.source"}


class Service(Protocol):
    def answer(self, ask: Request) -> Fetched:
        """The values of the days that are asked for. Raises CouldNot, BadInput."""


def module_of(name: str) -> Service:
    """Raises CouldNot for a name that is no service's."""
    if name not in SERVICES:
        raise CouldNot("is not a weather service known here")
    return cast(Service, import_module(SERVICES[name]))


def complaints(name: str, settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(key, text) of what the service cannot work with."""
    check = getattr(module_of(name), "complaints", None)
    return list(check(settings)) if check else []
