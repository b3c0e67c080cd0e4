"""Plain screens in place of those that are not drawn yet."""

from __future__ import annotations

import json
from html import escape
from typing import Any

from scheduler.html.screens.frame import Frame


def plain(name: str, values: Any, frame: Frame) -> str:
    hidden = "".join(
        f'<input type="hidden" name="{key}" value="{escape(value)}">'
        for key, value in {"csrf": frame.csrf, "once": "" if name == "sorry" else frame.once()}.items()
    )
    inside = f"<pre>{escape(json.dumps(values, default=str, indent=1))}</pre>"
    if name == "pair":
        inside += (
            f'<form method="post" action="/pair">{hidden}<input name="code" value="{escape(values["code"])}">'
            '<input name="name"><button>Pair</button></form>'
        )
    if name == "confirm":
        inside += (
            f'<form method="post" action="/do/water">{hidden}'
            f'<input name="zone" value="{escape(values["zone"])}">'
            f'<input name="minutes" value="{values["minutes"]}"><button>Water</button></form>'
        )
    return f"<!doctype html><title>{name}</title><h1>{name}</h1>{escape(frame.told or '')}{inside}"
