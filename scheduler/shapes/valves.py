"""`rowwater valve-test --json`: what was tried and seen."""

from __future__ import annotations

from typing import TypedDict


class ValveResult(TypedDict):
    """right_rows: what the grower saw; null: not asked."""

    zones: list[str]
    driver: str
    simulated: bool
    tried: bool
    right_rows: bool | None
    problem: str | None


class ValveTestPage(TypedDict):
    """`rowwater valve-test --json`."""

    valves: list[ValveResult]
