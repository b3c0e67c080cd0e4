"""The base of the models of garden.yaml's blocks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, PrivateAttr, model_validator

from scheduler.garden.complaints import inner_model, keys_of
from scheduler.garden.nodes import NOTHING, At
from scheduler.garden.reads import Reads
from scheduler.nearest import did_you_mean
from scheduler.units import shown

_ALSO_OFF_AND_ON = {"no": "off", "false": "off", "yes": "on", "true": "on"}


class Block(BaseModel):
    """Base of the models: unknown keys are errors, and each block knows where it stands in its file."""

    model_config = ConfigDict(extra="forbid", strict=True)
    may_be_empty: ClassVar[frozenset[str]] = frozenset()
    short_for: ClassVar[str | None] = None
    """The key that a plain text instead of a mapping stands for: `gpio: 17` is `gpio: {pin: 17}`."""
    short_is_list: ClassVar[bool] = False
    """A list stands for it, no text: `command: [relay, a]` is `command: {run: [relay, a]}`."""
    words: ClassVar[Mapping[str, Mapping[str, Any]]] = {}
    """Words that may stand instead of a mapping, each with the keys it stands for: `settle: off`."""
    _at: At = PrivateAttr(default=())
    _off: bool = PrivateAttr(default=False)

    @property
    def off(self) -> bool:
        """Whether the word "off" stands in its place."""
        return self._off

    @property
    def at(self) -> At:
        """Where the block stands in its file."""
        return self._at

    @model_validator(mode="wrap")
    @classmethod
    def _remember(cls, value: Any, handler: Any) -> Any:
        at = getattr(value, "at", ())
        word = cls._word(value) if cls.words and isinstance(value, str) else None
        if word is not None:
            value = cls.words[word]
        elif cls.short_for and isinstance(value, list if cls.short_is_list else str | int | float):
            value = {cls.short_for: value}
        elif cls.short_for and cls.short_is_list and not isinstance(value, dict):
            cls._reads(cls.short_for).read(value, "metric")  # says what list is expected
        elif isinstance(value, dict) and NOTHING in value.values():
            value = {key: v for key, v in value.items() if v is not NOTHING or not cls._left_empty(key)}
        block = handler(value)
        block._at = at
        block._off = word == "off"
        return block

    @classmethod
    def _word(cls, typed: str) -> str:
        word = " ".join(typed.casefold().split())
        word = _ALSO_OFF_AND_ON.get(word, word) if "off" in cls.words else word
        if word not in cls.words:
            either = f"neither {' nor '.join(cls.words)}, nor keys ({', '.join(keys_of(cls))})"
            hint = did_you_mean(word, cls.words, "")
            raise ValueError(f"{shown(typed)} is {either}{hint and f' - {hint}'}")
        return word

    @classmethod
    def _reads(cls, key: str) -> Reads:
        return next(one for one in cls.model_fields[key].metadata if isinstance(one, Reads))

    @classmethod
    def _left_empty(cls, key: str) -> bool:
        """A block whose keys are all commented out is as good as absent."""
        found = keys_of(cls).get(key)
        if found is None or found.is_required():
            return False
        return key in cls.may_be_empty or inner_model(found.annotation) is not None


SomeBlock = TypeVar("SomeBlock", bound=Block)


def with_changes(base: SomeBlock | None, change: SomeBlock) -> SomeBlock:
    """`base` with the fields that `change` gives."""
    if base is None:
        return change
    given = {key: value for key in change.model_fields_set if (value := getattr(change, key)) is not None}
    return base.model_copy(update=given)
