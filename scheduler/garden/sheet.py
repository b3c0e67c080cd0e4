"""One YAML file as blocks: `Sheet.check` runs a pydantic model over its nodes.

Each of pydantic's errors becomes `file:line: key: what is expected`; what is wrong is then left out, so that
the rest can be checked further in the same pass.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from scheduler.garden.complaints import complaint_of
from scheduler.garden.nodes import (
    MOST_BYTES,
    MOST_DEPTH,
    NOTHING,
    At,
    Broken,
    Keys,
    Node,
    Word,
    composed,
    decoded,
)

MOST_COMPLAINTS = 200
AnyBlock = TypeVar("AnyBlock", bound=BaseModel)
_EMPTY_WORDS = {"", "~", "null", "Null", "NULL"}


class Sheet:
    """One YAML file: where everything stands in it, and what is wrong with it."""

    def __init__(self, data: bytes | str, name: str) -> None:
        self.name = name
        self.broken = False  # not even YAML: there is no use in looking further
        self._complaints: list[tuple[int, str, str | None]] = []  # line, text, where else it was typed
        self._root: Node | None = None
        self._put: dict[At, str] = {}
        try:
            size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
            if size > MOST_BYTES:
                raise Broken(1, f"larger than {MOST_BYTES // 1_000_000} MB - not a garden's file")
            text = decoded(data) if isinstance(data, bytes) else data.removeprefix("\ufeff")
            self._root = composed(text, self._complain_on)
        except Broken as error:
            self.broken = True
            self._complaints = [(error.line, error.text, None)]

    @property
    def complaints(self) -> list[str]:
        """`file:line: key: text`, in order of lines; a flood is cut short."""
        found = list(dict.fromkeys(sorted(self._complaints, key=lambda complaint: complaint[0])))
        lines = [f"{where or f'{self.name}:{line}'}: {text}" for line, text, where in found[:MOST_COMPLAINTS]]
        return lines if len(lines) == len(found) else [*lines, f"{self.name}: and more"]

    @property
    def flooded(self) -> bool:
        """More complaints than anybody will read: there is no use in looking for others."""
        return len(self._complaints) > MOST_COMPLAINTS

    @property
    def is_empty(self) -> bool:
        """Nothing but comments, or nothing at all."""
        return self._root is None or (isinstance(self._root.value, Word) and self._root.value == "")

    def complain(self, at: At, text: str) -> None:
        """Adds a complaint about what stands at `at`."""
        self._complain_on(at, self.line(at), text)

    def _complain_on(self, at: At, line: int, text: str) -> None:
        path = self.path(at)
        self._complaints.append((line, f"{path}: {text}" if path else text, self._typed_at(at)))

    def put(self, at: At, node: Node, where: str, *, instead_of: Iterable[str] = ()) -> None:
        """Sets what stands at `at`, typed at `where`, and takes away its neighbours `instead_of`.

        What holds it is a mapping or a list; one that is not there yet is made.
        """
        assert self._root is not None
        holder = self._root = _copy(self._root)  # an alias elsewhere keeps what it stood for
        for step in at[:-1]:
            below = _below(holder, step)
            has_steps = below is not None and not isinstance(below.value, Word)
            copy = _copy(below) if below is not None and has_steps else Node(holder.line, {})
            _set(holder, step, copy)
            holder = copy
        _set(holder, at[-1], node)
        if isinstance(holder.value, dict):
            for key in instead_of:
                holder.value.pop(key, None)
        self._put[at] = where

    def complain_of_put(self, where: str, text: str) -> None:
        """Adds a complaint about what was typed at `where`, and could not be put."""
        self._complaints.append((0, text, where))

    def _typed_at(self, at: At) -> str | None:
        """Where the value at `at`, or what holds it, was put from; None for what the file says."""
        return next((self._put[at[:n]] for n in range(len(at), 0, -1) if at[:n] in self._put), None)

    @property
    def complaints_of_put(self) -> list[str]:
        """Those about what was put, in the order of the lines."""
        return list(dict.fromkeys(f"{where}: {text}" for _, text, where in self._complaints if where))

    def line(self, at: At) -> int:
        """The line of the key or list item at `at`, or of the nearest thing that holds it."""
        node, line = self._root, 1
        for step in at:
            below = _below(node, step)
            if node is None or below is None:
                break
            line, node = node.key_lines.get(str(step), below.line), below
        return line

    def _reach(self, at: At) -> At:
        """`at` without what lies inside a plain text: `gpio: on` has no key `pin`."""
        node = self._root
        for i, step in enumerate(at):
            if node is not None and isinstance(node.value, Word):
                return at[:i]
            node = _below(node, step)
        return at

    def path(self, at: At) -> str:
        """Such as "zones.tomatoes.plantings[2].crop"; list items are counted from 1."""
        parts = [f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in at]
        text = " ".join("".join(parts).removeprefix(".").split())
        return text if len(text) <= 200 else text[:197] + "..."

    def keys_at(self, at: At = ()) -> Mapping[str, Any]:
        """The keys of the mapping at `at`; none where there is no mapping."""
        node = self._root
        for step in at:
            node = _below(node, step)
        return node.value if node is not None and isinstance(node.value, dict) else {}

    def text_at(self, at: At) -> str:
        """What stands at `at`, as YAML in one line."""
        node = self._root
        for step in at:
            node = _below(node, step)
        return "" if node is None else flow_text(node)

    def length_at(self, at: At) -> int:
        """How many items the list at `at` has; 0 where there is no list."""
        node = self._root
        for step in at:
            node = _below(node, step)
        return len(node.value) if node is not None and isinstance(node.value, list) else 0

    def filled(self, at: At = ()) -> set[str]:
        """The keys of the mapping at `at` that have a value."""
        return {key for key, node in self.keys_at(at).items() if _plain(node, ()) is not NOTHING}

    def word(self, key: str) -> str | None:
        """The scalar of a key at the top."""
        node = self.keys_at().get(key)
        return str(node.value) if node is not None and isinstance(node.value, Word) else None

    def check(
        self, model: type[AnyBlock], context: Mapping[str, Any], stand_ins: Mapping[str, Any] | None = None
    ) -> AnyBlock | None:
        """The file as `model`; complains about what does not fit, and leaves it out of what it returns.

        `stand_ins` take the place of top keys that are missing or wrong, so that the others can be looked at
        further.  None where nothing is left to look at.
        """
        if self._root is None or self.is_empty:
            return None
        raw = _plain(self._root, ())
        complained = False
        for _ in range(MOST_DEPTH):
            try:
                return model.model_validate(raw, context=context)
            except ValidationError as error:
                errors = error.errors(include_url=False)
            if not complained:
                for e in errors[: MOST_COMPLAINTS + 1]:
                    self.complain(self._reach(e["loc"]), complaint_of(model, e))
                complained = True
            if self.flooded or not isinstance(raw, Keys):
                return None
            raw = _without(raw, [_to_drop(raw, e) for e in errors])
            for key, stand_in in (stand_ins or {}).items():
                raw.setdefault(key, stand_in)
        return None


def _below(node: Node | None, step: str | int) -> Node | None:
    """One key or list item further down; None where there is no such thing."""
    if node is not None and isinstance(node.value, dict):
        return node.value.get(str(step))
    if node is not None and isinstance(node.value, list) and isinstance(step, int):
        return node.value[step]
    return None


def flow_text(node: Node) -> str:
    """A node as YAML in one line; quoted again what was quoted."""
    if isinstance(node.value, Word):
        return json.dumps(node.value, ensure_ascii=False) if node.value.quoted else str(node.value)
    if isinstance(node.value, list):
        return f"[{', '.join(map(flow_text, node.value))}]"
    return f"{{{', '.join(f'{key}: {flow_text(below)}' for key, below in node.value.items())}}}"


def _copy(node: Node) -> Node:
    """Another node that holds the same nodes."""
    value = node.value if isinstance(node.value, Word) else node.value.copy()
    return Node(node.line, value, dict(node.key_lines), node.size)


def _set(holder: Node, step: str | int, node: Node) -> None:
    if isinstance(holder.value, list):
        holder.value[int(step)] = node
    elif isinstance(holder.value, dict):
        holder.value[str(step)] = node
        holder.key_lines[str(step)] = node.line


def _plain(node: Node, at: At) -> Any:
    if isinstance(node.value, Word):
        return NOTHING if node.value in _EMPTY_WORDS and not node.value.quoted else node.value
    if isinstance(node.value, list):
        return [_plain(item, (*at, i)) for i, item in enumerate(node.value)]
    keys = Keys({key: _plain(value, (*at, key)) for key, value in node.value.items()})
    keys.at = at
    return keys


def _to_drop(raw: Any, error: ErrorDetails) -> At:
    """The smallest part of `raw` without which this error would not be."""
    steps = error["loc"][:-1] if error["type"] == "missing" else error["loc"]
    there: list[str | int] = []
    for step in steps:
        if isinstance(raw, dict) and step in raw:
            raw = raw[str(step)]
        elif isinstance(raw, list) and isinstance(step, int) and step < len(raw):
            raw = raw[step]
        else:
            break
        there.append(step)
    return tuple(there)


def _without(raw: Any, bad: Iterable[At]) -> Any:
    """A copy that lacks the parts at `bad`; the keys that are left still know where they stood."""
    below: dict[str | int, list[At]] = {}
    for at in bad:
        if at:
            below.setdefault(at[0], []).append(at[1:])
    if isinstance(raw, Keys):
        kept = Keys({k: _without(v, below.get(k, ())) for k, v in raw.items() if () not in below.get(k, ())})
        kept.at = raw.at
        return kept
    if isinstance(raw, list):
        return [_without(v, below.get(i, ())) for i, v in enumerate(raw) if () not in below.get(i, ())]
    return raw
