"""A shed with a valve of each driver: a mock pin, a real broker, a real HTTP relay, a program."""

from __future__ import annotations

import os
import re
import subprocess
import time
from pathlib import Path
from typing import Any

from relays.tools import Broker, Ear, RelayServer
from service.shed import GARDEN, RELAY, Shed

DRIVERS = ("gpio", "mqtt", "http", "command")
AS_USER = ["setpriv", "--reuid=54321", "--regid=54321", "--clear-groups", "--inh-caps=+dac_override",
           "--ambient-caps=+dac_override", "--"]  # fmt: skip
ZONE = """  {name}:
    rows: {{count: 3, length: 80 ft, spacing: 5 ft}}
    tape: thin
    soil: sandy loam
    valve: {valve}
"""


class Yard(Shed):
    """Zones are named after their drivers. A mock pin has no witness but the service's own log."""

    def __init__(
        self, folder: Path, *, drivers: tuple[str, ...] = DRIVERS, as_user: bool = False, **more: Any
    ) -> None:
        """as_user: the service is no root, who is above some limits."""
        super().__init__(folder, zones="", **more)
        self._limited: set[str] = set()
        self.as_user = AS_USER if as_user and os.geteuid() == 0 else []
        self.zones = drivers  # type: ignore[assignment]  # names instead of letters
        relay = folder / "relay"
        relay.write_text(RELAY.format(folder=folder))
        self.broker = Broker(folder)
        self.ear = Ear(self.broker.port, "shed/valve")
        self.server = RelayServer()
        valves = {
            "gpio": "{gpio: 17}",
            "mqtt": "{mqtt: {topic: shed/valve}}",
            "http": f"{{http: {{open: {{url: '{self.server.url('/open')}'}}, "
            f"close: {{url: '{self.server.url('/close')}'}}}}, limit: 2 s}}",
            "command": f"{{command: [{relay}, command]}}",
        }
        text = GARDEN.format(zone=self.zone).replace("flow: 2 gpm", "flow: 9 gpm")
        text += "".join(ZONE.format(name=name, valve=valves[name]) for name in drivers)
        self.garden.write_text(f"{text}broker: {{host: 127.0.0.1, port: {self.broker.port}}}\n")
        self.environ["GPIOZERO_PIN_FACTORY"] = "mock"

    def end(self) -> None:
        for what in self._limited:
            self.limit(what, "unlimited" if what == "as" else 2048)
        try:
            super().end()
        finally:
            self.ear.stop()
            self.broker.stop()
            self.server.stop()

    def limit(self, what: str, most: int | str, *, guard: bool = True) -> None:
        """Lower a limit of the service, and its guard, from now on; `what`: an option of prlimit(1)."""
        assert self.process is not None
        self._limited.add(what)
        for pid in filter(None, (self.process.pid, self.guard_pid() if guard else None)):
            limit = [*self.as_user, "prlimit", f"--pid={pid}", f"--{what}={most}:"]
            subprocess.run(limit, check=True)

    def use_up_files(self) -> None:
        """As a program that forgets to close its files: what it has it keeps, and no more can be had."""
        assert self.process is not None
        fds = [int(fd.name) for fd in Path(f"/proc/{self.process.pid}/fd").iterdir()]
        self.limit("nofile", max(fds) + 1)

    def use_up_memory(self) -> None:
        """No more address space than it has."""
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        size = next(line for line in status.splitlines() if line.startswith("VmSize"))
        self.limit("as", int(size.split()[1]) * 1024)

    def words(self, zone: str) -> list[str]:
        """What the valve of a zone was told, or for a pin, what the service says it did: open, close, ..."""
        match zone:
            case "mqtt":
                return ["open" if said["open"] else "close" for said in self.ear.said_on("shed/valve")]
            case "http":
                return [path.strip("/") for _, path, *_ in self.server.calls]
            case "command":
                return [line.word for line in self.lines()]
        found = re.findall(r"(open|closed) valve=gpio|gpio:17: (closed)", self.log())
        return ["open" if one == "open" else "close" for one, _ in found]

    def is_open(self, zone: str) -> bool:
        return self.words(zone)[-1:] == ["open"]

    def closed_after(self, deadline: float, give_up_s: float = 8.0) -> dict[str, float]:
        """By zone: how long after the deadline (monotonic) its close was seen; infinite where it was not."""
        took = dict.fromkeys(self.zones, float("inf"))
        while float("inf") in took.values() and time.monotonic() < deadline + give_up_s:
            for zone in took:
                if took[zone] == float("inf") and not self.is_open(zone):
                    took[zone] = time.monotonic() - deadline
            time.sleep(0.02)
        return took
