"""A picture as a file of its own."""

from __future__ import annotations

from scheduler.drawings import paint

GROUND = "svg { background: var(--paper); }\n"


def whole_svg(picture: str) -> str:
    """With its paint in it, light or dark as who looks at it has set."""
    return _with_style(picture, GROUND + paint.css())


def svg_for_paper(picture: str) -> str:
    """Light, and for what knows no variables."""
    return _with_style(picture, paint.css_for_paper())


def _with_style(picture: str, style: str) -> str:
    head, rest = picture.split(">", 1)
    return f"{head}><style>{style}</style>{rest}"
