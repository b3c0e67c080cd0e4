"""The unit file against the facts of the code: names, times, and what the service must be able to reach.

How systemd treats these keys: systemd.service(5), systemd.exec(5), systemd.kill(5) of version 252.
"""

from __future__ import annotations

import configparser
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from scheduler.cli.main import COMMANDS
from scheduler.places import SERVICE_FOLDER, SYSTEM_CONFIG
from scheduler.relays import base, specs
from scheduler.relays.specs import VALVES
from scheduler.service import daemon, end, guard, valves_in_use
from scheduler.service import jobs as service_jobs
from scheduler.service.settings import Settings

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "rowwater.service"
PREFIX = "/opt/rowwater/current/bin"


def keys(section: str) -> dict[str, list[str]]:
    """Key -> its values in order: systemd adds up those that are given more than once."""
    found: dict[str, list[str]] = {}
    here = ""
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            here = line.strip("[]")
        elif here == section and line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


SERVICE = keys("Service")


def one(key: str) -> str:
    (value,) = SERVICE[key]
    return value


def seconds(key: str) -> float:
    return float(one(key))


def test_it_can_be_read():
    parser = configparser.RawConfigParser(strict=False)
    parser.read_string(UNIT.read_text(encoding="utf-8"))
    assert parser.sections() == ["Unit", "Service", "Install"]
    assert keys("Install") == {"WantedBy": ["multi-user.target"]}


def test_it_starts_again_for_ever_and_slowly():
    """systemd by itself gives up after 5 starts in 10 s."""
    assert keys("Unit")["StartLimitIntervalSec"] == ["0"]
    assert (one("Restart"), one("RestartSec")) == ("always", "10")


def test_valves_are_closed_before_the_clock_or_a_network_is_waited_for():
    waits = keys("Unit")["After"][0].split()
    assert "time-sync.target" not in waits
    assert "network-online.target" not in waits
    assert keys("Unit").keys() == {"Description", "After", "StartLimitIntervalSec"}, (
        "no requirement that may fail"
    )


def test_readiness_and_watchdog_come_from_the_main_process():
    assert (one("Type"), one("NotifyAccess")) == ("notify", "main")
    assert seconds("WatchdogSec") > daemon.STUCK_S + end.STOP_S, "the service's own way out comes first"
    assert seconds("WatchdogSec") >= 10 * Settings().tick_s


def test_the_start_has_time_to_close_and_to_read():
    assert seconds("TimeoutStartSec") > valves_in_use.FIRST_CLOSE_S + service_jobs.READ_LIMIT_S + 30


def test_the_stop_has_time_for_every_layer():
    """Each step of the stop has this limit to itself: the service with its guard, then the close-all."""
    stop = seconds("TimeoutStopSec")
    last_try = specs.try_limit_s({"settings": {}})
    assert last_try > base.LIMIT_S
    assert stop >= 40
    assert stop > guard.CLOSE_ALL_FOR_S + last_try
    assert stop > guard.STOP_FOR_S + last_try
    assert stop > end.STOP_S + guard.STOP_FOR_S


def test_a_guard_whose_parent_was_killed_is_asked_to_stop_not_killed():
    """With `mixed` or `process` it would get SIGKILL at once, or live on beside the next service."""
    assert one("KillMode") == "control-group"
    assert "SendSIGKILL" not in SERVICE
    assert "KillSignal" not in SERVICE


def test_a_daily_job_out_of_memory_does_not_end_the_service():
    assert one("OOMPolicy") == "continue"


def test_commands_and_places_are_those_of_the_program():
    assert one("ExecStart") == f"{PREFIX}/rowwater serve"
    assert "serve" in COMMANDS
    environment = dict(line.split("=", 1) for line in SERVICE["Environment"])
    assert environment["ROWWATER_CONFIG"] == str(SYSTEM_CONFIG)
    assert environment["ROWWATER_DATA"] == str(SERVICE_FOLDER)
    assert one("StateDirectory") == SERVICE_FOLDER.name
    assert one("ReadWritePaths") == str(SERVICE_FOLDER)
    assert one("ExecStopPost").endswith(
        f" -P -m scheduler.service.guard --close-all {SERVICE_FOLDER / VALVES}"
    )


def test_the_close_all_of_the_unit_closes(tmp_path: Path):
    """The very command of ExecStopPost, on a list of valves."""
    told = tmp_path / "told.txt"
    relay = tmp_path / "relay"
    relay.write_text(f'#!/bin/sh\necho "$ROWWATER_ZONE $*" >> {told}\n')
    relay.chmod(0o755)
    valve = {"driver": "command", "key": "k", "settings": {"command": [str(relay)]}, "zones": ["beans"]}
    specs.save(tmp_path / VALVES, [valve])
    words = [
        word.replace(f"{PREFIX}/python", sys.executable).replace(str(SERVICE_FOLDER), str(tmp_path))
        for word in one("ExecStopPost").split()
    ]
    environ = os.environ | {"PYTHONPATH": str(ROOT)}
    subprocess.run(words, check=True, timeout=60, env=environ, cwd=tmp_path)
    assert told.read_text() == "beans close\n"


def test_what_the_service_must_reach_is_open():
    assert one("DeviceAllow") == "char-gpiochip rw"
    assert one("DevicePolicy") == "closed", "no device but the pins, and the usual null, zero, random"
    assert "PrivateDevices" not in SERVICE, "it would hide the pins"
    assert "gpio" in one("SupplementaryGroups").split()
    assert set(one("RestrictAddressFamilies").split()) == {"AF_UNIX", "AF_INET", "AF_INET6"}
    assert not SERVICE.keys() & {"PrivateNetwork", "IPAddressDeny"}, "relays and broker are on the network"
    assert {"adjtimex", "clock_adjtime"} <= set(one("SystemCallFilter").split()), "trust.py asks the kernel"
    assert "ProtectClock" not in SERVICE, "it would take that answer away"


@pytest.mark.parametrize(
    "key",
    ["NoNewPrivileges", "ProtectHome", "PrivateTmp", "ProtectKernelModules", "ProtectKernelTunables",
     "ProtectControlGroups", "RestrictSUIDSGID", "RestrictNamespaces", "LockPersonality"],
)  # fmt: skip
def test_what_it_needs_not_is_shut(key: str):
    assert one(key) == "yes"


def test_it_runs_as_nobody_special():
    assert one("User") == one("Group") == "rowwater"
    assert one("CapabilityBoundingSet") == one("AmbientCapabilities") == ""
    assert one("ProtectSystem") == "strict"


needs_analyze = pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd on this machine")


@needs_analyze
def test_systemd_has_nothing_to_say_against_it(tmp_path: Path):
    copy = tmp_path / "rowwater.service"
    copy.write_text(re.sub(re.escape(PREFIX) + r"/\w+", sys.executable, UNIT.read_text(encoding="utf-8")))
    said = subprocess.run(
        ["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, timeout=60
    )
    assert [line for line in said.stderr.splitlines() if "rowwater.service" in line] == []
    assert said.returncode == 0, said.stderr


@needs_analyze
def test_its_exposure_is_small(tmp_path: Path):
    """systemd's own scale: 0 is shut, 10 is open; a service without hardening gets 9.6."""
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    found = re.search(r"exposure level for rowwater.service: ([0-9.]+)", said.stdout)
    if found is None:
        pytest.skip(f"this systemd-analyze cannot look at a file: {said.stderr.strip()}")
    assert float(found[1]) <= 2.5
