"""The page in a real browser, on a real service with valves that are programs.

Each screen is looked at by rules, each action done by touch, by keys alone and without a script.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import timedelta

import pytest
from browser.chromium import LAPTOP, PHONE, SCHEMES, SIZES, double_the_text, sticks_out, violations
from browser.house import ASKING, SCREENS, House
from playwright.sync_api import Browser, Locator, Page


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("house") / "shed")
    made.planned(3)  # the first two were not answered
    made.start()
    made.start_page()
    yield made
    made.end()


@pytest.fixture(scope="module")
def phone(house: House, browser: Browser) -> Iterator[Page]:
    with house.phone(browser) as page:
        yield page


@pytest.mark.parametrize("path", [*SCREENS, ASKING, "/pair", "/no-such-page"])
def test_each_screen(house: House, phone: Page, path: str) -> None:
    noise: list[str] = []

    def told(message: object) -> None:
        noise.append(str(message))

    phone.on("console", told)
    answer = phone.goto(house.url + path)
    assert answer is not None
    assert answer.status == (404 if path == "/no-such-page" else 200), phone.inner_text("main")
    for folded in phone.locator("details").all():
        folded.evaluate("one => one.open = true")
    for size in SIZES:
        phone.set_viewport_size({"width": size[0], "height": size[1]})
        _can_be_read(phone)
        _stop_all_is_one_touch(phone, size)
    _keys_alone_reach_every_control(phone)
    phone.remove_listener("console", told)
    assert [line for line in noise if "404" not in line] == []


def _can_be_read(phone: Page) -> None:
    for scheme in SCHEMES:
        phone.emulate_media(color_scheme=scheme)
        assert violations(phone) == [], scheme
    assert sticks_out(phone) == []
    double_the_text(phone)
    assert sticks_out(phone) == [], "letters twice as large"
    phone.evaluate("document.documentElement.style.fontSize = ''")


def _stop_all_is_one_touch(phone: Page, size: tuple[int, int]) -> None:
    """In sight without scrolling, and large enough: 44 CSS pixels (WCAG 2.2, 2.5.5)."""
    phone.evaluate("scrollTo(0, 0)")
    box = phone.get_by_role("button", name="Stop all").bounding_box()
    assert box is not None
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= size[1]
    assert min(box["height"], box["width"]) >= 44


def _keys_alone_reach_every_control(phone: Page) -> None:
    wanted = phone.evaluate(
        """() => {
          const all = document.querySelectorAll('a[href], button, input:not([type=hidden]), select, summary');
          const shown = [...all].filter(one => one.checkVisibility());
          shown.forEach((one, k) => one.dataset.control = k);
          return shown.length;
        }"""
    )
    reached: dict[str, str] = {}
    unseen: list[str] = []
    for _ in range(4 * wanted + 60):  # parts of a date are stops of their own
        phone.keyboard.press("Tab")
        control, words, outlined = phone.evaluate(
            """() => {
              const one = document.activeElement, look = getComputedStyle(one);
              const outlined = look.outlineStyle !== 'none' && parseFloat(look.outlineWidth) >= 2;
              return [one.dataset.control, one.outerHTML.slice(0, 80), outlined];
            }"""
        )
        if control is not None and control not in reached:
            reached[control] = words
            if not outlined:
                unseen.append(words)
        if len(reached) == wanted:
            break
    assert len(reached) == wanted, reached
    assert unseen == []


def test_a_phone_that_may_only_look_is_offered_nothing_more(house: House, browser: Browser) -> None:
    with house.phone(browser, may="look") as page:
        for path in ("/", "/zone/tomatoes"):
            house.shows(page, path)
            assert [one.inner_text() for one in page.get_by_role("button").all()] == ["Unpair this phone"]
            assert violations(page) == []


class Hands:
    """Does what a form asks for, by touch or by keys alone."""

    def __init__(self, house: House, page: Page, *, keys: bool) -> None:
        self.house, self.page, self.keys = house, page, keys

    def press(self, one: Locator) -> None:
        if self.keys:
            one.press("Enter")
        else:
            one.click()

    def unfold(self, words: str) -> Locator:
        box = self.page.locator("details", has=self.page.locator("summary", has_text=words)).first
        self.press(box.locator("summary"))
        return box

    def told(self) -> str:
        return self.page.locator(".told:not([hidden]), .loud[role=alert]:not([hidden])").first.inner_text()

    def look(self, path: str = "/") -> None:
        self.house.shows(self.page, path)


@pytest.mark.parametrize(
    ("size", "script", "keys"), [(PHONE, False, False), (PHONE, True, False), (LAPTOP, True, True)]
)
def test_every_action(
    house: House, browser: Browser, size: tuple[int, int], script: bool, keys: bool
) -> None:
    with house.phone(browser, size, script=script) as page:
        hands = Hands(house, page, keys=keys)
        _answers(hands)
        _rain_hold_and_chore(hands)
        _water_and_stop(hands)
        _leave(hands)


def _answers(hands: Hands) -> None:
    """One run is answered; which, and how, differs with the hands."""
    hands.look()
    page, house = hands.page, hands.house
    before = len(house.rows("SELECT id FROM applied"))
    questions = page.get_by_role("heading", name="Was this water given?")
    if not questions.count():
        pytest.fail("no run is left to answer: the example has too few")
    if hands.keys:
        hands.press(page.get_by_role("button", name="Not given").first)
    elif page.get_by_role("button", name="As planned", exact=True).count() > 2:
        hands.press(page.get_by_role("button", name="As planned", exact=True).first)
    else:
        box = hands.unfold("Other amount")
        box.get_by_role("spinbutton").fill("25")
        hands.press(box.get_by_role("button", name="So much was given"))
    page.wait_for_load_state()
    assert hands.told()
    assert len(house.rows("SELECT id FROM applied")) > before


def _rain_hold_and_chore(hands: Hands) -> None:
    page, house = hands.page, hands.house
    hands.look()
    box = hands.unfold("Rain in my gauge")
    box.get_by_label("Amount").fill("0.2")
    hands.press(box.get_by_role("button", name="Note this rain"))
    page.wait_for_load_state()
    assert "0.2 in of rain" in hands.told()
    hands.look()
    box = hands.unfold("Keep a zone dry")
    box.get_by_label("Zone").select_option("lettuce")
    box.get_by_label("Until").fill((house.day + timedelta(days=2)).isoformat())
    hands.press(box.get_by_role("button", name="Keep it dry"))
    page.wait_for_load_state()
    assert "lettuce kept dry until" in hands.told()
    chores = page.get_by_role("button", name=re.compile("^.*Done"))
    if chores.count():
        hands.press(chores.first)
        page.wait_for_load_state()
        assert hands.told()


def _water_and_stop(hands: Hands) -> None:
    page, house = hands.page, hands.house
    for zone, stop in (("onions", "Stop onions"), ("tomatoes", "Stop all")):
        hands.look()
        box = hands.unfold("Water a zone")
        box.get_by_label("Zone").select_option(zone)
        box.get_by_label("Minutes").fill("5")
        hands.press(box.get_by_role("button", name="Go on"))
        page.wait_for_url(re.compile("/confirm/water"))
        assert "6 h" in page.inner_text("main")
        assert not house.is_open(zone)
        hands.press(page.get_by_role("button", name=f"Water {zone} for 5 min"))
        page.wait_for_url(re.compile("/zone/|/$"))
        assert f"{zone} open until" in hands.told()
        assert house.is_open(zone)
        hands.look()
        assert page.get_by_role("heading", name="Open now").count()
        begin = time.monotonic()
        hands.press(page.get_by_role("button", name=stop))
        house.until(lambda zone=zone: not house.is_open(zone), 2, f"{zone} to close")
        assert time.monotonic() - begin < 2
        page.wait_for_load_state()
        assert "kept dry until tomorrow" in hands.told()


def _leave(hands: Hands) -> None:
    page, house = hands.page, hands.house
    before = len(house.phones())
    hands.look()
    hands.press(page.get_by_role("button", name="Unpair this phone"))
    page.wait_for_load_state()
    assert len(house.phones()) == before - 1
    answer = page.goto(house.url + "/")
    assert answer is not None
    assert page.get_by_label("Code").count() or answer.status == 403
    assert not page.get_by_role("heading", name="Water today").count()


def test_the_screen_follows_what_is_open_by_itself(house: House, browser: Browser) -> None:
    with house.phone(browser) as live, house.phone(browser, script=False) as plain:
        house.shows(live, "/week")
        house.shows(plain, "/week")
        assert house.rowwater("water", "onions", "3 min").returncode == 0
        live.get_by_role("heading", name="Open now").wait_for(timeout=15_000)
        assert violations(live) == []
        assert plain.get_by_role("heading", name="Open now").count() == 0
        plain.reload()
        assert plain.get_by_role("heading", name="Open now").count() == 1
        assert house.rowwater("stop").returncode in (0, 1, 3)
        live.get_by_text("No valve is open.").wait_for(timeout=15_000)
