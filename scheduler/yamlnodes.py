"""One YAML file as nodes that know their line, with every scalar still the text that the grower typed.

The stream is read event by event, so that size, depth and aliases are limited before anything is built.
`Sheet.check` runs a pydantic model over the nodes and turns each of its errors into `file:line: key: what is
expected`; what is wrong is then left out, so that the rest can be checked further in the same pass.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache
from typing import Any, ClassVar, TypeVar, get_args, get_origin

import yaml
from pydantic import BaseModel, ConfigDict, PrivateAttr, RootModel, ValidationError, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from scheduler.units import shown

__all__ = ["NOTHING", "At", "Block", "Keys", "Sheet", "Word", "inner_model", "is_names", "keys_of", "nearest"]

MOST_BYTES = 1_000_000
MOST_DEPTH = 50
MOST_NODES = 30_000  # as typed; a garden of a dozen zones has about 1,000
MOST_EXPANDED = 100_000  # with every alias written out
MOST_COMPLAINTS = 200

At = tuple[str | int, ...]
"""Where a value stands: keys, and places in lists from 0."""
AnyBlock = TypeVar("AnyBlock", bound=BaseModel)

_LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)  # both leave every scalar as text
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
_EMPTY_WORDS = {"", "~", "null", "Null", "NULL"}


class Word(str):
    """A scalar as typed."""

    __slots__ = ("cut_off", "quoted")
    quoted: bool
    cut_off: str | None  # "#3" of `row #3`, which YAML takes for a comment


class Keys(dict[str, Any]):
    """A mapping that knows where it stands."""

    __slots__ = ("at",)
    at: At


class _Nothing:
    """What `kc:` without a value is; not None, so that no optional setting takes it unseen."""

    def __repr__(self) -> str:
        return "nothing"


NOTHING = _Nothing()


class Block(BaseModel):
    """Base of the models: unknown keys are errors, and each block knows where it stands in its file."""

    model_config = ConfigDict(extra="forbid", strict=True)
    may_be_empty: ClassVar[frozenset[str]] = frozenset()
    short_for: ClassVar[str | None] = None
    """The key that a plain text instead of a mapping stands for: `gpio: 17` is `gpio: {pin: 17}`."""
    _at: At = PrivateAttr(default=())

    @property
    def at(self) -> At:
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


# --- from text to nodes --------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Node:
    line: int
    value: Word | dict[str, _Node] | list[_Node]
    key_lines: dict[str, int] = field(default_factory=dict)
    size: int = 1  # itself and all below, aliases written out
    pending: tuple[str, int] | None = None  # while open: the key that waits for its value, and its line
    open: bool = False


class _Broken(Exception):
    """The file cannot be read any further."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line = line
        self.text = text


def _decoded(data: bytes) -> str:
    start = data[:400]
    nuls = sorted((start[::2].count(0), start[1::2].count(0)))
    if start.startswith((b"\xff\xfe", b"\xfe\xff")) or (nuls[1] > len(start) / 4 > 4 * nuls[0]):
        raise _Broken(1, "saved as UTF-16 - save the file as UTF-8")
    if 0 in start:
        raise _Broken(1, "not a text file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _Broken(line, "a letter that is not UTF-8 (Latin-1?) - save the file as UTF-8") from None


def _composed(text: str, complain: Callable[[At, int, str], None]) -> _Node | None:
    """The nodes of the only document in `text`, None where it is empty; raises _Broken."""
    if found := _UNPRINTABLE.search(text):
        line = text.count("\n", 0, found.start()) + 1
        raise _Broken(
            line, f"a character that cannot be printed (U+{ord(found.group()):04X}) - not a text file?"
        )
    reader = _Reader(text.splitlines(), complain)
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            reader.take(event)
    except yaml.MarkedYAMLError as error:
        raise _in_our_words(error, reader) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        raise _Broken(1, "not valid YAML") from None
    return reader.root


class _Reader:
    """Builds nodes from events, within the limits."""

    def __init__(self, lines: list[str], complain: Callable[[At, int, str], None]) -> None:
        self.lines = lines
        self.root: _Node | None = None
        self._complain = complain
        self._stack: list[_Node] = []
        self._anchors: dict[str, _Node] = {}
        self._documents = 0
        self._typed = 0
        self._count = 0

    def take(self, event: yaml.Event) -> None:
        line = _line(event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                raise _Broken(line, 'a second document after "---" - one file holds one garden')
        elif isinstance(event, yaml.AliasEvent):
            known = self._known_as(str(event.anchor), line)
            self._weigh(known.size, line)
            self._add(known, line)
        elif isinstance(event, yaml.ScalarEvent):
            self._weigh(1, line)
            node = _Node(line, self._word(event, line))
            self._name(event.anchor, event.tag, node)
            self._add(node, line)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._weigh(1, line)
            if len(self._stack) >= MOST_DEPTH:
                raise _Broken(line, f"nested more than {MOST_DEPTH} levels deep")
            node = _Node(line, {} if isinstance(event, yaml.MappingStartEvent) else [], open=True)
            self._name(event.anchor, event.tag, node)
            self._stack.append(node)
        elif isinstance(event, yaml.CollectionEndEvent):
            node = self._stack.pop()
            node.open = False
            self._add(node, node.line)

    @property
    def open_line(self) -> int:
        """Where the innermost open list or mapping began."""
        return self._stack[-1].line if self._stack else 1

    def _weigh(self, nodes: int, line: int) -> None:
        self._typed += 1
        self._count += nodes
        if self._typed > MOST_NODES:
            raise _Broken(line, f"more than {MOST_NODES:,} values")
        if self._count > MOST_EXPANDED:
            raise _Broken(line, f"more than {MOST_EXPANDED:,} values, every alias written out")

    def _word(self, event: yaml.ScalarEvent, line: int) -> Word:
        if not event.value.isprintable() and _UNPRINTABLE.search(event.value):
            raise _Broken(line, "an escape for a character that cannot be printed")
        word = Word(event.value)
        word.quoted = bool(event.style)
        word.cut_off = None
        if not word.quoted and (end := event.end_mark) and end.line < len(self.lines):
            rest = self.lines[end.line][end.column :]
            found = re.match(r"\s+(#\d\S*)", rest) if "#" in rest else None
            word.cut_off = found.group(1) if found else None
        return word

    def _name(self, anchor: str | None, tag: str | None, node: _Node) -> None:
        if tag and tag != "!":
            raise _Broken(node.line, f"the tag {shown(tag)} is not understood - leave it out")
        if anchor:
            self._anchors[anchor] = node

    def _known_as(self, anchor: str, line: int) -> _Node:
        node = self._anchors.get(anchor)
        if node is None:
            raise _Broken(line, f'{shown("*" + anchor)} stands for nothing: no "&{anchor[:40]}" before it')
        if node.open:
            raise _Broken(line, f"{shown('*' + anchor)} stands inside what it stands for")
        return node

    def _add(self, node: _Node, line: int) -> None:
        if not self._stack:
            self.root = node
            return
        parent = self._stack[-1]
        if isinstance(parent.value, list):
            parent.value.append(node)
        elif isinstance(parent.value, dict):
            if parent.pending is None:
                parent.pending = (_key(node, line), line)
                return
            (key, line), parent.pending = parent.pending, None
            if key in parent.value:
                both = f"is given twice, on line {parent.key_lines[key]} and on line {line}"
                self._complain((*self._at(), key), line, both)
                return
            parent.value[key] = node
            parent.key_lines[key] = line
        parent.size += node.size

    def _at(self) -> At:
        """Where the innermost open collection stands."""
        steps: list[str | int] = []
        for node in self._stack[:-1]:
            steps.append(node.pending[0] if node.pending else len(node.value))
        return tuple(steps)


def _line(mark: Any) -> int:
    return int(mark.line) + 1 if mark else 1


def _key(node: _Node, line: int) -> str:
    if not isinstance(node.value, Word):
        raise _Broken(line, "a key must be one plain text")
    if node.value == "<<" and not node.value.quoted:
        raise _Broken(line, '"<<" (merging) is not understood - write the keys out')
    return str(node.value)


_MISFIT = "this line does not fit the ones above it - look at the indent, or at a quote"
_PROBLEMS: tuple[tuple[str, str], ...] = (
    ("mapping values are not allowed", 'a second ":" or a wrong indent - text that holds ": " needs quotes'),
    ("could not find expected ':'", 'a line without a ":" after its key'),
    ("escape character", "a backslash inside double quotes - use single quotes"),
    ("did not find expected key", _MISFIT),
    ("did not find expected '-'", 'a list and keys are mixed - look at the indent and the "-"'),
    ("expected <block end>", _MISFIT),
)  # fmt: skip


def _in_our_words(error: yaml.MarkedYAMLError, reader: _Reader) -> _Broken:
    mark, problem, context, lines = error.problem_mark, str(error.problem), str(error.context), reader.lines
    line = mark.line if mark else 0
    text = lines[line] if line < len(lines) else ""
    here = text[mark.column : mark.column + 1] if mark else ""
    if "quoted scalar" in context and "end of stream" in problem and error.context_mark:
        return _Broken(error.context_mark.line + 1, "a quote opens here and is never closed")
    if "\t" in text[: len(text) - len(text.lstrip())] or here == "\t":
        return _Broken(line + 1, "a tab - YAML wants spaces in front of a line")
    if "flow" in context:
        text = f"a bracket opens here and is not closed as it should be, or a quote is not (line {line + 1})"
        return _Broken(reader.open_line, text)
    if "cannot start any token" in problem:
        return _Broken(line + 1, f"{shown(here)} cannot start a value - put the text in quotes")
    ours = next((words for theirs, words in _PROBLEMS if theirs in problem), f"not valid YAML: {problem}")
    return _Broken(line + 1, ours)


# --- a sheet: one file, its nodes and its complaints ---------------------------------------------


class Sheet:
    """One YAML file: where everything stands in it, and what is wrong with it."""

    def __init__(self, data: bytes | str, name: str) -> None:
        self.name = name
        self.broken = False  # not even YAML: there is no use in looking further
        self._complaints: list[tuple[int, str]] = []
        self._root: _Node | None = None
        try:
            size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
            if size > MOST_BYTES:
                raise _Broken(1, f"larger than {MOST_BYTES // 1_000_000} MB - not a garden's file")
            text = _decoded(data) if isinstance(data, bytes) else data.removeprefix("\ufeff")
            self._root = _composed(text, self._complain_on)
        except _Broken as error:
            self.broken = True
            self._complaints = [(error.line, error.text)]

    @property
    def complaints(self) -> list[str]:
        """`file:line: key: text`, in order of lines; a flood is cut short."""
        found = list(dict.fromkeys(sorted(self._complaints, key=lambda complaint: complaint[0])))
        lines = [f"{self.name}:{line}: {text}" for line, text in found[:MOST_COMPLAINTS]]
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
        self._complain_on(at, self.line(at), text)

    def _complain_on(self, at: At, line: int, text: str) -> None:
        path = self.path(at)
        self._complaints.append((line, f"{path}: {text}" if path else text))

    def line(self, at: At) -> int:
        """The line of the key or list item at `at`, or of the nearest thing that holds it."""
        node, line = self._root, 1
        for step in at:
            if node is None or isinstance(node.value, Word):
                break
            if isinstance(node.value, dict):
                if step not in node.value:
                    break
                line, node = node.key_lines[str(step)], node.value[str(step)]
            elif isinstance(step, int) and step < len(node.value):
                node = node.value[step]
                line = node.line
            else:
                break
        return line

    def _reach(self, at: At) -> At:
        """`at` without what lies inside a plain text: `gpio: on` has no key `pin`."""
        node = self._root
        for i, step in enumerate(at):
            if node is None or isinstance(node.value, Word):
                return at[:i] if node else at
            if isinstance(node.value, dict):
                node = node.value.get(str(step))
            else:
                node = node.value[step] if isinstance(step, int) and step < len(node.value) else None
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
            if node is None or isinstance(node.value, Word):
                return {}
            if isinstance(node.value, dict):
                node = node.value.get(str(step))
            elif isinstance(step, int) and step < len(node.value):
                node = node.value[step]
            else:
                return {}
        return node.value if node is not None and isinstance(node.value, dict) else {}

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
                    self.complain(self._reach(e["loc"]), _told(model, e))
                complained = True
            if self.flooded or not isinstance(raw, Keys):
                return None
            raw = _without(raw, [_to_drop(raw, e) for e in errors])
            for key, stand_in in (stand_ins or {}).items():
                raw.setdefault(key, stand_in)
        return None


def _plain(node: _Node, at: At) -> Any:
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


# --- a pydantic error in the grower's words ------------------------------------------------------


@cache
def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys of a block as they are written in the file."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that `word` was probably meant to be."""
    if len(word) > 40:
        return None
    folded = {name.casefold(): name for name in known}
    near = get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return folded[near[0]] if near else None


def _told(model: type[BaseModel], error: ErrorDetails) -> str:
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
    if near := nearest(key, known):
        return f'unknown key - did you mean "{near}"?'
    return f"unknown key - known here: {', '.join(known)}"


def inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := inner_model(arg))), None)


def is_names(annotation: Any) -> bool:
    """True for name -> block, as in zones."""
    return get_origin(annotation) is dict or any(is_names(arg) for arg in get_args(annotation))


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
