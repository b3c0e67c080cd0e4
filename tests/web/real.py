"""The real page as a process, beside the real service; a phone is a session of the requests library."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import requests
from service.shed import VALVE, Shed
from web.browser import Form, forms
from web.conftest import rowwater

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
THEN = date(2015, 7, 9)
LAUNCH = "from scheduler.cli.main import main; main()"


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as door:
        return int(door.getsockname()[1])


def moved(text: str, days: timedelta) -> str:
    """Every date in it."""
    return re.sub(
        r"\d{4}-\d\d-\d\d", lambda found: (date.fromisoformat(found[0]) + days).isoformat(), text
    )  # fmt: skip


class Creekside(Shed):
    """The example's garden as though its July were now, tomatoes and onions on valves, all hours allowed."""

    def __init__(self, folder: Path, page: str = "") -> None:
        super().__init__(folder, "")
        self.port = free_port()
        self.day = datetime.now(ZoneInfo(self.zone)).date()
        since = self.day - THEN
        text = moved((CREEKSIDE / "garden.yaml").read_text(), since)
        text = re.sub("timezone: [A-Za-z_/]+", f"timezone: {self.zone}", text)
        text = re.sub("hours: .*", 'hours: {from: "00:05", until: "23:55"}', text)
        for zone in ("tomatoes", "onions"):
            valve = VALVE.format(name=zone, relay=folder / "relay", cap="6 h")
            text = re.sub(rf"(?ms)^(  {zone}:\n.*?valve: ){{by_hand: true}}", rf"\g<1>{valve}", text)
        text += page or f"page: 127.0.0.1:{self.port}\n"
        self.garden.write_text(text)
        (folder / "weather.csv").write_text(moved((CREEKSIDE / "weather.csv").read_text(), since))
        self.page_process: subprocess.Popen[str] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def argv(self, *words: str) -> list[str]:
        return [sys.executable, "-P", "-c", LAUNCH, *words]

    def planned(self, mornings: int = 2) -> None:
        """Today and the days before it, as though nothing had been answered since.

        In this process and by plain steps, which is quick.
        """
        places = ("--config", str(self.garden), "--data", str(self.data))
        with pytest.MonkeyPatch.context() as patch:
            patch.setitem(sys.modules, "highspy", None)
            for back in reversed(range(mornings)):
                day = self.day - timedelta(days=back)
                status, said = rowwater(*places, "day", "--date", day.isoformat())
                assert status in (0, 3), said

    def start_page(self, *words: str) -> None:
        with (self.folder / "page.log").open("ab") as log:
            self.page_process = subprocess.Popen(
                self.argv("page", *words), env=self.environ, cwd=self.folder, stdout=log, stderr=log,
                stdin=subprocess.DEVNULL, text=True,
            )  # fmt: skip
        self.until(self.answers, 60, "the page to answer")

    def answers(self) -> bool:
        assert self.page_process is not None
        assert self.page_process.poll() is None, self.page_log()
        with socket.socket() as door:
            door.settimeout(1)
            return door.connect_ex(("127.0.0.1", self.port)) == 0

    def page_log(self) -> str:
        return (self.folder / "page.log").read_text()

    def end_page(self) -> int:
        assert self.page_process is not None
        self.page_process.send_signal(signal.SIGINT)
        return self.page_process.wait(20)

    def end(self) -> None:
        if self.page_process is not None and self.page_process.poll() is None:
            self.page_process.kill()
            self.page_process.wait(20)
        super().end()

    def phone(self, may: str, name: str) -> Phone:
        """Paired by a code that `rowwater page pair` prints."""
        said = self.rowwater("page", "pair", "--may", may, "--name", name)
        assert said.returncode == 0, said.stderr
        (code,) = re.findall(r"Pairing code: (\d{4} \d{4})", said.stdout)
        phone = Phone(self.url)
        phone.get("/pair")
        phone.send("/pair", code=code)
        return phone


class Phone:
    """`body`: of the screen in hand."""

    def __init__(self, url: str, verify: bool | str = True) -> None:
        self.url = url
        self.session = requests.Session()
        self.session.trust_env = False
        self.session.verify = verify
        self.status = 0
        self.body = ""

    def get(self, path: str) -> str:
        return self._took(self.session.get(self.url + path, timeout=120))

    def send(self, action: str, number: int = 0, **fields: str) -> str:
        """The form on this screen that goes to `action`."""
        form = self.form(action, number)
        return self.post(action, **{**form.fields, **fields})

    def form(self, action: str, number: int = 0) -> Form:
        found = [one for one in forms(self.body) if one.action == action]
        assert len(found) > number, (action, self.body)
        return found[number]

    def post(self, action: str, **fields: str) -> str:
        own = {"Origin": self.url}
        return self._took(self.session.post(self.url + action, data=fields, headers=own, timeout=120))

    def _took(self, answer: requests.Response) -> str:
        self.status, self.body = answer.status_code, answer.text
        return self.body

    @property
    def told(self) -> str:
        found = re.search(r'<p class="told[^>]*>(.*?)</p>', self.body, re.DOTALL)
        return found[1] if found else ""
