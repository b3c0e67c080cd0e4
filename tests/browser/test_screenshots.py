"""The pictures in the README show what the example's screens show: made here, and told when they are old.

`pytest tests/browser/test_screenshots.py --refresh-golden` makes them anew. Letters differ from machine to
machine: what is compared is the words and drawings that a picture was made of; their digest is kept in it.
"""

from __future__ import annotations

import hashlib
import io
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser.chromium import PHONE
from cli.conftest import CREEKSIDE, Grower, clock, grower
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from playwright.sync_api import Browser, Page
from web.real import free_port

__all__ = ["clock", "grower"]
FIRST, TODAY = "2015-06-26", "2015-07-09"  # the two weeks of examples/first-morning.sh
MOMENT = f"{TODAY}T06:05:00-07:00"
MOST_BYTES = 100_000
MADE_OF = "Made of"


@pytest.fixture
def screens(grower: Grower, browser: Browser) -> Iterator[tuple[Page, str]]:
    """A paired phone, and the page's address."""
    grower.weeks(FIRST, TODAY)
    assert grower("day", "--date", TODAY).status in (0, 3)
    port = free_port()
    still = Path(__file__).with_name("still_page.py")
    process = subprocess.Popen(
        [sys.executable, "-P", str(still), str(grower.garden), str(grower.data), str(port), MOMENT]
    )
    url = f"http://127.0.0.1:{port}"
    try:
        with browser.new_context(
            viewport={"width": PHONE[0], "height": PHONE[1]}, device_scale_factor=2, locale="en-US"
        ) as made:
            made.set_default_timeout(90_000)
            page = made.new_page()
            _until_it_answers(page, url, process)
            said = grower("page", "pair", "--may", "note", "--name", "Ann's phone")
            (code,) = re.findall(r"Pairing code: (\d{4} \d{4})", said.out)
            page.get_by_label("Code").fill(code)
            page.get_by_label("Name of this phone").fill("Ann's phone")
            page.get_by_role("button", name="Pair this phone").click()
            page.wait_for_url(f"{url}/")
            yield page, url
    finally:
        process.kill()
        process.wait(20)


def _until_it_answers(page: Page, url: str, process: subprocess.Popen[bytes]) -> None:
    give_up = time.monotonic() + 60
    while True:
        assert process.poll() is None
        try:
            page.goto(f"{url}/pair")
            return
        except Exception:  # the browser's own error of a port at which nobody listens yet
            assert time.monotonic() < give_up
            time.sleep(0.2)


def test_the_pictures_show_the_screens(
    screens: tuple[Page, str], grower: Grower, request: pytest.FixtureRequest
) -> None:
    page, url = screens
    refresh = request.config.getoption("--refresh-golden")
    page.goto(f"{url}/")
    _compare(page, "today", refresh)
    page.goto(f"{url}/zone/beans")
    _compare(page, "zone", refresh, at="#season")
    page.set_viewport_size({"width": 720, "height": 1480})
    page.goto((CREEKSIDE / "report.html").as_uri())
    _compare(page, "report", refresh, scale=0.5)


def _compare(page: Page, name: str, refresh: bool, *, at: str = "", scale: float = 1.0) -> None:
    """at: what the picture begins with; the screen's top without it."""
    if at:
        page.locator(at).evaluate("one => one.scrollIntoView({block: 'start'})")
    path = CREEKSIDE / f"{name}.png"
    digest = hashlib.sha256(_shown(page).encode()).hexdigest()
    if refresh:
        path.write_bytes(_small(page.screenshot(), digest, scale))
    with Image.open(path) as kept:
        assert kept.info[MADE_OF] == digest, f"{path.name} shows an earlier version: --refresh-golden"
        assert kept.size == (2 * PHONE[0], 2 * PHONE[1])
    assert path.stat().st_size < MOST_BYTES


def _shown(page: Page) -> str:
    """Words and drawings, without what differs from one visit to the next."""
    drawings = page.locator("svg").evaluate_all("all => all.map(one => one.outerHTML)")
    return "\n".join([page.inner_text("body"), *drawings])


def _small(shot: bytes, digest: str, scale: float) -> bytes:
    """In 64 colours, of which letters and lines need few."""
    with Image.open(io.BytesIO(shot)) as whole:
        size = (round(whole.width * scale), round(whole.height * scale))
        few = whole.convert("RGB").resize(size, Image.Resampling.LANCZOS).quantize(64)
    said = PngInfo()
    said.add_text(MADE_OF, digest)
    packed = io.BytesIO()
    few.save(packed, "png", optimize=True, pnginfo=said)
    return packed.getvalue()
