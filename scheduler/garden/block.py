"""The base of the models of garden.yaml's blocks."""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, PrivateAttr, model_validator

from scheduler.garden.complaints import inner_model, keys_of
from scheduler.garden.nodes import NOTHING, At


class Block(BaseModel):
    """Base of the models: unknown keys are errors, and each block knows where it stands in its file."""

    model_config = ConfigDict(extra="forbid", strict=True)
    may_be_empty: ClassVar[frozenset[str]] = frozenset()
    short_for: ClassVar[str | None] = None
    """The key that a plain text instead of a mapping stands for: `gpio: 17` is `gpio: {pin: 17}`."""
    _at: At = PrivateAttr(default=())

    @property
    def at(self) -> At:
        """Where the block stands in its file."""
        return self._at

    @model_validator(mode="wrap")
    @classmethod
    def _remember(cls, value: Any, handler: Any) -> Any:
        at = getattr(value, "at", ())
        if cls.short_for and isinstance(value, str | int | float):
            value = {cls.short_for: value}
        elif isinstance(value, dict) and NOTHING in value.values():
            value = {key: v for key, v in value.items() if v is not NOTHING or not cls._left_empty(key)}
        block = handler(value)
        block._at = at
        return block

    @classmethod
    def _left_empty(cls, key: str) -> bool:
        """A block whose keys are all commented out is as good as absent."""
        found = keys_of(cls).get(key)
        if found is None or found.is_required():
            return False
        return key in cls.may_be_empty or inner_model(found.annotation) is not None
