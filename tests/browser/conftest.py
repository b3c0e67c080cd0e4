"""One browser for the tests of a file: while it runs, nothing else of the process could run an event loop."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browser.chromium import chromium
from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found
