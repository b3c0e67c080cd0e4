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


_UNSEEN = re.compile("[\r\x85\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f]")
"""Turns the text around, ends the line elsewhere, or makes two equal names of different ones."""


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


class Broken(Exception):
    """The file cannot be read any further."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line = line
        self.text = text


def decoded(data: bytes) -> str:
    """The text of a file's bytes; raises Broken where they are none, with the line.

    >>> decoded("d\u00fcnn".encode())
    'd\u00fcnn'
    """
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
    reader = _Reader(text, complain)
    try:
        return reader.document()
    except yaml.MarkedYAMLError as error:
        raise _in_our_words(error, reader) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        raise Broken(1, "not valid YAML") from None


class _Reader:
    """Builds nodes from the parser's events, within the limits."""

    def __init__(self, text: str, complain: Callable[[At, int, str], None]) -> None:
        self.lines = text.splitlines()
        self._events = yaml.parse(text, Loader=_LOADER)
        self._complain = complain
        self._open: list[Node] = []  # lists and mappings whose end is still to come
        self._anchors: dict[str, Node] = {}
        self._typed = 0
        self._expanded = 0

    @property
    def open_line(self) -> int:
        """Where the innermost open list or mapping began."""
        return self._open[-1].line if self._open else 1

    def document(self) -> Node | None:
        root = None
        for event in self._events:
            if isinstance(event, yaml.DocumentStartEvent) and root:
                raise Broken(_line(event), 'a second document after "---" - one file holds one garden')
            if isinstance(event, yaml.NodeEvent):
                root = self._node(event, ())
        return root

    def _node(self, event: yaml.Event, at: At) -> Node:
        line = _line(event)
        if isinstance(event, yaml.AliasEvent):
            known = self._known_as(str(event.anchor), line)
            self._count(known.size, line)
            return known
        self._count(1, line)
        if isinstance(event, yaml.ScalarEvent):
            return self._named(Node(line, self._word(event, line)), event)
        if len(self._open) >= MOST_DEPTH:
            raise Broken(line, f"nested more than {MOST_DEPTH} levels deep")
        assert isinstance(event, yaml.CollectionStartEvent)  # no other event begins a node
        node = self._named(Node(line, {}), event)
        self._open.append(node)
        fill = self._fill_list if isinstance(event, yaml.SequenceStartEvent) else self._fill_mapping
        fill(node, at)
        self._open.pop()
        return node

    def _fill_list(self, node: Node, at: At) -> None:
        items: list[Node] = []
        while isinstance(event := next(self._events), yaml.NodeEvent):
            items.append(self._node(event, (*at, len(items))))
        node.value = items
        node.size += sum(item.size for item in items)

    def _fill_mapping(self, node: Node, at: At) -> None:
        keys: dict[str, Node] = {}
        while isinstance(event := next(self._events), yaml.NodeEvent):
            line = _line(event)
            key = _key(self._node(event, at), line)
            value = self._node(next(self._events), (*at, key))
            if key in keys:
                both = f"is given twice, on line {node.key_lines[key]} and on line {line}"
                self._complain((*at, key), line, both)
                continue
            keys[key], node.key_lines[key] = value, line
        node.value = keys
        node.size += sum(value.size for value in keys.values())

    def _count(self, nodes: int, line: int) -> None:
        self._typed += 1
        self._expanded += nodes
        if self._typed > MOST_NODES:
            raise Broken(line, f"more than {MOST_NODES:,} values")
        if self._expanded > MOST_EXPANDED:
            raise Broken(line, f"more than {MOST_EXPANDED:,} values, every alias written out")

    def _word(self, event: yaml.ScalarEvent, line: int) -> Word:
        if not event.value.isprintable() and _UNPRINTABLE.search(event.value):
            raise Broken(line, "an escape for a character that cannot be printed")
        if not event.value.isprintable() and (unseen := _UNSEEN.search(event.value)):
            raise Broken(
                line, f"a character that cannot be seen (U+{ord(unseen.group()):04X}) - type it anew"
            )
        word = Word(event.value)
        word.quoted = bool(event.style)
        word.cut_off = None
        if not word.quoted and (end := event.end_mark) and end.line < len(self.lines):
            rest = self.lines[end.line][end.column :]
            found = re.match(r"\s+(#\d\S*)", rest) if "#" in rest else None
            word.cut_off = found.group(1) if found else None
        return word

    def _named(self, node: Node, event: yaml.ScalarEvent | yaml.CollectionStartEvent) -> Node:
        if event.tag and event.tag != "!":
            raise Broken(node.line, f"the tag {shown(event.tag)} is not understood - leave it out")
        if event.anchor:
            self._anchors[event.anchor] = node
        return node

    def _known_as(self, anchor: str, line: int) -> Node:
        node = self._anchors.get(anchor)
        if node is None:
            raise Broken(line, f'{shown("*" + anchor)} stands for nothing: no "&{anchor[:40]}" before it')
        if node in self._open:
            raise Broken(line, f"{shown('*' + anchor)} stands inside what it stands for")
        return node


def _line(event: yaml.Event) -> int:
    return int(event.start_mark.line) + 1 if event.start_mark else 1


def _key(node: Node, line: int) -> str:
    if not isinstance(node.value, Word):
        raise Broken(line, "a key must be one plain text")
    if node.value == "<<" and not node.value.quoted:
        raise Broken(line, '"<<" (merging) is not understood - write the keys out')
    if "\n" in node.value or "\t" in node.value:
        raise Broken(line, f"{shown(node.value)} must stand in one line")
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
