"""Debian's Chromium, driven by Playwright: pages as a grower's phone or laptop shows them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

AXE = Path(__file__).parent / "axe" / "axe.min.js"
PHONE, LAPTOP = (360, 740), (1280, 800)
SIZES = (PHONE, LAPTOP)
Scheme = Literal["light", "dark"]
SCHEMES: tuple[Scheme, ...] = ("light", "dark")


@contextmanager
def chromium() -> Iterator[Browser]:
    """Without a Chromium the tests fail: a screen that nobody looked at must not pass."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "no chromium here: bash tests/run.sh installs it"
    rights = ["--no-sandbox"] if os.geteuid() == 0 else []  # its sandbox is not to be had as root
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=rights)
        try:
            yield browser
        finally:
            browser.close()


def context(
    browser: Browser, size: tuple[int, int] = PHONE, scheme: Scheme = "light", *, script: bool = True
) -> BrowserContext:
    made = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, java_script_enabled=script,
        reduced_motion="reduce", locale="en-US",
    )  # fmt: skip
    made.set_default_timeout(10_000)
    return made


def violations(page: Page) -> list[str]:
    """What axe-core finds wrong on the page as it stands, a line each."""
    if not page.evaluate("typeof axe == 'object'"):
        page.evaluate(AXE.read_text(encoding="utf-8"))
    found: dict[str, Any] = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {one['help']}: {node['html'][:160]}"
        for one in found["violations"]
        for node in one["nodes"]
    ]


def double_the_text(page: Page) -> None:
    """As a browser does that is set to letters of twice the size: what is measured in rem and em grows."""
    page.evaluate("document.documentElement.style.fontSize = '200%'")


def sticks_out(page: Page) -> list[str]:
    """Elements that make the page wider than the window; boxes that scroll may hold wide things."""
    found: list[str] = page.evaluate(
        """() => {
          const wide = document.documentElement.clientWidth, found = [];
          if (document.documentElement.scrollWidth <= wide) return found;
          for (const one of document.body.querySelectorAll('*')) {
            const box = one.getBoundingClientRect();
            if (box.right <= wide + 1) continue;
            found.push(one.tagName + ' ' + (one.textContent || '').trim().slice(0, 60));
          }
          return found.length ? found : ['the page itself'];
        }"""
    )
    return found
