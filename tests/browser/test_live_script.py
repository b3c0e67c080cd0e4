"""The small script: what it says when the house falls silent, and when a new plan is there."""

from __future__ import annotations

from typing import Any

import pytest
from browser.chromium import context
from playwright.sync_api import Browser, Page, Route
from screens.looked_at import frame
from screens.test_today import UNTIL, page

from scheduler.html.screens.frame import live
from scheduler.html.screens.today import today
from scheduler.html.static_files import static_file

HOME = "http://house.example/"
OPEN = [{"zone": "tomatoes", "until": UNTIL}]


class House:
    """Answers from memory, without a network; the moments between two looks are a tenth of a second."""

    def __init__(self, phone: Page) -> None:
        self.frame = frame(made_at="2015-07-09T03:00:00-07:00")
        self.silent = False
        self.status = 200
        phone.route(f"{HOME}**", self._answer)

    def _answer(self, route: Route) -> None:
        path = route.request.url.removeprefix(HOME.rstrip("/"))
        if self.silent:
            route.abort()
        elif path == "/live":
            route.fulfill(status=self.status, json=dict(live(self.frame)))
        elif path.startswith("/static/"):
            content, kind = static_file(path.removeprefix("/static/"))
            route.fulfill(body=content.replace(b"EVERY_MS = 4000", b"EVERY_MS = 100"), content_type=kind)
        else:
            route.fulfill(body=today(page(), self.frame), content_type="text/html; charset=utf-8")


@pytest.fixture
def phone(browser: Browser) -> Any:
    with context(browser) as made:
        yield made.new_page()


def test_silence_is_told_with_its_time_and_taken_back(phone: Page) -> None:
    house = House(phone)
    phone.goto(HOME)
    told = phone.locator("#silent")
    assert not told.is_visible()
    house.silent = True
    told.wait_for(state="visible")
    now = phone.evaluate("new Date().toTimeString().slice(0, 2)")
    assert told.inner_text().startswith(f"Not answering since {now}:")
    assert told.inner_text().endswith("what is shown may be old.")
    house.silent = False
    told.wait_for(state="hidden")


def test_what_opens_is_shown_and_what_closes_goes(phone: Page) -> None:
    house = House(phone)
    phone.goto(HOME)
    house.frame = frame(made_at=house.frame.made_at, open=OPEN)
    phone.get_by_role("button", name="Stop tomatoes").wait_for()
    house.frame = frame(made_at=house.frame.made_at)
    phone.get_by_text("No valve is open.").wait_for()


def test_a_newer_plan_is_offered_and_typed_words_stay(phone: Page) -> None:
    house = House(phone)
    phone.goto(HOME)
    phone.get_by_text("Rain in my gauge").click()
    phone.get_by_label("Amount").fill("0.6")
    house.frame = frame(made_at="2015-07-09T07:00:00-07:00")
    phone.get_by_role("link", name="A newer plan has been made: show it").wait_for()
    assert phone.get_by_label("Amount").input_value() == "0.6"


def test_a_phone_that_was_taken_off_is_led_to_pairing(phone: Page) -> None:
    house = House(phone)
    phone.goto(HOME)
    house.status = 401
    phone.wait_for_url(f"{HOME}pair")
