"""From a valve to its driver: the one that is named, never another."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

from scheduler.relays.base import Driver, Site, ValveFailed

if TYPE_CHECKING:
    from scheduler.model import Valve


class _NoDriver(Exception):
    pass


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
    """The function `driver` of the module of that name in this folder makes it. Raises ValveFailed."""
    try:
        return _maker(name)(key, settings, Site(zones, broker, environ))
    except _NoDriver:
        raise ValveFailed(f'{key}: there is no driver "{name}"', may_act=False) from None
    except (KeyError, TypeError, ValueError) as problem:
        raise ValveFailed(
            f"{key}: settings of {name} are incomplete ({type(problem).__name__}: {problem})", may_act=False
        ) from problem


def _maker(name: str) -> Callable[[str, Mapping[str, Any], Site], Driver]:
    """Raises _NoDriver where no module of that name is a driver's."""
    path = f"{__package__}.{name}"
    try:
        maker = getattr(import_module(path), "driver", None) if name.isidentifier() else None
    except ModuleNotFoundError as missing:
        if missing.name != path:
            raise
        maker = None
    if maker is None:
        raise _NoDriver(name)
    return maker  # type: ignore[no-any-return]  # a module's attribute
