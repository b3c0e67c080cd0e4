"""What a phone can ask for, each a form: read here, done by the service."""

from __future__ import annotations

import logging
import math
from asyncio import to_thread
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from starlette.responses import RedirectResponse, Response

from scheduler.errors import printable
from scheduler.web.ask import Answer, asked
from scheduler.web.phones import Refused
from scheduler.web.shown import back
from scheduler.web.visit import Visit, turn

log = logging.getLogger("rowwater.page")
MOST_DAYS = 366


class Mistyped(Exception):
    """A field that cannot be meant so; the text says what was expected."""


async def given(visit: Visit) -> Response:
    """`run`: a date and a zone; the date alone is every run of that day."""
    form = visit.form
    day, _, zone = form.get("run", "").partition(" ")
    how = form.get("how")
    if how not in ("planned", "minutes", "none"):
        raise Mistyped("say how: as planned, so many minutes, or none")
    told: dict[str, Any] = {"what": "given", "day": _day(day, visit), "how": how, "zone": zone or None}
    if how == "minutes":
        told["amount"] = f"{_minutes(form.get('minutes', ''))} min"
    if how == "minutes" and not zone:
        raise Mistyped("say which zone got so many minutes")
    return await _noted(visit, told)


async def rain(visit: Visit) -> Response:
    unit = visit.form.get("unit", "")
    amount = _words(f"{visit.form.get('amount', '')} {unit}", "how much rain")
    told: dict[str, Any] = {"what": "rain", "amount": amount}
    typed = visit.form.get("day", "")
    if typed and _day(typed, visit) != visit.page.settings.now().date().isoformat():
        told["day"] = _day(typed, visit)
    return await _noted(visit, told)


async def hold(visit: Visit) -> Response:
    until = visit.form.get("until", "")
    if not until:
        until = (
            visit.page.settings.now().date() + timedelta(days=_days(visit.form.get("days", "")))
        ).isoformat()
    told = {"what": "hold", "zone": _words(visit.form.get("zone", ""), "a zone"), "until": _date(until)}
    return await _noted(visit, told)


async def chore(visit: Visit) -> Response:
    told: dict[str, Any] = {"what": "chore", "chore": _words(visit.form.get("chore", ""), "a chore")}
    if zone := visit.form.get("zone"):
        told["zone"] = _words(zone, "a zone")
    if visit.form.get("when") == "later":
        told["later"] = True
    return await _noted(visit, told)


async def water(visit: Visit) -> Response:
    zone = _words(visit.form.get("zone", ""), "a zone")
    minutes = _minutes(visit.form.get("minutes", ""))
    if minutes <= 0:
        raise Mistyped("for how many minutes?")
    async with turn(visit.page.asking):
        return await _asked(visit, {"do": "water", "zone": zone, "minutes": minutes})


async def stop(visit: Visit) -> Response:
    return await _asked(visit, {"do": "stop", "zone": _words(visit.form.get("zone", ""), "a zone")})


async def stop_all(visit: Visit) -> Response:
    return await _asked(visit, {"do": "stop", "zone": None})


async def leave(visit: Visit) -> Response:
    """This phone is taken off."""
    assert visit.phone is not None
    visit.page.phones.leave(visit.phone)
    _logged(visit, {"do": "leave"}, Answer(True, "taken off"))
    answer = RedirectResponse("/pair", 303)
    answer.delete_cookie(visit.page.cookie())
    return answer


async def pair(visit: Visit) -> Response:
    now, code = visit.page.clock(), visit.form.get("code", "")
    name = printable(" ".join(visit.form.get("name", "").split()))[:40]
    try:
        token = visit.page.phones.pair(code, name, now)
    except Refused as why:
        log.info("pairing refused: %s", why)
        return visit.show("pair", {"code": "", "why": str(why)}, 403)
    phone = visit.page.phones.of(token, now)
    assert phone is not None
    log.info('phone %d "%s" is paired, and may %s', phone.number, printable(phone.name), phone.may)
    answer = RedirectResponse("/", 303)
    visit.keep_cookie(answer, "rowwater", token)
    return answer


# --- what was typed ---


def _words(typed: str, what: str) -> str:
    words = " ".join(typed.split())
    if not words or len(words) > 100 or not words.isprintable():
        raise Mistyped(f"say {what}")
    return words


def _minutes(typed: str) -> float:
    try:
        minutes = float(typed)
    except ValueError:
        minutes = math.nan
    if not 0 <= minutes <= 1440:
        raise Mistyped("minutes are a number from 0 to 1440")
    return minutes


def _days(typed: str) -> int:
    if not (typed.isascii() and typed.isdigit() and len(typed) < 5 and int(typed) <= MOST_DAYS):
        raise Mistyped("days are a whole number")
    return int(typed)


def _date(typed: str) -> str:
    try:
        return date.fromisoformat(typed).isoformat()
    except ValueError:
        raise Mistyped("a date is expected") from None


def _day(typed: str, visit: Visit) -> str:
    day = _date(typed)
    if day > visit.page.settings.now().date().isoformat():
        raise Mistyped("that day is still to come")
    return day


# --- what becomes of it ---


async def _noted(visit: Visit, told: Mapping[str, Any]) -> Response:
    sure = {"sure": True} if visit.form.get("sure") else {}
    async with turn(visit.page.asking):
        return await _asked(visit, {"do": "note", "note": {**told, **sure}})


async def _asked(visit: Visit, request: Mapping[str, Any]) -> Response:
    assert visit.phone is not None
    settings = visit.page.settings
    if settings.example_of:
        answer = Answer(False, "this is the example: nothing is noted, and no valve hangs on it")
    else:
        answer = await to_thread(asked, settings, {**request, "by": f"phone {visit.phone.name}"})
    _logged(visit, request, answer)
    visit.page.told[visit.phone.number] = answer
    return back(visit)


def _logged(visit: Visit, request: Mapping[str, Any], answer: Answer) -> None:
    assert visit.phone is not None
    asked_for = " ".join(f"{key}={value}" for key, value in _flat(request) if value is not None)
    said = f'phone {visit.phone.number} "{visit.phone.name}": {asked_for}: {answer.said}'
    log.info("%s", printable(" ".join(said.split())))


def _flat(request: Mapping[str, Any]) -> list[tuple[str, Any]]:
    note = request.get("note", {})
    return [*((key, value) for key, value in request.items() if key != "note"), *note.items()]
