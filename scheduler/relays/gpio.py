"""A relay on a pin of this computer, through gpiozero and lgpio, and through nothing else.

What software cannot promise here: a pin keeps its last level after `kill -9`, and a released pin is an input.
The relay must be off when its input floats.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any

from scheduler.relays.base import Site, ValveFailed, whole_seconds

log = logging.getLogger(__name__)

FACTORY_VARIABLE = "GPIOZERO_PIN_FACTORY"
_one_at_a_time = threading.Lock()  # pins of one process share one factory


def driver(key: str, settings: Mapping[str, Any], site: Site) -> GpioValve:
    return GpioValve(key, settings, site.environ)


class GpioValve:
    """settings: {"pin": 17, "active_high": True}; 17 is the GPIO number, not the place on the header."""

    limit_s = 2.0

    def __init__(self, key: str, settings: Mapping[str, Any], environ: Mapping[str, str]) -> None:
        self.key = key
        self._pin = int(settings["pin"] if "pin" in settings else settings["gpio"])
        self._active_high = bool(settings.get("active_high", True))
        self._environ = environ
        self._device: Any = None

    @property
    def simulated(self) -> bool:
        if self._device is not None:
            return _is_mock(self._device.pin_factory)
        if "gpiozero" in sys.modules and (factory := sys.modules["gpiozero"].Device.pin_factory) is not None:
            return _is_mock(factory)
        return self._environ.get(FACTORY_VARIABLE, "").casefold() == "mock"

    def open(self, seconds: float) -> None:
        """The pin cannot count: the seconds are checked, and left to whoever called."""
        whole_seconds(self.key, seconds)
        self._set(True)

    def close(self) -> None:
        self._set(False)

    def release(self) -> None:
        try:
            self._set(False)
        finally:
            device, self._device = self._device, None
            if device is not None:
                self._give_up(device)

    def _set(self, opened: bool) -> None:
        with self._as_valve_failed():
            if self._device is None:
                self._device = self._claim()  # the pin starts closed
            self._device.value = opened
            read_back = bool(self._device.value)
        if read_back != opened:
            raise ValveFailed(f"pin {self._pin} does not follow: it reads {'on' if read_back else 'off'}")

    def _claim(self) -> Any:
        factory = pin_factory(self._environ)
        return import_module("gpiozero").DigitalOutputDevice(
            self._pin, active_high=self._active_high, initial_value=False, pin_factory=factory
        )

    def _give_up(self, device: Any) -> None:
        """The pin becomes an input; its pull is then set to the closed side, where the pin has one to set."""
        pin = device.pin
        with self._as_valve_failed():
            device.close()
        try:
            pin.pull = "down" if self._active_high else "up"
        except Exception as problem:  # a pin with a resistor of its own: nothing more to be done
            log.debug("pin %d keeps its own pull: %s", self._pin, problem)

    @contextlib.contextmanager
    def _as_valve_failed(self) -> Iterator[None]:
        """gpiozero and lgpio raise errors of many families."""
        try:
            yield
        except ValveFailed:
            raise
        except Exception as problem:
            raise ValveFailed(f"pin {self._pin}: {type(problem).__name__}: {problem}") from problem


def _is_mock(factory: Any) -> bool:
    return any(kind.__name__ == "MockFactory" for kind in type(factory).__mro__)


def pin_factory(environ: Mapping[str, str]) -> Any:
    """The factory of this process: lgpio, or the mock where the environment asks for it by name.

    gpiozero by itself would try one library after the other, and drive pins with whichever loads.
    """
    with _one_at_a_time:
        try:
            device = import_module("gpiozero").Device
            if device.pin_factory is None:
                device.pin_factory = _new_factory(environ.get(FACTORY_VARIABLE, "lgpio").casefold())
        except ImportError as missing:
            raise ValveFailed(
                f"pins need gpiozero and lgpio, which cannot be loaded ({missing})",
                hint='install them: pip install "rowwater[gpio]"',
            ) from missing
        return device.pin_factory


def _new_factory(name: str) -> Any:
    if name == "mock":
        return import_module("gpiozero.pins.mock").MockFactory()
    if name != "lgpio":
        raise ValveFailed(
            f'{FACTORY_VARIABLE} is "{name}": valves are driven through lgpio only',
            hint=f"unset {FACTORY_VARIABLE}, or set it to mock for a dry run",
        )
    _load_lgpio()
    return import_module("gpiozero.pins.lgpio").LGPIOFactory()


def _load_lgpio() -> None:
    """On import lgpio puts a named pipe into the working folder, and fails where it must not write (a service
    in /). Told of another folder (LG_WD) it changes into that for good: so go back, and take the pipe away.
    """
    if "lgpio" in sys.modules or "LG_WD" in os.environ:
        return
    here = os.open(".", os.O_RDONLY)
    folder = tempfile.mkdtemp(prefix="rowwater-")
    os.environ["LG_WD"] = folder
    try:
        import_module("lgpio")
    finally:
        del os.environ["LG_WD"]
        os.fchdir(here)
        os.close(here)
        shutil.rmtree(folder, ignore_errors=True)
