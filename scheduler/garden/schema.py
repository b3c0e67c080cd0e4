"""The JSON Schemas of garden.yaml and crops.yaml, made from the blocks."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import yaml
from pydantic import BaseModel

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.complaints import inner_model, is_list, is_names, keys_of
from scheduler.garden.crop_blocks import CropsFile
from scheduler.garden.starter import example_of

_DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of garden.yaml; what takes two values to judge is not in it."""
    return _schema_of(GardenBlock, "garden.yaml")


def crops_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of crops.yaml."""
    return _schema_of(CropsFile, "crops.yaml")


def _schema_of(model: type[BaseModel], title: str) -> dict[str, Any]:
    made = _tidied(model.model_json_schema(by_alias=True))
    blocks = {block.__name__: block for block in _blocks_of(model)}
    for name, block in blocks.items():
        if name in made.get("$defs", {}):
            made["$defs"][name] = _with_rules(made["$defs"][name], block)
    return {"$schema": _DRAFT, **made, "title": title}


def _blocks_of(model: type[BaseModel]) -> set[type[BaseModel]]:
    found = {model}
    for info in model.model_fields.values():
        if inner := inner_model(info.annotation):
            found |= _blocks_of(inner)
    return found


def _with_rules(made: dict[str, Any], block: type[BaseModel]) -> dict[str, Any]:
    for key in getattr(block, "may_be_empty", ()):
        made["properties"][key]["type"] = [made["properties"][key]["type"], "null"]
    if one_of := getattr(block, "one_of", ()):
        made = {**made, "oneOf": [{"required": [key]} for key in one_of]}
    if getattr(block, "or_two", False):
        return {"anyOf": [made, {"type": "array", "items": made, "minItems": 1, "maxItems": 2}]}
    if words := getattr(block, "words", None):
        alone = [*words, *(value for word, value in _BOOLEANS.items() if word in words)]
        return {"anyOf": [made, {"enum": alone}]}
    if getattr(block, "short_is_list", False):
        return {"anyOf": [made, made["properties"][block.short_for]]}  # type: ignore[attr-defined]  # garden.Block
    if getattr(block, "short_for", None):
        return {"anyOf": [made, {"type": ["string", "integer"]}]}
    return made


_BOOLEANS = {"off": False, "on": True}
"""As editors read the words."""


def _tidied(node: Any) -> Any:
    """Without what pydantic adds for itself; examples as the values that they stand for."""
    if isinstance(node, list):
        return [_tidied(item) for item in node]
    if not isinstance(node, dict):
        return node
    tidy = {key: _tidied(value) for key, value in node.items() if key not in _PYDANTIC_ONLY}
    if "examples" in tidy:
        tidy["examples"] = [_value(example) for example in tidy["examples"]]
    options = tidy.get("anyOf", [])
    if {"type": "null"} in options and "$ref" not in json.dumps(options):  # a block may be empty, a value not
        options.remove({"type": "null"})
        if len(options) == 1:
            del tidy["anyOf"]
            return {**options[0], **tidy}
    return tidy


_PYDANTIC_ONLY = frozenset({"title", "default"})


def _value(example: Any) -> Any:
    """What YAML 1.2, as editors read it, makes of an example: dates stay text."""
    if not isinstance(example, str):
        return example
    loaded = yaml.safe_load(example)
    return json.loads(json.dumps(loaded, default=str))


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of garden.yaml, for the README's table."""

    path: str  # "zones.NAME.rows.length"
    help: str
    example: str
    required: bool


def settings(model: type[BaseModel] = GardenBlock, prefix: str = "") -> Iterator[Setting]:
    """Every setting, in the order of the starter; blocks come before what is in them."""
    for key, info in keys_of(model).items():
        path = f"{prefix}{key}"
        yield Setting(path, str(info.description), example_of(info), info.is_required())
        if inner := inner_model(info.annotation):
            item = ".NAME." if is_names(info.annotation) else "[]." if is_list(info.annotation) else "."
            yield from settings(inner, path + item)
