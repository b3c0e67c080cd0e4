"""The pictures in the README show what the example's screens show: made here, and told when they are old.

`pytest tests/browser/test_screenshots.py --refresh-golden` makes them anew. Letters differ from machine to
machine: what is compared is words and drawings, whose digest is kept in the picture. Nor does the solver find
the same plan on every one: the digest is of the screens after plain steps, the picture of what
examples/first-morning.sh shows.
"""

from __future__ import annotations

import hashlib
import io
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def screens(grower: Grower, browser: Browser, *, solver: bool) -> Iterator[tuple[Page, str]]:
    """A paired phone, and the page's address."""
    shutil.rmtree(grower.data, ignore_errors=True)
    with pytest.MonkeyPatch.context() as patch:
        if solver:
            patch.delitem(sys.modules, "highspy")
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
    grower: Grower, browser: Browser, request: pytest.FixtureRequest
) -> None:
    shots: dict[str, bytes] = {}
    if request.config.getoption("--refresh-golden"):
        with screens(grower, browser, solver=True) as (page, url):
            for name, scale in _screens_of(page, url):
                shots[name] = _small(page.screenshot(), scale)
    with screens(grower, browser, solver=False) as (page, url):
        for name, _ in _screens_of(page, url):
            _compare(page, name, shots.get(name))


def _screens_of(page: Page, url: str) -> Iterator[tuple[str, float]]:
    """The page stands at each in turn: its name, and the scale of its picture."""
    page.goto(f"{url}/")
    yield "today", 1.0
    page.goto(f"{url}/zone/beans")
    page.locator("#season").evaluate("one => one.scrollIntoView({block: 'start'})")
    yield "zone", 1.0
    page.set_viewport_size({"width": 720, "height": 1480})
    page.goto((CREEKSIDE / "report.html").as_uri())
    yield "report", 0.5


def _compare(page: Page, name: str, shot: bytes | None) -> None:
    """shot: the picture is to be made anew of it."""
    path = CREEKSIDE / f"{name}.png"
    digest = hashlib.sha256(_shown(page).encode()).hexdigest()
    if shot is not None:
        path.write_bytes(_signed(shot, digest))
    with Image.open(path) as kept:
        assert kept.info[MADE_OF] == digest, f"{path.name} shows an earlier version: --refresh-golden"
        assert kept.size == (2 * PHONE[0], 2 * PHONE[1])
    assert path.stat().st_size < MOST_BYTES


def _shown(page: Page) -> str:
    """Words and drawings, without what differs from one visit to the next."""
    drawings = page.locator("svg").evaluate_all("all => all.map(one => one.outerHTML)")
    return "\n".join([page.inner_text("body"), *drawings])


def _small(shot: bytes, scale: float) -> bytes:
    """In 64 colours, of which letters and lines need few."""
    packed = io.BytesIO()
    with Image.open(io.BytesIO(shot)) as whole:
        size = (round(whole.width * scale), round(whole.height * scale))
        whole.convert("RGB").resize(size, Image.Resampling.LANCZOS).quantize(64).save(packed, "png")
    return packed.getvalue()


def _signed(shot: bytes, digest: str) -> bytes:
    said, packed = PngInfo(), io.BytesIO()
    said.add_text(MADE_OF, digest)
    with Image.open(io.BytesIO(shot)) as whole:
        whole.save(packed, "png", optimize=True, pnginfo=said)
    return packed.getvalue()
