"""What cannot be shown or done: what, and what to do next."""

from __future__ import annotations

from typing import TypedDict

from scheduler.html.screens.frame import Frame, render


class Trouble(TypedDict):
    """status: of HTTP."""

    status: int
    text: str
    hint: str | None


def sorry(trouble: Trouble, frame: Frame) -> str:
    """Not paired (`frame.phone` None): nothing of the garden is shown but its name and what these say."""
    return render("sorry.html", frame, **trouble)
