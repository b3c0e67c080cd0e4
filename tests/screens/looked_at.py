"""A screen as a browser reads it, and what must hold of each."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import datetime
from typing import Any
from xml.etree.ElementTree import Element
from zoneinfo import ZoneInfo

import html5lib

from scheduler.html.screens.frame import Frame

NOW = datetime(2015, 7, 9, 6, 30, tzinfo=ZoneInfo("America/Los_Angeles"))


def frame(may: str = "water", **more: Any) -> Frame:
    """Somebody with a paired phone who looks at the Creekside plot."""
    numbers = itertools.count(1)
    known: dict[str, Any] = {
        "garden": "Creekside plot", "phone": "the old phone", "may": may, "csrf": "a-token",
        "once": lambda: f"once-{next(numbers)}", "told": None, "open": (), "here": "/", "now": NOW,
        "display": "us",
    }  # fmt: skip
    return Frame(**{**known, **more})


class Screen:
    """The tree that a browser would build (html5lib, strict: any fault of the markup raises)."""

    def __init__(self, text: str) -> None:
        self.text = text
        parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
        self.tree: Element = parser.parse(text)
        for one in self.tree.iter():
            if isinstance(one.tag, str):
                one.tag = one.tag.rpartition("}")[2]  # of pictures too
        self._sound()

    def all(self, tag: str, **attributes: str) -> list[Element]:
        return [
            one for one in self.tree.iter(tag) if all(one.get(k) == value for k, value in attributes.items())
        ]

    def words(self) -> str:
        return said(self.tree)

    def forms(self, action: str) -> list[Element]:
        return [form for form in self.all("form") if form.get("action") == action]

    def actions(self) -> set[str]:
        return {str(form.get("action")) for form in self.all("form")}

    def _sound(self) -> None:
        """What holds of every screen."""
        html = self.tree
        assert html.get("lang") == "en"
        elements = [one for one in html.iter() if isinstance(one.tag, str)]
        assert not [
            e.tag for e in elements if "style" in e.attrib or any(k.startswith("on") for k in e.attrib)
        ]
        assert not self.all("style")
        assert all(script.get("src") and not said(script) for script in self.all("script"))
        assert all(str(a.get("href")).startswith(("/", "#")) for a in self.all("a"))
        ids = [e.get("id") for e in elements if e.get("id")]
        assert len(ids) == len(set(ids))
        for e in elements:
            for name in ("aria-labelledby", "aria-describedby", "for"):
                assert set(e.get(name, "").split()) <= set(ids), (e.tag, e.get(name))
        levels = [int(e.tag[1]) for e in elements if e.tag in ("h1", "h2", "h3", "h4")]
        assert levels[:1] == [1]
        assert levels.count(1) == 1
        assert all(below - above <= 1 for above, below in itertools.pairwise(levels))
        assert len(self.all("main")) == 1
        self._forms_sound()

    def _forms_sound(self) -> None:
        for form in self.all("form"):
            names = {str(field.get("name")) for field in form.iter("input")}
            if form.get("method") == "post":
                assert {"csrf", "once", "here"} <= names, form.get("action")
            else:
                assert "csrf" not in names  # it would stand in an address
        once = [field.get("value") for field in self.all("input", name="once")]
        assert len(once) == len(set(once))
        labelled = {id(field) for label in self.all("label") for field in label.iter()}
        for field in itertools.chain(self.all("input"), self.all("select")):
            assert field.get("type") == "hidden" or id(field) in labelled or field.get("aria-label")
        for button in self.all("button"):
            assert said(button)


def said(element: Element) -> str:
    """All words in it, in one line."""
    return " ".join("".join(element.itertext()).split())


def fields(form: Element) -> dict[str, str]:
    """What is sent without touching it; of a choice its first."""
    return {str(field.get("name")): str(field.get("value") or "") for field in form.iter("input")} | {
        str(choice.get("name")): _first(choice) for choice in form.iter("select")
    }


def _first(choice: Element) -> str:
    option = next(choice.iter("option"))
    value = option.get("value")
    return said(option) if value is None else value


def buttons(form: Element) -> Iterator[tuple[str, str]]:
    """(words, value) of its buttons."""
    for button in form.iter("button"):
        yield said(button), str(button.get("value") or "")
