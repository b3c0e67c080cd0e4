"""What cannot be shown or done: what, why, and what to do next."""

from __future__ import annotations

from scheduler.html.screens.frame import Frame, render


def sorry(what: str, frame: Frame, *, hint: str | None = None) -> str:
    """what: in a line, such as "no zone okra in this garden"; hint: what to do next.

    Not paired (`frame.phone` None): nothing of the garden is shown but what these say.
    """
    return render("sorry.html", frame, what=what, hint=hint)
