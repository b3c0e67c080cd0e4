"""From a valve to its driver: the one that is named, never another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from scheduler.relays.base import Driver, ValveFailed

if TYPE_CHECKING:
    from scheduler.model import Valve


def make_driver(
    valve: Valve, *, zones: Sequence[str], broker: Mapping[str, Any] | None, environ: Mapping[str, str]
) -> Driver:
    """The driver of `valve`, which serves `zones`; no hardware is touched yet.

    broker: {"host", "port", "user", "password_file"}, for mqtt.
    Raises ValveFailed where the settings do not suffice.
    """
    return driver_named(valve.driver, valve.key, valve.settings, zones, broker, environ)


def driver_named(
    name: str,
    key: str,
    settings: Mapping[str, Any],
    zones: Sequence[str],
    broker: Mapping[str, Any] | None,
    environ: Mapping[str, str],
) -> Driver:
    try:
        match name:
            case "by_hand":
                from scheduler.relays.by_hand import ByHand

                return ByHand(key, zones)
            case "gpio":
                from scheduler.relays.gpio import GpioValve

                return GpioValve(key, settings, environ)
            case "command":
                from scheduler.relays.command import CommandValve

                return CommandValve(key, settings, zones, environ)
            case "http":
                from scheduler.relays.http import HttpValve

                return HttpValve(key, settings, zones, environ)
            case "mqtt":
                from scheduler.relays.mqtt import MqttValve

                return MqttValve(key, settings, broker, environ)
    except (KeyError, TypeError, ValueError) as problem:
        raise ValveFailed(
            f"{key}: settings of {name} are incomplete ({type(problem).__name__}: {problem})"
        ) from problem
    raise ValveFailed(f'{key}: there is no driver "{name}"')
