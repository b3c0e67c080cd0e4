"""A phone that is not known yet: it asks for the code that the machine in the house shows."""

from __future__ import annotations

from scheduler.html.screens.frame import Frame, render


def pair(frame: Frame, *, code: str = "", wait: str | None = None) -> str:
    """code: as it came with the address (of the QR code).

    wait: why no code is taken just now, and until when; then nothing can be typed. Whether a code was wrong
    stands in the frame's `told`.
    """
    return render("pair.html", frame, code=code, wait=wait)
