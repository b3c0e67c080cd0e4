"""What keeps a value that was read from being a page of a given type."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Literal, NotRequired, Union, get_args, get_origin, get_type_hints, is_typeddict

_NAMES = {str: "text", bool: "true or false", int: "a whole number", float: "a number", type(None): "null"}


def fault(value: object, kind: object, at: str = "") -> str | None:
    """The first thing in `value` that is not as `kind` has it, such as "zones[0].crop is missing"; or None.

    >>> from scheduler.shapes.base import UnmetLine
    >>> fault({"zone": "beans", "why": "no flow left"}, UnmetLine)
    'net_mm is missing'
    >>> fault({"zone": "beans", "net_mm": "much", "why": ""}, UnmetLine)
    'net_mm is not a number'
    """
    return next(_faults(value, kind, at), None)


def _faults(value: object, kind: object, at: str) -> Iterator[str]:
    origin, args = get_origin(kind), get_args(kind)
    if origin is Annotated:
        yield from _faults(value, args[0], at)
    elif origin in (Union, types.UnionType):
        if all(fault(value, one) for one in args):
            yield from _faults(value, args[0], at)
    elif origin is Literal:
        if value not in args:
            yield f"{at or 'it'} is none of {', '.join(map(str, args))}"
    elif origin is list:
        yield from _items(value, args[0], at)
    elif origin is dict:
        yield from _entries(value, args[1], at)
    elif is_typeddict(kind):
        yield from _keys(value, kind, at)
    elif not _is(value, kind):
        yield f"{at or 'it'} is not {_NAMES[kind]}"  # type: ignore[index]  # the plain types are left


def _items(value: object, kind: object, at: str) -> Iterator[str]:
    if not isinstance(value, list):
        yield f"{at or 'it'} is no list"
        return
    for number, item in enumerate(value):
        yield from _faults(item, kind, f"{at}[{number}]")


def _entries(value: object, kind: object, at: str) -> Iterator[str]:
    if not isinstance(value, dict):
        yield f"{at or 'it'} is no block"
        return
    for name, item in value.items():
        yield from _faults(item, kind, f"{at}.{name}" if at else str(name))


def _keys(value: object, kind: object, at: str) -> Iterator[str]:
    if not isinstance(value, dict):
        yield f"{at or 'it'} is no block"
        return
    for name, hint in get_type_hints(kind, include_extras=True).items():
        where = f"{at}.{name}" if at else name
        optional = get_origin(hint) is NotRequired
        if name in value:
            yield from _faults(value[name], get_args(hint)[0] if optional else hint, where)
        elif not optional:
            yield f"{where} is missing"


def _is(value: object, kind: object) -> bool:
    if kind is float:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, kind)  # type: ignore[arg-type]  # the plain types are left
