"""What pydantic complains of, in the grower's words; and what a block's model says of its keys."""

from __future__ import annotations

from functools import cache
from typing import Any, get_args, get_origin

from pydantic import BaseModel, RootModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from scheduler.garden.nodes import NOTHING, At
from scheduler.nearest import did_you_mean
from scheduler.units import shown


@cache
def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys of a block as they are written in the file."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def complaint_of(model: type[BaseModel], error: ErrorDetails) -> str:
    """One error of pydantic as the grower is told it."""
    at, value = error["loc"], error["input"]
    match error["type"]:
        case "value_error":
            return str(error["ctx"]["error"])
        case "extra_forbidden":
            return _unknown_key(str(at[-1]), value, _block_at(model, at[:-1]))
        case "missing":
            block = _block_at(model, at[:-1])
            info = keys_of(block).get(str(at[-1])) if block else None
            example = info.examples[0] if info and info.examples else "..."
            return f'missing - for example "{at[-1]}: {example}"'
        case "model_type" | "dict_type" | "model_attributes_type":
            block = _block_at(model, at)
            known = f" ({', '.join(list(keys_of(block))[:6])}, ...)" if block else ""
            return f"{_what(value)} where keys are expected{known}"
        case "list_type":
            return f'{_what(value)} where a list is expected, each line with a "-" in front'
    return str(error["msg"])


def _what(value: Any) -> str:
    if value is NOTHING:
        return "nothing"
    if isinstance(value, dict):
        return "keys"
    return "a list" if isinstance(value, list) else shown(value)


def _unknown_key(key: str, value: Any, block: type[BaseModel] | None) -> str:
    if key[:1].isdigit() and value is NOTHING:
        return "a comma inside {...} ends the value before it - put a number like 1,500 in quotes"
    known = keys_of(block) if block else {}
    hint = did_you_mean(key, known, f"known here: {', '.join(known)}")
    return f"unknown key - {hint}"


def inner_model(annotation: Any) -> type[BaseModel] | None:
    """The block in a field's annotation; None where the field holds a plain value."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := inner_model(arg))), None)


def is_names(annotation: Any) -> bool:
    """True for name -> block, as in zones."""
    return get_origin(annotation) is dict or any(is_names(arg) for arg in get_args(annotation))


def is_list(annotation: Any) -> bool:
    """Whether a field holds a list, as an annotation says."""
    return get_origin(annotation) is list or any(is_list(arg) for arg in get_args(annotation))


def _block_at(model: type[BaseModel], at: At) -> type[BaseModel] | None:
    block, named = model, issubclass(model, RootModel)
    if named:
        block = inner_model(model.model_fields["root"].annotation) or model
    for step in at:
        if isinstance(step, int) or named:
            named = False
            continue
        info = keys_of(block).get(step)
        inner = inner_model(info.annotation) if info else None
        if info is None or inner is None:
            return None
        block, named = inner, is_names(info.annotation)
    return None if named else block
