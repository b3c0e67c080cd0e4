"""From the garden to drivers, and to the list that the guard reads."""

from __future__ import annotations

import json
import logging
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from scheduler.errors import CouldNot
from scheduler.garden.file import load_text
from scheduler.model import Valve
from scheduler.relays import base, specs
from scheduler.relays.base import ValveFailed, doubt, whole_seconds
from scheduler.relays.make import make_driver

ZONE = (
    "rows: {count: 6, length: 20, spacing: 1.5}, tape: thin, soil: sandy loam, "
    "plantings: [{crop: tomato, planted: 2026-04-20}]"
)
GARDEN = f"""\
garden: Test plot
location: {{latitude: 35.61, longitude: -82.44, elevation: 650 m, timezone: America/New_York}}
display: metric
supply: {{flow: 20 L/min}}
broker: {{host: shed.local, user: rowwater, password_file: secret}}
master_valve: {{gpio: 22, opens_before: 5 s, cap: 8 h}}
tapes: {{thin: {{flow: 5 L/h/m}}}}
zones:
  tomatoes: {{{ZONE}, valve: {{gpio: 17}}}}
  beans: {{{ZONE}, valve: {{gpio: {{pin: 17, active_high: true}}, cap: 2 h}}}}
  kale: {{{ZONE}, valve: {{command: [/usr/local/bin/relay, "3"]}}}}
  leeks: {{{ZONE}, valve: {{http: {{open: {{url: "http://h/1?on"}}, close: {{url: "http://h/1?off"}}}}}}}}
  peas: {{{ZONE}, valve: {{mqtt: {{topic: shed/valve/peas, convention: homie}}}}}}
  chard: {{{ZONE}, valve: {{by_hand: true}}}}
"""


def test_every_valve_of_the_garden_once() -> None:
    found = specs.specs_of(load_text(GARDEN, name="garden.yaml"))
    assert [(spec["driver"], spec["zones"], spec["cap_s"]) for spec in found] == [
        ("gpio", ["master valve"], 8 * 3600.0),
        ("gpio", ["tomatoes", "beans"], 2 * 3600.0),
        ("command", ["kale"], 6 * 3600.0),
        ("http", ["leeks"], 6 * 3600.0),
        ("mqtt", ["peas"], 6 * 3600.0),
        ("by_hand", ["chard"], 6 * 3600.0),
    ]
    assert [spec["broker"] is not None for spec in found] == [False, False, False, False, True, False]


def test_each_driver_is_the_one_named_and_survives_the_file(tmp_path: Path) -> None:
    found = specs.specs_of(load_text(GARDEN, name="garden.yaml"))
    specs.save(tmp_path / "valves.json", found)
    again = specs.load(tmp_path / "valves.json")
    assert again == found
    kinds = [type(specs.driver_of(spec, {})).__name__ for spec in again]
    assert kinds == ["GpioValve", "GpioValve", "CommandValve", "HttpValve", "MqttValve", "ByHand"]
    assert [specs.driver_of(spec, {}).key for spec in again] == [spec["key"] for spec in found]


def test_the_garden_without_master_and_broker() -> None:
    lines = [line for line in GARDEN.splitlines() if not line.startswith(("master", "broker", "  peas"))]
    first = specs.specs_of(load_text("\n".join(lines), name="garden.yaml"))[0]
    assert first["zones"] == ["tomatoes", "beans"]


def test_only_the_named_driver_is_loaded() -> None:
    script = (
        "import sys\n"
        "from scheduler.model import Valve\n"
        "from scheduler.relays.make import make_driver\n"
        "make_driver(Valve('by_hand', 'by_hand:a'), zones=['a'], broker=None, environ={})\n"
        "print(sorted(m for m in sys.modules if m.startswith('scheduler.relays.')))\n"
    )
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == str(
        ["scheduler.relays.base", "scheduler.relays.by_hand", "scheduler.relays.make"]
    )


@pytest.mark.parametrize(
    ("driver", "settings", "broker"),
    [
        ("gpio", {}, None),
        ("gpio", {"pin": "seventeen"}, None),
        ("command", {}, None),
        ("http", {"open": {}}, None),
        ("mqtt", {}, {"host": "h"}),
        ("mqtt", {"topic": "t"}, {}),
        ("mqtt", {"topic": "t"}, None),
        ("pneumatic", {}, None),
    ],
)
def test_wrong_settings_are_a_failed_valve(driver: Any, settings: Any, broker: Any) -> None:
    with pytest.raises(ValveFailed, match="the key: "):
        make_driver(Valve(driver, "the key", settings), zones=["a"], broker=broker, environ={})


def test_by_hand_says_what_to_do(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    driver = make_driver(Valve("by_hand", "by_hand:a"), zones=["a", "b"], broker=None, environ={})
    driver.open(600)
    driver.close()
    driver.release()
    assert caplog.messages == ["a, b: open it yourself, for 10 min", "a, b: close it yourself"]
    assert not driver.simulated
    assert doubt(driver) is None


class TestBase:
    def test_whole_seconds_are_rounded_up(self) -> None:
        assert [whole_seconds("k", s) for s in (0.1, 1, 59.5, 600)] == [1, 1, 60, 600]

    @pytest.mark.parametrize("seconds", [0, -5, float("nan"), float("inf"), float("-inf")])
    def test_what_is_no_time(self, seconds: float) -> None:
        with pytest.raises(ValveFailed, match="k: cannot open for"):
            whole_seconds("k", seconds)

    @pytest.mark.parametrize("name", ["teleport", "base", "specs", "no such", "..by_hand", ""])
    def test_a_module_that_is_no_driver_is_none(self, name: str) -> None:
        with pytest.raises(ValveFailed, match=f'k: there is no driver "{name}"'):
            make_driver(Valve(name, "k", {}), zones=["a"], broker=None, environ={})


class TestTheFile:
    def test_it_is_for_the_owner_and_replaced_whole(self, tmp_path: Path) -> None:
        path = tmp_path / "valves.json"
        specs.save(path, [])
        specs.save(path, [{"driver": "by_hand", "key": "k", "settings": {}, "zones": []}])
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert [p.name for p in tmp_path.iterdir()] == ["valves.json"]
        assert json.loads(path.read_text())[0]["key"] == "k"

    @pytest.mark.parametrize("text", ["", "{", "{}", "7", "\xff", "[" * 100_000])
    def test_what_is_no_list(self, tmp_path: Path, text: str) -> None:
        path = tmp_path / "valves.json"
        path.write_bytes(text.encode("latin-1"))
        with pytest.raises(CouldNot, match="valves.json: "):
            specs.load(path)

    def test_a_missing_file(self, tmp_path: Path) -> None:
        with pytest.raises(CouldNot, match="cannot be read"):
            specs.load(tmp_path / "valves.json")

    def test_a_bad_entry_is_kept_as_a_valve_that_cannot_be_closed(self, tmp_path: Path) -> None:
        path = tmp_path / "valves.json"
        good = {"driver": "by_hand", "key": "k", "settings": {}, "zones": []}
        path.write_text(json.dumps([good, 7, {"driver": "gpio"}]))
        first, second, third = specs.load(path)
        assert first == good
        for bad in (second, third):
            with pytest.raises(ValveFailed, match="there is no driver"):
                specs.driver_of(bad, {})
        assert third["key"] == "valves.json, entry 3"

    def test_the_time_of_a_try(self) -> None:
        assert specs.try_limit_s({"settings": {}}) == base.LIMIT_S + 2
        assert specs.try_limit_s({"settings": {"limit_s": 1}}) == 3
