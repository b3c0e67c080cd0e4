"""`rowwater selfcheck --json`: published figures beside those of this machine."""

from __future__ import annotations

from typing import TypedDict


class FigureLine(TypedDict):
    """`text` has the digits that were printed, `within` what they allow; `why` where that is more.

    `ours` and `difference` are null where nothing came of it.
    """

    name: str
    printed: float
    text: str
    ours: float | None
    difference: float | None
    within: float
    why: str | None
    right: bool


class CaseLine(TypedDict):
    """`farthest`: index of the figure that comes nearest to being wrong; `failure`: why there are none."""

    case: str
    title: str
    right: bool
    failure: str | None
    farthest: int
    figures: list[FigureLine]


class SourceLine(TypedDict):
    source: str
    cases: list[CaseLine]


class MachineLine(TypedDict):
    """Versions that the figures come from; null where a library is not to be found."""

    rowwater: str | None
    python: str
    numpy: str | None
    pyet: str | None
    machine: str


class SelfcheckPage(TypedDict):
    """`rowwater selfcheck --json`."""

    machine: MachineLine
    right: bool
    figures: int
    wrong: int
    sources: list[SourceLine]
