"""A running service and its page as processes, and phones that are paired with it by typing its code."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager

from browser.chromium import PHONE, Scheme, context
from playwright.sync_api import Browser, Page
from web.real import Creekside

SCREENS = ("/", "/zone/tomatoes", "/week", "/weather", "/water", "/check")
ASKING = "/confirm/water/tomatoes?minutes=5"


class House(Creekside):
    """Valves are programs: tomatoes and onions have one each, the other zones are opened by hand."""

    def pair(self, page: Page, may: str, name: str) -> None:
        """As its owner does: the code of the terminal typed on the phone."""
        said = self.rowwater("page", "pair", "--may", may, "--name", name)
        assert said.returncode == 0, said.stderr
        (code,) = re.findall(r"Pairing code: (\d{4} \d{4})", said.stdout)
        page.goto(self.url + "/pair")
        page.get_by_label("Code").fill(code)
        if (label := page.get_by_label("Name of this phone")).count():
            label.fill(name)
        page.get_by_role("button", name="Pair this phone").click()
        page.wait_for_url(self.url + "/")

    @contextmanager
    def phone(  # type: ignore[override]  # a browser's, where the other is a session of requests
        self,
        browser: Browser,
        size: tuple[int, int] = PHONE,
        scheme: Scheme = "light",
        *,
        may: str = "water",
        script: bool = True,
    ) -> Iterator[Page]:
        with context(browser, size, scheme, script=script) as made:
            made.set_default_timeout(90_000)  # a screen may wait for a child that reads the records
            page = made.new_page()
            self.pair(page, may, f"{size[0]} {'script' if script else 'plain'}")
            yield page

    def phones(self) -> list[str]:
        """Of those that are paired."""
        said = self.rowwater("page", "phones", "--json")
        assert said.returncode == 0, said.stderr
        return [str(phone["name"]) for phone in json.loads(said.stdout)["phones"]]

    def shows(self, page: Page, path: str) -> None:
        answer = page.goto(self.url + path)
        assert answer is not None
        assert answer.status == 200, (path, page.inner_text("main"))
