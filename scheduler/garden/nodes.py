"""YAML text as nodes that know their line, with every scalar still the text that the grower typed.

The stream is read event by event, so that size, depth and aliases are limited before anything is built.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import yaml

from scheduler.units import shown

MOST_BYTES = 1_000_000
MOST_DEPTH = 50
MOST_NODES = 30_000  # as typed; a garden of a dozen zones has about 1,000
MOST_EXPANDED = 100_000  # with every alias written out

At = tuple[str | int, ...]
"""Where a value stands: keys, and places in lists from 0."""

_LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)  # both leave every scalar as text
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")


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


NOTHING = _Nothing()


@dataclass(slots=True, eq=False)
class Node:
    line: int
    value: Word | dict[str, Node] | list[Node]
    key_lines: dict[str, int] = field(default_factory=dict)
    size: int = 1  # itself and all below, aliases written out
    pending: tuple[str, int] | None = None  # while open: the key that waits for its value, and its line
    open: bool = False


class Broken(Exception):
    """The file cannot be read any further."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line = line
        self.text = text


def decoded(data: bytes) -> str:
    start = data[:400]
    nuls = sorted((start[::2].count(0), start[1::2].count(0)))
    if start.startswith((b"\xff\xfe", b"\xfe\xff")) or (nuls[1] > len(start) / 4 > 4 * nuls[0]):
        raise Broken(1, "saved as UTF-16 - save the file as UTF-8")
    if 0 in start:
        raise Broken(1, "not a text file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Broken(line, "a letter that is not UTF-8 (Latin-1?) - save the file as UTF-8") from None


def composed(text: str, complain: Callable[[At, int, str], None]) -> Node | None:
    """The nodes of the only document in `text`, None where it is empty; raises Broken."""
    if found := _UNPRINTABLE.search(text):
        line = text.count("\n", 0, found.start()) + 1
        raise Broken(
            line, f"a character that cannot be printed (U+{ord(found.group()):04X}) - not a text file?"
        )
    reader = _Reader(text.splitlines(), complain)
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            reader.take(event)
    except yaml.MarkedYAMLError as error:
        raise _in_our_words(error, reader) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        raise Broken(1, "not valid YAML") from None
    return reader.root


class _Reader:
    """Builds nodes from events, within the limits."""

    def __init__(self, lines: list[str], complain: Callable[[At, int, str], None]) -> None:
        self.lines = lines
        self.root: Node | None = None
        self._complain = complain
        self._stack: list[Node] = []
        self._anchors: dict[str, Node] = {}
        self._documents = 0
        self._typed = 0
        self._count = 0

    def take(self, event: yaml.Event) -> None:
        line = _line(event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                raise Broken(line, 'a second document after "---" - one file holds one garden')
        elif isinstance(event, yaml.AliasEvent):
            known = self._known_as(str(event.anchor), line)
            self._weigh(known.size, line)
            self._add(known, line)
        elif isinstance(event, yaml.ScalarEvent):
            self._weigh(1, line)
            node = Node(line, self._word(event, line))
            self._name(event.anchor, event.tag, node)
            self._add(node, line)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._weigh(1, line)
            if len(self._stack) >= MOST_DEPTH:
                raise Broken(line, f"nested more than {MOST_DEPTH} levels deep")
            node = Node(line, {} if isinstance(event, yaml.MappingStartEvent) else [], open=True)
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
            raise Broken(line, f"more than {MOST_NODES:,} values")
        if self._count > MOST_EXPANDED:
            raise Broken(line, f"more than {MOST_EXPANDED:,} values, every alias written out")

    def _word(self, event: yaml.ScalarEvent, line: int) -> Word:
        if not event.value.isprintable() and _UNPRINTABLE.search(event.value):
            raise Broken(line, "an escape for a character that cannot be printed")
        word = Word(event.value)
        word.quoted = bool(event.style)
        word.cut_off = None
        if not word.quoted and (end := event.end_mark) and end.line < len(self.lines):
            rest = self.lines[end.line][end.column :]
            found = re.match(r"\s+(#\d\S*)", rest) if "#" in rest else None
            word.cut_off = found.group(1) if found else None
        return word

    def _name(self, anchor: str | None, tag: str | None, node: Node) -> None:
        if tag and tag != "!":
            raise Broken(node.line, f"the tag {shown(tag)} is not understood - leave it out")
        if anchor:
            self._anchors[anchor] = node

    def _known_as(self, anchor: str, line: int) -> Node:
        node = self._anchors.get(anchor)
        if node is None:
            raise Broken(line, f'{shown("*" + anchor)} stands for nothing: no "&{anchor[:40]}" before it')
        if node.open:
            raise Broken(line, f"{shown('*' + anchor)} stands inside what it stands for")
        return node

    def _add(self, node: Node, line: int) -> None:
        if not self._stack:
            self.root = node
            return
        parent = self._stack[-1]
        if isinstance(parent.value, list):
            parent.value.append(node)
        else:
            assert isinstance(parent.value, dict)  # a scalar holds nothing
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


def _key(node: Node, line: int) -> str:
    if not isinstance(node.value, Word):
        raise Broken(line, "a key must be one plain text")
    if node.value == "<<" and not node.value.quoted:
        raise Broken(line, '"<<" (merging) is not understood - write the keys out')
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


def _in_our_words(error: yaml.MarkedYAMLError, reader: _Reader) -> Broken:
    mark, problem, context, lines = error.problem_mark, str(error.problem), str(error.context), reader.lines
    line = mark.line if mark else 0
    text = lines[line] if line < len(lines) else ""
    here = text[mark.column : mark.column + 1] if mark else ""
    if "quoted scalar" in context and "end of stream" in problem and error.context_mark:
        return Broken(error.context_mark.line + 1, "a quote opens here and is never closed")
    if "\t" in text[: len(text) - len(text.lstrip())] or here == "\t":
        return Broken(line + 1, "a tab - YAML wants spaces in front of a line")
    if "flow" in context:
        text = f"a bracket opens here and is not closed as it should be, or a quote is not (line {line + 1})"
        return Broken(reader.open_line, text)
    if "cannot start any token" in problem:
        return Broken(line + 1, f"{shown(here)} cannot start a value - put the text in quotes")
    ours = next((words for theirs, words in _PROBLEMS if theirs in problem), f"not valid YAML: {problem}")
    return Broken(line + 1, ours)
