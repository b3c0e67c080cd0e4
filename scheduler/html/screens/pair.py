"""A phone that is not known yet: it asks for the code that the machine in the house shows."""

from __future__ import annotations

from typing import TypedDict

from scheduler.html.screens.frame import Frame, render


class Stranger(TypedDict):
    """code: as it came with the address (of the QR code); why: what was wrong with the last try."""

    code: str
    why: str | None


def pair(stranger: Stranger, frame: Frame) -> str:
    return render("pair.html", frame, code=stranger["code"], why=stranger["why"])
