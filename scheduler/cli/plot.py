"""`--plot FILE`: a drawing as a file, of the kind that its name says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from scheduler.errors import BadInput, CouldNot

KINDS = (".svg", ".png", ".pdf")
SHARP = 2.5
"""Dots of a .png for each unit of the drawing: 1200 across."""


def plot_option(what: str) -> Callable[[click.decorators.FC], click.decorators.FC]:
    """The option; a name of another kind is refused before anything is worked out."""
    return click.option(
        "--plot", metavar="FILE", callback=_checked, help=f"draw {what} (.svg; .png and .pdf by cairosvg)"
    )


def _checked(_ctx: click.Context, _option: click.Parameter, value: str | None) -> Path | None:
    if value is None:
        return None
    if Path(value).suffix.lower() not in KINDS:
        raise BadInput(f"{value}: a plot is a .svg, a .png or a .pdf")
    return Path(value)


def write_plot(path: Path, picture: str) -> None:
    """CouldNot where there is nothing to draw, or for want of what makes the other kinds."""
    from scheduler.disk import write_atomic

    if not picture:
        raise CouldNot(f"nothing to draw: {path} was not written")
    write_atomic(path, _content(path, picture))
    click.echo(f"wrote {path}", err=True)


def _content(path: Path, picture: str) -> str | bytes:
    from scheduler.drawings.file import svg_for_paper, whole_svg

    kind = path.suffix.lower()
    if kind == ".svg":
        return whole_svg(picture)
    try:
        import cairosvg
    except (ImportError, OSError):  # OSError: the library in C is missing
        raise CouldNot(
            f"a {kind} needs cairosvg, which is not installed; a .svg needs nothing",
            hint="pip install 'rowwater[plot]' and, on Debian, apt install libcairo2",
        ) from None
    make = cairosvg.svg2png if kind == ".png" else cairosvg.svg2pdf
    found: bytes = make(bytestring=svg_for_paper(picture).encode(), background_color="white", scale=SHARP)
    return found
