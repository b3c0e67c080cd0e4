"""What supply, tape, pressure and hours can carry, and the pressure along the rows."""

from __future__ import annotations

from markupsafe import Markup

from scheduler.drawings.pressure import pressure
from scheduler.html.screens.frame import Frame, render
from scheduler.shapes.check import CheckPage, ProblemLine


def check(page: CheckPage, frame: Frame) -> str:
    """page: `rowwater check --offline --json`."""
    return render(
        "check.html",
        frame,
        page=page,
        picture=Markup(pressure("pressure", page["zones"], frame.display)),
        problems=_together(page["problems"]),
    )


def _together(problems: list[ProblemLine]) -> list[tuple[ProblemLine, list[str]]]:
    """The same of several zones once, with their names."""
    found: dict[tuple[str, str, str], tuple[ProblemLine, list[str]]] = {}
    for problem in problems:
        key = (problem["level"], problem["text"], problem["mend"])
        _, zones = found.setdefault(key, (problem, []))
        zones += [problem["zone"]] if problem["zone"] else []
    return list(found.values())
