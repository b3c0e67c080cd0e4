"""The files that screens link to: styles and one small script, shipped with the program."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from scheduler.drawings import paint

NAMES = ("style.css", "live.js")


@cache
def static_file(name: str) -> tuple[bytes, str]:
    """Its bytes and media type; LookupError for any name but those of NAMES."""
    if name == "style.css":
        return (paint.css() + _shipped("common.css") + _shipped(name)).encode(), "text/css; charset=utf-8"
    if name == "live.js":
        return _shipped(name).encode(), "text/javascript; charset=utf-8"
    raise LookupError(name)


def _shipped(name: str) -> str:
    return (files("scheduler.html") / "static" / name).read_text(encoding="utf-8")
