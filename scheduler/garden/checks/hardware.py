"""Valves, meter and whom to tell: one driver each, and one use for each pin, topic, address and program."""

from __future__ import annotations

import re

from scheduler.garden.blocks import GardenBlock, PageBlock
from scheduler.garden.build import valve_of
from scheduler.garden.checks.shared import exactly_one
from scheduler.garden.sheet import Sheet
from scheduler.garden.valve_blocks import Hardware, MeterBlock, MqttValveBlock, ValveBlock, ValveCallBlock
from scheduler.relays.mqtt import to_set
from scheduler.units import shown

_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # token of RFC 9110, 5.6.2
_OWN_HEADERS = frozenset({"connection", "content-length", "transfer-encoding"})


def check_hardware(sheet: Sheet, garden: GardenBlock) -> None:
    """What hangs on no zone."""
    if garden.master_valve:
        check_valve(sheet, garden.master_valve)
    if garden.notify:
        exactly_one(sheet, garden.notify.at, garden.notify.one_of)
    if garden.meter:
        _check_meter(sheet, garden.meter)
    if garden.flow_from == "meter" and "meter" not in sheet.filled():
        sheet.complain(("flow_from",), "there is no meter - describe it under meter")
    if garden.page:
        _check_page(sheet, garden.page)


def _check_page(sheet: Sheet, page: PageBlock) -> None:
    """Whether its files can be read is no matter of the valves': `rowwater page` says."""
    if (page.certificate is None) != (page.key_ is None):
        sheet.complain(page.at, "certificate and key go together: the one needs the other")
    if page.names is None and page.listen.startswith(("0.0.0.0:", "[::]:")):
        text = "that is every network of this computer: give the names, too, that phones call it by"
        sheet.complain((*page.at, "listen"), text)


def check_valve(sheet: Sheet, valve: ValveBlock) -> None:
    """Complains about one valve, a zone's or the master valve."""
    exactly_one(sheet, valve.at, valve.one_of)
    if valve.by_hand is False:
        sheet.complain((*valve.at, "by_hand"), "only true makes sense - or leave it out")
    if valve.mqtt:
        _check_topics(sheet, valve.mqtt)
    for call in valve.http.calls() if valve.http else ():
        _check_headers(sheet, call)


def _check_meter(sheet: Sheet, meter: MeterBlock) -> None:
    keys = sheet.keys_at(meter.at)
    one = exactly_one(sheet, meter.at, meter.one_of)
    if one and ("gpio" in keys) != ("liters_per_pulse" in keys):
        sheet.complain(meter.at, "gpio and liters_per_pulse go together: the one needs the other")


def _check_topics(sheet: Sheet, mqtt: MqttValveBlock) -> None:
    sent = set(mqtt.hardware())
    if mqtt.duration is not None:
        seconds = to_set(mqtt.duration)
        if mqtt.convention is None:
            text = "only under convention: homie - elsewhere the seconds go with the message"
            sheet.complain((*mqtt.at, "duration"), text)
        elif seconds in sent:
            sheet.complain((*mqtt.at, "duration"), "is the topic itself: seconds need their own")
        sent.add(seconds)
    if mqtt.state_topic in sent:
        text = "commands are sent there: the relay must report on a topic of its own"
        sheet.complain((*mqtt.at, "state_topic"), text)


def _check_headers(sheet: Sheet, call: ValveCallBlock) -> None:
    seen: set[str] = set()
    for name, header in (call.headers or {}).items():
        at, plain = (*call.at, "headers", name), name.casefold()
        if not _HEADER_NAME.fullmatch(name):
            sheet.complain(at, f"{shown(name)} is no name of a header line")
        elif plain in _OWN_HEADERS:
            sheet.complain(at, "the program sets it itself - leave it out")
        elif plain in seen:
            sheet.complain(at, "is given twice: upper and lower case are the same in a header line")
        seen.add(plain)
        if header.text is None or sheet.keys_at(at):  # else a plain text stands for its block
            exactly_one(sheet, at, header.one_of)


# --- one use each --------------------------------------------------------------------------------


def check_one_use_each(sheet: Sheet, garden: GardenBlock) -> None:
    """A pin, topic, address or program has one use; zones that share it describe it alike."""
    uses = [(zone.valve, "a zone") for zone in garden.zones.values() if zone.valve]
    if garden.master_valve:
        uses.append((garden.master_valve, "the master valve"))
    seen: dict[Hardware, tuple[ValveBlock, str]] = {}
    for valve, use in uses:
        if not (named := valve.driver()):
            continue
        driver, block = named
        other, other_use = seen.setdefault((driver, *block.hardware()), (valve, use))
        at, line = (*valve.at, driver), sheet.line((*other.at, driver))
        if other_use != use:
            sheet.complain(at, f"{block.called()} already opens {other_use} (line {line})")
        elif valve_of(other, "").key != valve_of(valve, "").key:
            sheet.complain(at, f"{block.called()} is described otherwise on line {line}")
    meter = garden.meter
    if meter and (found := seen.get(("gpio", meter.gpio))):
        text = f"pin {meter.gpio} already drives a valve (line {sheet.line(found[0].at)})"
        sheet.complain((*meter.at, "gpio"), text)
