"""The page's units against the code, their script, and a start by socket.

How systemd treats these keys: systemd.socket(5), systemd.exec(5), sd_listen_fds(3).
"""

from __future__ import annotations

import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from deploy.test_scripts import run
from web.real import Creekside

from scheduler.places import SERVICE_FOLDER, SYSTEM_CONFIG
from scheduler.web import server
from scheduler.web.settings import FOLDER, LISTEN

ROOT = Path(__file__).parents[2]
SOCKET = ROOT / "deploy" / "rowwater-page.socket"
UNIT = ROOT / "deploy" / "rowwater-page.service"
PREFIX = "/opt/rowwater/current/bin"


def keys(path: Path) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line and line[0] not in "#[":
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


PAGE = keys(UNIT)


def one(key: str) -> str:
    (value,) = PAGE[key]
    return value


def test_it_waits_where_the_program_would_listen_by_itself() -> None:
    assert keys(SOCKET)["ListenStream"] == [LISTEN]
    assert keys(SOCKET)["WantedBy"] == ["sockets.target"]
    assert "WantedBy" not in PAGE, "no boot starts it: idle it takes no memory"


def test_commands_and_places_are_those_of_the_program() -> None:
    assert one("ExecStart") == f"{PREFIX}/rowwater page"
    environment = dict(line.split("=", 1) for line in PAGE["Environment"])
    assert environment["ROWWATER_CONFIG"] == str(SYSTEM_CONFIG)
    assert environment["ROWWATER_DATA"] == str(SERVICE_FOLDER)


def test_it_writes_its_own_folder_alone_and_no_record() -> None:
    assert one("ProtectSystem") == "strict"
    assert one("ReadOnlyPaths") == str(SERVICE_FOLDER)
    assert one("ReadWritePaths") == str(SERVICE_FOLDER / FOLDER)
    assert one("User") not in ("root", "rowwater"), "the service's own user could end the service"
    assert one("SupplementaryGroups") == "rowwater"


def test_it_reaches_no_network_and_no_pin() -> None:
    """The listening socket is handed to it; relays, brokers and weather are none of its business."""
    assert one("RestrictAddressFamilies") == "AF_UNIX"
    assert one("PrivateNetwork") == one("PrivateDevices") == "yes"
    assert one("CapabilityBoundingSet") == one("AmbientCapabilities") == ""


def test_the_service_that_closes_valves_comes_first() -> None:
    assert int(one("CPUWeight")) < 100 > int(one("IOWeight"))
    assert int(one("OOMScoreAdjust")) > 0
    assert one("MemoryMax") == "400M"
    assert "TMPDIR=/var/tmp" in PAGE["Environment"], "the copy of the records is no memory, where /tmp is"
    assert one("PrivateTmp") == "yes", "an own /var/tmp too (systemd.exec(5)), which it may write"
    assert "Restart" not in PAGE, "who connects starts it"


needs_analyze = pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd on this machine")


@needs_analyze
def test_systemd_has_nothing_to_say_against_it(tmp_path: Path) -> None:
    for path in (SOCKET, UNIT):
        text = re.sub(re.escape(PREFIX) + r"/\w+", sys.executable, path.read_text(encoding="utf-8"))
        (tmp_path / path.name).write_text(re.sub("Documentation=.*\n", "", text))
    said = subprocess.run(
        ["systemd-analyze", "verify", *(str(tmp_path / path.name) for path in (SOCKET, UNIT))],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert [line for line in said.stderr.splitlines() if "rowwater-page" in line] == []
    assert said.returncode == 0, said.stderr


@needs_analyze
def test_its_exposure_is_small() -> None:
    """systemd's own scale: 0 is shut, 10 is open; a service without hardening gets 9.6."""
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    found = re.search(r"exposure level for rowwater-page.service: ([0-9.]+)", said.stdout)
    if found is None:
        pytest.skip(f"this systemd-analyze cannot look at a file: {said.stderr.strip()}")
    assert float(found[1]) <= 1.0


# --- the script ---

GARDEN = """garden: Plot
location: {latitude: 35.61, longitude: -82.44, elevation: 600 m, timezone: America/New_York}
display: metric
supply: {flow: 20}
tapes: {thin: {flow: 0.05}}
zones: {beans: {tape: thin, soil: loam, rows: {count: 1, length: 20, spacing: 1}}}
"""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A scratch root in which this very program is the installed version."""
    found = tmp_path / "root"
    folder = found / "opt/rowwater/current/bin"
    folder.mkdir(parents=True)
    (folder / "python").write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" "$@"\n')
    (folder / "python").chmod(0o755)
    (found / "etc/rowwater").mkdir(parents=True)
    return found


def test_the_socket_listens_where_garden_yaml_says(root: Path) -> None:
    garden = root / "etc/rowwater/garden.yaml"
    garden.write_text(GARDEN)
    dropin = root / "etc/systemd/system/rowwater-page.socket.d/listen.conf"
    assert "no page: stands in" in run(root, "page.sh", status=1)
    assert not dropin.exists()
    garden.write_text(f'{GARDEN}page: "192.168.1.20:8443"\n')
    assert "192.168.1.20:8443" in run(root, "page.sh")
    assert dropin.read_text() == "[Socket]\nListenStream=\nListenStream=192.168.1.20:8443\n"
    assert (root / "etc/systemd/system" / SOCKET.name).read_bytes() == SOCKET.read_bytes()
    garden.write_text(f'{GARDEN}page: "[fd00::7]:8443"\n')
    run(root, "page.sh")
    assert "ListenStream=[fd00::7]:8443\n" in dropin.read_text()
    garden.write_text(f"{GARDEN}page: {{lisen: x}}\n")
    assert 'did you mean "listen"' in run(root, "page.sh", status=1)
    assert "The page is off" in run(root, "page.sh", "off")
    assert not dropin.exists()


# --- started by socket ---


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Creekside]:
    made = Creekside(tmp_path / "shed")
    made.planned()
    yield made
    made.end()


HANDED_OVER = """
import os, sys
os.dup2(int(sys.argv[1]), 3)
os.environ |= {"LISTEN_FDS": "1", "LISTEN_PID": str(os.getpid())}
sys.argv = ["rowwater", "page", "--idle", "1"]
from scheduler.cli.main import main
main()
"""
"""sd_listen_fds(3)."""


def memory_kb(process: int) -> int:
    status = Path(f"/proc/{process}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+) kB", status)[0])


@pytest.mark.skipif(not shutil.which("systemd-socket-activate"), reason="no systemd on this machine")
def test_who_connects_starts_it_and_idle_it_ends(shed: Creekside) -> None:
    """The first phone waits for the start, no more; without one nothing runs, and the next starts it anew."""
    command = ["systemd-socket-activate", "--listen", f"127.0.0.1:{shed.port}"]
    for name in ("ROWWATER_CONFIG", "ROWWATER_DATA", "PATH"):
        command += [f"--setenv={name}"]
    with (shed.folder / "page.log").open("ab") as log:
        manager = subprocess.Popen(
            [*command, *shed.argv("page", "--idle", "2")], env=shed.environ, stdout=log, stderr=log,
        )  # fmt: skip
    try:
        shed.until(lambda: "Listening on" in shed.page_log(), 20, "the socket")
        time.sleep(0.3)
        assert manager.poll() is None
        assert memory_kb(manager.pid) < 20_000, "nothing of ours runs yet"
        phone = shed.phone("note", "Ann")
        assert phone.status == 200
        assert manager.wait(60) == 0, "it took the manager's place, and ended by itself"
        assert "Pairing code" not in shed.page_log(), "a code is shown on the machine alone, never in a log"
    finally:
        if manager.poll() is None:
            manager.kill()
            manager.wait()


def test_a_socket_that_is_handed_over_outlives_the_page(shed: Creekside) -> None:
    """What connects while it ends is not lost: the socket stays open in the manager's hands."""
    page_log = (shed.folder / "page.log").open("ab")
    with socket.create_server(("127.0.0.1", shed.port)) as door, page_log as log:

        def start() -> subprocess.Popen[bytes]:
            return subprocess.Popen(
                [sys.executable, "-P", "-c", HANDED_OVER, str(door.fileno())], env=shed.environ,
                pass_fds=[door.fileno()], stdout=log, stderr=log, stdin=subprocess.DEVNULL,
            )  # fmt: skip

        first = start()
        assert requests.get(f"{shed.url}/pair", timeout=60).status_code == 200
        assert first.wait(30) == 0
        with socket.create_connection(("127.0.0.1", shed.port), 5) as early:
            early.sendall(f"GET /pair HTTP/1.1\r\nHost: 127.0.0.1:{shed.port}\r\n\r\n".encode())
            second = start()
            early.settimeout(60)
            assert early.recv(100).startswith(b"HTTP/1.1 200"), "asked before it ran"
        second.send_signal(signal.SIGTERM)
        second.wait(20)


def test_without_page_in_garden_yaml_the_manager_gets_none(shed: Creekside) -> None:
    shed.garden.write_text(re.sub("(?m)^page:.*$", "", shed.garden.read_text()))
    with socket.create_server(("127.0.0.1", 0)) as door:
        done = subprocess.run(
            [sys.executable, "-P", "-c", HANDED_OVER, str(door.fileno())], env=shed.environ, timeout=60,
            capture_output=True, text=True, pass_fds=[door.fileno()], stdin=subprocess.DEVNULL,
        )  # fmt: skip
    assert done.returncode == 2
    assert "no page: stands in it" in done.stderr


def test_idle_is_a_quarter_of_an_hour() -> None:
    assert server.IDLE_S == 900
