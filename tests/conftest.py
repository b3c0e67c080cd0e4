"""Options and fixtures shared by all tests."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# in CI the same cases each time: a new find belongs to whoever looks for one, not to an unrelated change
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--refresh-golden", action="store_true", help="write the golden files anew")
