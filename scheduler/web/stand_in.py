"""Plain screens in place of those that are not drawn yet."""

from __future__ import annotations

import json
from html import escape
from typing import Any

from scheduler.html.screens.frame import Frame


def plain(name: str, values: Any, frame: Frame) -> str:
    inside = escape(json.dumps(values, default=str, indent=1))
    return f"<!doctype html><title>{name}</title><h1>{name}</h1>{escape(frame.told or '')}<pre>{inside}</pre>"
