"""Pins of gpiozero's mock factory: levels as the relay board would see them."""

from __future__ import annotations

import os
import subprocess
import sys
import types
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from scheduler.relays import gpio
from scheduler.relays.base import ValveFailed
from scheduler.relays.gpio import GpioValve


@pytest.fixture(autouse=True)
def factory() -> Iterator[None]:
    gpiozero.Device.pin_factory = None
    yield
    if gpiozero.Device.pin_factory is not None:
        gpiozero.Device.pin_factory.close()
    gpiozero.Device.pin_factory = None


MOCK = {"GPIOZERO_PIN_FACTORY": "mock"}


def levels(pin: int) -> list[bool]:
    """Every level since the pin became an output."""
    return [state.state for state in gpiozero.Device.pin_factory.pin(pin).states]


def test_open_and_close_switch_the_pin() -> None:
    valve = GpioValve("gpio:17", {"pin": 17, "active_high": True}, MOCK)
    valve.close()
    pin = gpiozero.Device.pin_factory.pin(17)
    assert (pin.function, pin.state) == ("output", False)
    valve.open(60)
    assert pin.state is True
    valve.close()
    valve.close()
    assert levels(17) == [False, True, False]


def test_an_inverted_board_is_closed_while_the_pin_is_high() -> None:
    valve = GpioValve("gpio:22", {"pin": 22, "active_high": False}, MOCK)
    valve.close()
    pin = gpiozero.Device.pin_factory.pin(22)
    assert pin.state is True
    valve.open(60)
    assert pin.state is False
    valve.close()
    assert pin.state is True


def test_the_wrong_polarity_opens_when_it_should_close() -> None:
    """Software cannot see this, hence the watched first run: one board told the two ways moves oppositely."""
    right, wrong = (GpioValve("g", {"pin": 22, "active_high": high}, MOCK) for high in (False, True))
    right.close()
    closed_level = gpiozero.Device.pin_factory.pin(22).state
    right.release()
    wrong.close()
    assert gpiozero.Device.pin_factory.pin(22).state is not closed_level
    wrong.release()


@pytest.mark.parametrize(("active_high", "pull"), [(True, "down"), (False, "up")])
def test_release_closes_and_pulls_the_pin_to_the_closed_side(active_high: bool, pull: str) -> None:
    valve = GpioValve("gpio:17", {"pin": 17, "active_high": active_high}, MOCK)
    valve.open(60)
    pin = gpiozero.Device.pin_factory.pin(17)
    valve.release()
    assert (pin.function, pin.pull, pin.state) == ("input", pull, not active_high)
    valve.close()  # may be used again
    assert pin.function == "output"


def test_a_pin_with_a_resistor_of_its_own_keeps_it() -> None:
    valve = GpioValve("gpio:2", {"pin": 2}, MOCK)  # GPIO 2 has a fixed pull-up on every board
    valve.close()
    valve.release()
    assert gpiozero.Device.pin_factory.pin(2).pull == "up"


def test_the_short_form_of_the_settings() -> None:
    valve = GpioValve("gpio:5", {"gpio": 5}, MOCK)
    valve.open(1)
    assert gpiozero.Device.pin_factory.pin(5).state is True


class StuckPin(MockPin):
    """Reads low, whatever is written."""

    def _get_state(self) -> bool:
        return False


def test_a_pin_that_does_not_follow_is_a_failure() -> None:
    gpiozero.Device.pin_factory = MockFactory(pin_class=StuckPin)
    valve = GpioValve("gpio:17", {"pin": 17}, {})
    valve.close()
    with pytest.raises(ValveFailed, match="pin 17 does not follow: it reads off"):
        valve.open(60)
    inverted = GpioValve("gpio:18", {"pin": 18, "active_high": False}, {})
    with pytest.raises(ValveFailed, match="pin 18 does not follow: it reads on"):
        inverted.release()


def test_a_pin_left_open_is_closed_as_soon_as_it_is_had() -> None:
    """A process that was killed leaves its pins at their last level."""
    gpiozero.Device.pin_factory = MockFactory()
    pin = gpiozero.Device.pin_factory.pin(17)
    pin.output_with_state(True)
    pin.clear_states()
    GpioValve("gpio:17", {"pin": 17}, {}).open(60)
    assert levels(17) == [True, False, True]


@pytest.mark.parametrize("seconds", [0, -1, float("nan"), float("inf")])
def test_what_is_no_time_opens_nothing(seconds: float) -> None:
    valve = GpioValve("gpio:17", {"pin": 17}, MOCK)
    valve.close()
    with pytest.raises(ValveFailed, match="cannot open for"):
        valve.open(seconds)
    assert gpiozero.Device.pin_factory.pin(17).state is False


def test_a_pin_in_use_is_a_failure_and_free_later() -> None:
    first, second = (GpioValve(key, {"pin": 17}, MOCK) for key in "ab")
    first.close()
    with pytest.raises(ValveFailed, match="pin 17: GPIOPinInUse"):
        second.close()
    with pytest.raises(ValveFailed, match="pin 17"):
        second.release()
    first.release()
    second.close()


class TestSimulated:
    def test_a_mock_in_the_environment(self) -> None:
        valve = GpioValve("gpio:17", {"pin": 17}, MOCK)
        assert valve.simulated is True
        valve.close()
        assert valve.simulated is True

    def test_no_mock(self) -> None:
        assert GpioValve("gpio:17", {"pin": 17}, {}).simulated is False

    def test_a_mock_set_by_another_part_of_the_process(self) -> None:
        gpiozero.Device.pin_factory = MockFactory()
        assert GpioValve("gpio:17", {"pin": 17}, {}).simulated is True

    def test_before_the_library_is_loaded(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delitem(sys.modules, "gpiozero")
        assert GpioValve("gpio:17", {"pin": 17}, {"GPIOZERO_PIN_FACTORY": "Mock"}).simulated is True


class TestTheLibrary:
    def test_no_other_library_is_tried(self) -> None:
        with pytest.raises(ValveFailed, match='is "pigpio"') as failed:
            GpioValve("gpio:17", {"pin": 17}, {"GPIOZERO_PIN_FACTORY": "pigpio"}).close()
        assert "mock for a dry run" in str(failed.value.hint)

    def test_a_missing_library_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def no_gpiozero(name: str, *_: Any) -> Any:
            raise ImportError(f"No module named {name!r}")

        monkeypatch.setattr(gpio, "import_module", no_gpiozero)
        with pytest.raises(ValveFailed, match="cannot be loaded") as failed:
            GpioValve("gpio:17", {"pin": 17}, {}).close()
        assert 'pip install "rowwater[gpio]"' in str(failed.value.hint)

    @pytest.mark.skipif(sys.version_info >= (3, 13), reason="the package index has no lgpio wheel for 3.13")
    def test_pins_that_cannot_be_reached(self) -> None:
        """In a folder where nothing may be written, as of a service in /: the true lgpio is loaded there."""
        script = (
            "import os, sys\n"
            "from scheduler.relays.gpio import GpioValve, import_module\n"
            "def no_chip():\n"
            "    raise OSError('no such chip')\n"
            "import scheduler.relays.gpio as gpio\n"
            "def load(name):\n"
            "    module = import_module(name)\n"
            "    if name == 'gpiozero.pins.lgpio':\n"
            "        module.LGPIOFactory = no_chip\n"
            "    return module\n"
            "gpio.import_module = load\n"
            "for _ in range(2):\n"
            "    try:\n"
            "        GpioValve('gpio:17', {'pin': 17}, {}).close()\n"
            "    except gpio.ValveFailed as failed:\n"
            "        print(failed)\n"
            "print('lgpio' in sys.modules, os.getcwd())\n"
        )
        said = subprocess.run(
            [sys.executable, "-c", script], cwd="/proc", capture_output=True, text=True, check=True
        )
        assert said.stdout.splitlines() == ["pin 17: OSError: no such chip"] * 2 + ["True /proc"]

    def test_the_working_folder_is_restored_and_no_pipe_left(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        folders = []

        def load(name: str) -> Any:
            """As lgpio does: into the folder named, and a pipe put there."""
            if name == "lgpio":
                folders.append(Path(os.environ["LG_WD"]))
                os.chdir(folders[-1])
                os.mkfifo(".lgd-nfy0")
            elif name == "gpiozero.pins.lgpio":
                return types.SimpleNamespace(LGPIOFactory=MockFactory)
            return import_module(name) if name == "gpiozero" else None

        monkeypatch.chdir(tmp_path)
        monkeypatch.delenv("LG_WD", raising=False)
        monkeypatch.delitem(sys.modules, "lgpio", raising=False)
        monkeypatch.setattr(gpio, "import_module", load)
        GpioValve("gpio:17", {"pin": 17}, {}).close()
        assert Path.cwd() == tmp_path
        assert len(folders) == 1
        assert not folders[0].exists()
        assert "LG_WD" not in os.environ

    def test_a_working_folder_given_by_the_user_is_left_alone(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("LG_WD", "/nowhere")
        monkeypatch.delitem(sys.modules, "lgpio", raising=False)
        gpio._load_lgpio()
        assert "lgpio" not in sys.modules
