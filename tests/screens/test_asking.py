"""The screens that ask: once more before water, for a code; and the one that says what did not work."""

from __future__ import annotations

from typing import Any

import pytest
from screens.looked_at import Screen, fields, frame, said
from screens.test_today import UNTIL, page

from scheduler.html.screens.confirm import confirm
from scheduler.html.screens.pair import pair
from scheduler.html.screens.sorry import sorry


def with_valve(**more: Any) -> Any:
    found = page()
    (zone,) = (one for one in found["zones"] if one["zone"] == "tomatoes")
    zone.update(more)
    return found


def asking(found: Any, zone: str, minutes: float) -> Any:
    return {"page": found, "zone": zone, "minutes": minutes}


def rows(shown: Screen) -> dict[str, str]:
    (table,) = shown.all("dl")
    return {said(dt): said(dd) for dt, dd in zip(table.findall("dt"), table.findall("dd"), strict=True)}


def test_it_says_what_the_water_would_touch() -> None:
    asked = with_valve(opens_with=["peppers"], held_until="2015-07-12", cap_minutes=90.0)
    opened = frame(open=[{"zone": "beans", "until": UNTIL}])
    shown = Screen(confirm(asking(asked, "tomatoes", 20.0), opened))
    assert rows(shown) == {
        "Water": "about 77 gal at 3.84 gpm",  # 14.527 L/min x 20 min = 290.5 L = 76.8 gal
        "Cap": "its valve may be open 1 h 30 min at once; caps on the day's or month's water win",
        "Lacks now": "0.49/0.46 in +/- 0.31 of the trigger",
        "Opens with it": "peppers (same valve)",
        "On hold": "until Sun 12 Jul; it would be watered all the same",
        "Planned today": "06:30 to 09:53; what is still ahead is planned anew afterwards",
        "Open now": "beans until 07:15; they share the supply's flow",
    }
    (form,) = shown.forms("/do/water")
    assert fields(form).items() >= {"zone": "tomatoes", "minutes": "20", "here": "/zone/tomatoes"}.items()


@pytest.mark.parametrize(
    ("zone", "minutes", "why"),
    [
        ("tomatoes", 361.0, "6 h 1 min is more than its valve may be open at once: 6 h."),
        ("tomatoes", 0.0, "Say for how many minutes."),
        ("tomatoes", float("nan"), "Say for how many minutes."),
        ("beans", 10.0, "beans is opened by hand"),
    ],
)
def test_what_would_be_refused_has_no_button(zone: str, minutes: float, why: str) -> None:
    shown = Screen(confirm(asking(page(), zone, minutes), frame()))
    assert why in shown.words()
    assert not shown.forms("/do/water")


@pytest.mark.parametrize("may", ["look", "note"])
def test_who_may_not_water_cannot_from_here_either(may: str) -> None:
    assert not Screen(confirm(asking(page(), "tomatoes", 20.0), frame(may))).forms("/do/water")


def test_a_zone_that_is_not_there_is_no_screen() -> None:
    with pytest.raises(LookupError):
        confirm(asking(page(), "okra", 20.0), frame())


def stranger(**more: Any) -> Any:
    return frame("look", phone=None, here="/pair", **more)


def test_pairing_asks_for_the_code_and_shows_nothing_else() -> None:
    shown = Screen(pair({"code": "ABCD", "why": "that is not the code; 4 tries left"}, stranger()))
    assert shown.actions() == {"/pair"}
    (form,) = shown.forms("/pair")
    assert fields(form).items() >= {"code": "ABCD", "name": ""}.items()
    assert "4 tries left" in [said(one)[-12:] for one in shown.all("p", role="alert")]
    assert not shown.all("script")
    assert not shown.all("nav")


def test_sorry_says_what_and_what_next() -> None:
    text, hint = "no zone <okra> in this garden", "zones: beans, squash"
    shown = Screen(sorry({"status": 404, "text": text, "hint": hint}, frame()))
    assert text in shown.words()
    assert hint in shown.words()
    assert [a.get("href") for a in shown.all("a", **{"class": "button"})] == ["/"]
    unknown = Screen(sorry({"status": 401, "text": "not paired", "hint": None}, stranger()))
    assert [a.get("href") for a in unknown.all("a", **{"class": "button"})] == ["/pair"]
