"""The shipped report as a browser shows and prints it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browser.chromium import PHONE, SCHEMES, SIZES, Scheme, context, double_the_text, sticks_out, violations
from playwright.sync_api import Browser

REPORT = Path(__file__).parents[2] / "examples" / "creekside" / "report.html"


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES)
def test_it_can_be_read(browser: Browser, size: tuple[int, int], scheme: Scheme) -> None:
    with context(browser, size, scheme) as made:
        page = made.new_page()
        noise: list[str] = []
        page.on("console", lambda message: noise.append(message.text))
        page.on("request", lambda request: noise.append(request.url) if request.url[:5] != "file:" else None)
        page.goto(REPORT.as_uri())
        assert violations(page) == []
        assert sticks_out(page) == []
        page.get_by_text("The same in numbers").first.click()
        assert violations(page) == []
        double_the_text(page)
        assert sticks_out(page) == []
        assert noise == []


def test_keys_reach_what_scrolls_and_what_folds(browser: Browser) -> None:
    with context(browser, PHONE) as made:
        page = made.new_page()
        page.goto(REPORT.as_uri())
        reached = set()
        for _ in range(40):
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate(
                    "document.activeElement.getAttribute('aria-label') || document.activeElement.tagName"
                )
            )
        assert {"By zone", "Runs and tape", "SUMMARY", "beans, drawn"} <= reached


@pytest.mark.parametrize(("paper", "inner_mm"), [("Letter", 215.9 - 30), ("A4", 210 - 30)])
def test_it_prints(browser: Browser, paper: str, inner_mm: float) -> None:
    """ISO 216: A4 is 210 mm wide; ANSI/ASME Y14.1: Letter 8.5 in; 96 CSS pixels to the inch."""
    with context(browser, (int(inner_mm / 25.4 * 96), 900), "dark") as made:
        page = made.new_page()
        page.goto(REPORT.as_uri())
        page.emulate_media(media="print", color_scheme="dark")
        assert sticks_out(page) == []
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper, prefer_css_page_size=False)))
        assert 2 <= pages <= 6


def test_the_checks_themselves_find_faults(browser: Browser) -> None:
    with context(browser) as made:
        page = made.new_page()
        page.set_content(
            "<html lang=en><title>x</title><main><h1>x</h1><img src='data:,'>"
            "<p style='color: #bbb; background: #fff'>faint</p>"
            "<p style='width: 20rem'>twenty letters and more of it</p></main>"
        )
        assert {line.split(":")[0] for line in violations(page)} == {"image-alt", "color-contrast"}
        assert sticks_out(page) == []
        double_the_text(page)
        assert "P twenty letters and more of it" in sticks_out(page)
