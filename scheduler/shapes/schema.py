"""The JSON Schema (draft 2020-12) of all pages, made from their types."""

from __future__ import annotations

import types
import typing
from typing import Annotated, Literal, Union, get_args, get_origin, get_type_hints, is_typeddict

from scheduler.shapes.bucket import BucketPage
from scheduler.shapes.changeover import ChangeoverPage
from scheduler.shapes.check import CheckPage
from scheduler.shapes.crops import CropsPage
from scheduler.shapes.day import DayPage, ScheduleFile, TodayFile
from scheduler.shapes.history import HistoryPage
from scheduler.shapes.log import LogPage
from scheduler.shapes.notes import NotesPage
from scheduler.shapes.parts import PartsPage
from scheduler.shapes.phones import PhonesPage
from scheduler.shapes.report import ReportPage
from scheduler.shapes.season import SeasonPage
from scheduler.shapes.selfcheck import SelfcheckPage
from scheduler.shapes.study import StudyPage
from scheduler.shapes.valves import ValveTestPage
from scheduler.shapes.weather import WeatherPage
from scheduler.shapes.week import WeekPage
from scheduler.shapes.working import WhyPage

Schema = dict[str, object]
DRAFT = "https://json-schema.org/draft/2020-12/schema"
FILE = "pages.schema.json"
PAGES: dict[str, type] = {
    "today.json": TodayFile,
    "schedule.json": ScheduleFile,
    "bucket": BucketPage,
    "changeover": ChangeoverPage,
    "check": CheckPage,
    "crops": CropsPage,
    "day": DayPage,
    "history": HistoryPage,
    "log": LogPage,
    "morning": TodayFile,
    "note list": NotesPage,
    "page phones": PhonesPage,
    "parts": PartsPage,
    "report": ReportPage,
    "season": SeasonPage,
    "selfcheck": SelfcheckPage,
    "study": StudyPage,
    "valve-test": ValveTestPage,
    "weather": WeatherPage,
    "week": WeekPage,
    "why": WhyPage,
}
"""By file, or by the command whose --json prints it."""
_WRITTEN: dict[str, Schema] = {  # what the notes in Annotated stand for
    "day": {"type": "string", "format": "date"},
    "moment": {
        "type": "string",
        "format": "date-time",
        "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d[0-9:.]*[+-]\d\d:\d\d$",
    },
}
_PLAIN: dict[object, Schema] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    type(None): {"type": "null"},
}


def schema(*, closed: bool = False) -> Schema:
    """Every page under $defs by the name of its type; `pages` says which file or command has which.

    closed: for tests, where a key that no type names is a fault.  To those who read the files more keys may
    come.
    """
    defs: dict[str, Schema] = {}
    pages = {name: _of(page, defs, closed=closed) for name, page in PAGES.items()}
    return {
        "$schema": DRAFT,
        "title": "Pages of rowwater",
        "description": "Files and --json output; SI units, the unit in each name. More keys may come.",
        "pages": pages,
        "$defs": dict(sorted(defs.items())),
    }


def page_schema(name: str, *, closed: bool = False) -> Schema:
    """Of one file or command: `page_schema("day")`."""
    defs: dict[str, Schema] = {}
    return {"$schema": DRAFT, **_of(PAGES[name], defs, closed=closed), "$defs": defs}


def _of(kind: object, defs: dict[str, Schema], *, closed: bool) -> Schema:
    origin, args = get_origin(kind), get_args(kind)
    if origin is None and kind in _PLAIN:
        return dict(_PLAIN[kind])
    if origin is Annotated:
        return dict(_WRITTEN[args[1]])
    if origin is Literal:
        return {"enum": list(args)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_of(one, defs, closed=closed) for one in args]}
    if origin is list:
        return {"type": "array", "items": _of(args[0], defs, closed=closed)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _of(args[1], defs, closed=closed)}
    if not (isinstance(kind, type) and is_typeddict(kind)):
        raise TypeError(f"no JSON Schema for {kind}")
    if kind.__name__ not in defs:
        defs[kind.__name__] = {}  # its place, should it hold itself
        defs[kind.__name__] = _object(kind, defs, closed=closed)
    return {"$ref": f"#/$defs/{kind.__name__}"}


def _object(kind: type, defs: dict[str, Schema], *, closed: bool) -> Schema:
    hints = get_type_hints(kind, include_extras=True)
    needed = {name for name, hint in hints.items() if get_origin(hint) is not typing.NotRequired}
    inner = {name: hint if name in needed else get_args(hint)[0] for name, hint in hints.items()}
    made: Schema = {"type": "object"}
    if doc := kind.__doc__:
        made["description"] = " ".join(doc.split())
    made["properties"] = {name: _of(hint, defs, closed=closed) for name, hint in inner.items()}
    made["required"] = [name for name in hints if name in needed]
    if closed:
        made["additionalProperties"] = False
    return made
