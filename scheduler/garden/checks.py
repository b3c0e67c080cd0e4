"""What takes more than one value of garden.yaml to judge."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from scheduler import tables
from scheduler.garden.blocks import (
    GardenBlock,
    PlantingBlock,
    RowsBlock,
    SoilBlock,
    SoilSensorBlock,
    SourceBlock,
    SupplyBlock,
    ZoneBlock,
)
from scheduler.garden.build import source_of, valve_of
from scheduler.garden.complaints import keys_of
from scheduler.garden.crops import CropBook, folded
from scheduler.garden.months import MONTHS, months_of
from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet
from scheduler.garden.valve_blocks import Hardware, MqttValveBlock, ValveBlock, ValveCallBlock
from scheduler.nearest import nearest
from scheduler.relays.mqtt import to_set
from scheduler.units import shown
from scheduler.weather import services
from scheduler.weather.files import layout
from scheduler.weather.mqtt import messages

_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # token of RFC 9110, 5.6.2
_OWN_HEADERS = frozenset({"connection", "content-length", "transfer-encoding"})


class Checks:
    """Complains on the sheet about what does not go together."""

    def __init__(self, sheet: Sheet, garden: GardenBlock, book: CropBook) -> None:
        self._sheet = sheet
        self._garden = garden
        self._book = book

    def all(self) -> None:
        self._supply(self._garden.supply)
        for key in ("tapes", "zones"):
            if (
                key in self._sheet.keys_at()
                and not self._sheet.keys_at((key,))
                and not getattr(self._garden, key)
            ):
                self._sheet.complain((key,), f"at least one of the {key} must be described")
        for name, zone in self._garden.zones.items():
            if self._sheet.flooded:
                return
            if not name.strip() or len(name) > 60:
                self._sheet.complain(zone.at, "a zone needs a name of 1 to 60 letters")
            self._zone(zone)
        self._sources()
        self._service()
        self._one_use_each()

    def _exactly_one(self, at: At, keys: Iterable[str], else_text: str = "") -> bool:
        filled = self._sheet.filled(at)
        given = [key for key in keys if key in filled]
        if len(given) == 1:
            return True
        if given:
            self._sheet.complain(at, f"{' and '.join(given)} are given - only one of them can hold")
        else:
            self._sheet.complain(at, else_text or f"missing: one of {', '.join(keys)}")
        return False

    def _supply(self, supply: SupplyBlock) -> None:
        if not supply.at:
            return  # a stand-in
        self._exactly_one(supply.at, supply.one_of, "missing: the timed bucket, or the flow itself")
        if supply.bucket and not 1e-3 <= supply.bucket.volume / supply.bucket.time <= 1e5:
            text = f"{supply.bucket.volume:g} L in {supply.bucket.time:g} min cannot be right"
            self._sheet.complain((*supply.at, "bucket"), text)
        for hours in (supply.hours, *(month.hours for month in (supply.by_month or {}).values())):
            if hours and hours.until <= hours.from_:
                times = f"{hours.until:%H:%M} is not after from, {hours.from_:%H:%M}"
                self._sheet.complain((*hours.at, "until"), f"{times}: hours cannot go over midnight")
        self._months(supply)
        self._not_together(supply)

    def _months(self, supply: SupplyBlock) -> None:
        named: dict[int, str] = {}
        for name in self._sheet.keys_at((*supply.at, "by_month")):
            at = (*supply.at, "by_month", name)
            try:
                months = months_of(name)
            except ValueError as error:
                self._sheet.complain(at, str(error))
                continue
            if name in (supply.by_month or {}) and not self._sheet.keys_at(at):
                self._sheet.complain(at, "says nothing - give hours, days, daily_cap or monthly_cap")
            if twice := sorted(months & named.keys()):
                month = MONTHS[twice[0] - 1]
                self._sheet.complain(at, f"{month} also stands under {shown(named[twice[0]])}")
            named |= dict.fromkeys(months, name)

    def _not_together(self, supply: SupplyBlock) -> None:
        zones = self._sheet.keys_at(("zones",))
        at = (*supply.at, "not_together")
        groups = () if supply.not_together in (None, "all") else supply.not_together
        for group in groups:
            for name in dict.fromkeys(group):
                if name not in zones:
                    self._unknown(at, name, "one of the zones", zones)
            known = self._garden.zones
            keys = {name: valve_of(known[name].valve, name).key for name in group if name in known}
            if len(keys) > 1 and len(set(keys.values())) < len(keys):
                self._sheet.complain(at, f"{', '.join(keys)}: two of them hang on one valve")
            elif len(set(group)) < 2:
                self._sheet.complain(at, f"{group[0]} is named twice: a group has at least two zones")

    def _zone(self, zone: ZoneBlock) -> None:
        tapes = self._sheet.keys_at(("tapes",))
        if zone.tape not in tapes:
            self._unknown((*zone.at, "tape"), zone.tape, "one of the tapes", tapes)
        self._soil((*zone.at, "soil"), zone.soil)
        if zone.soil_sensor is not None:
            self._soil_sensor(zone.soil_sensor)
        if zone.longest_run is not None:
            for key in ("shortest_run", "fill_time"):
                if getattr(zone, key) > zone.longest_run - (key == "fill_time"):
                    text = (
                        f"{getattr(zone, key):g} min leaves nothing of longest_run, {zone.longest_run:g} min"
                    )
                    self._sheet.complain((*zone.at, key), text)
        if zone.valve:
            self._valve(zone.valve)
        self._plantings(zone)

    def _unknown(self, at: At, word: str, noun: str, known: Iterable[str]) -> None:
        near = nearest(word, known)
        hint = f' - did you mean "{near}"?' if near else f": {', '.join(known) or 'none is described'}"
        self._sheet.complain(at, f"{shown(word)} is not {noun}{hint}")

    def _soil(self, at: At, soil: SoilBlock) -> None:
        own = [key for key in ("theta_fc", "theta_wp") if key in self._sheet.keys_at(at)]
        if soil.texture is not None and own:
            self._sheet.complain(
                at, "a texture and figures of your own are given - only one of them can hold"
            )
        elif soil.texture is not None:
            if folded(soil.texture) not in tables.soils():
                self._unknown(at, soil.texture, "a texture of the soil table", tables.soils())
        elif len(own) < 2 and "texture" not in self._sheet.keys_at(at):
            self._sheet.complain(at, "missing: a texture, or both theta_fc and theta_wp")
        elif soil.theta_fc is not None and soil.theta_wp is not None and soil.theta_wp >= soil.theta_fc:
            text = f"{soil.theta_wp:g} must be less than theta_fc, {soil.theta_fc:g}"
            self._sheet.complain((*at, "theta_wp"), text)

    def _soil_sensor(self, sensor: SoilSensorBlock) -> None:
        keys = self._sheet.keys_at(sensor.at)
        if self._exactly_one(sensor.at, sensor.one_of, "missing: a file with its column, or mqtt"):
            if sensor.file is not None and sensor.column is None:
                self._sheet.complain(sensor.at, "missing: column, the heading of its readings in the file")
            elif sensor.file is None and "column" in keys:
                self._sheet.complain((*sensor.at, "column"), "is of a file: messages have a field")

    def _plantings(self, zone: ZoneBlock) -> None:
        of_zone = self._sheet.keys_at((*zone.at, "rows"))
        for planting in zone.plantings or ():
            if self._sheet.flooded:
                return
            given = {*of_zone, *self._sheet.keys_at((*planting.at, "rows"))}
            lacking = [key for key in ("count", "length", "spacing") if key not in given]
            if lacking and not given - keys_of(RowsBlock).keys():  # a misspelt key says enough
                text = f"missing {', '.join(lacking)} - give it here or in the rows of the zone"
                self._sheet.complain((*planting.at, "rows"), text)
            if planting.pulled and planting.pulled <= planting.planted:
                self._sheet.complain(
                    (*planting.at, "pulled"), f"{planting.pulled} is not after {planting.planted}"
                )
            self._crop(planting)
        for one, following in pairwise(sorted(zone.plantings or (), key=lambda planting: planting.planted)):
            line = self._sheet.line((*following.at, "planted"))
            if one.planted == following.planted:
                text = (
                    f"{one.planted} is the date of two plantings (the other: line {self._sheet.line(one.at)})"
                )
                self._sheet.complain((*following.at, "planted"), text)
            elif one.pulled and one.pulled > following.planted:
                text = f"{one.pulled} is after the next is planted, {following.planted} (line {line})"
                self._sheet.complain((*one.at, "pulled"), text)

    def _crop(self, planting: PlantingBlock) -> None:
        name = self._book.find(planting.crop)
        if name is None:
            if not self._book.broken:
                self._sheet.complain((*planting.at, "crop"), self._book.unknown(planting.crop))
            return
        water = self._garden.supply.ec
        bears = self._book.crop(name).ec_threshold_ds_m if water and self._book.sound(name) else None
        if water and bears and water >= 5 * bears - water:  # leaching requirement of 1 or more (FAO-29)
            text = (
                f"{name} bears {bears:g} dS/m: no leaching is enough with water of {water:g} dS/m (supply.ec)"
            )
            self._sheet.complain((*planting.at, "crop"), text)

    def _valve(self, valve: ValveBlock) -> None:
        self._exactly_one(valve.at, valve.one_of)
        if valve.by_hand is False:
            self._sheet.complain((*valve.at, "by_hand"), "only true makes sense - or leave it out")
        if valve.mqtt:
            self._topics(valve.mqtt)
        for call in (valve.http.open, valve.http.close) if valve.http else ():
            self._headers(call)

    def _topics(self, mqtt: MqttValveBlock) -> None:
        sent = set(mqtt.hardware())
        if mqtt.duration is not None:
            if mqtt.convention is None:
                text = "only under convention: homie - elsewhere the seconds go with the message"
                self._sheet.complain((*mqtt.at, "duration"), text)
            elif to_set(mqtt.duration) in sent:
                self._sheet.complain((*mqtt.at, "duration"), "is the topic itself: seconds need their own")
            sent.add(to_set(mqtt.duration))
        if mqtt.state_topic in sent:
            text = "commands are sent there: the relay must report on a topic of its own"
            self._sheet.complain((*mqtt.at, "state_topic"), text)

    def _headers(self, call: ValveCallBlock) -> None:
        seen: set[str] = set()
        for name, header in (call.headers or {}).items():
            at, folded_name = (*call.at, "headers", name), name.casefold()
            if not _HEADER_NAME.fullmatch(name):
                self._sheet.complain(at, f"{shown(name)} is no name of a header line")
            elif folded_name in _OWN_HEADERS:
                self._sheet.complain(at, "the program sets it itself - leave it out")
            elif folded_name in seen:
                self._sheet.complain(at, "is given twice: upper and lower case are the same in a header line")
            seen.add(folded_name)
            if header.text is None or self._sheet.keys_at(at):  # else a plain text stands for its block
                self._exactly_one(at, header.one_of)

    def _sources(self) -> None:
        seen: dict[str, SourceBlock] = {}
        for source in (self._garden.weather.sources if self._garden.weather else None) or ():
            one = self._exactly_one(source.at, source.one_of)
            if not one or not (source.service or source.file or source.mqtt):  # it was wrong itself
                continue
            name = source_of(source).name
            if name in seen:
                line = self._sheet.line(seen[name].at)
                self._sheet.complain(source.at, f"{shown(name)} is given twice (the other: line {line})")
            seen[name] = source
            self._source(source)

    def _source(self, source: SourceBlock) -> None:
        """What only the readers of weather know of their settings."""
        spec = source_of(source)
        if source.service:
            for key, text in services.complaints(source.service, spec.settings):
                self._sheet.complain((*source.at, key), text)
        about: list[tuple[str, list[str]]] = []
        if source.file and source.file.columns:
            about.append(("file", layout.check(spec.settings)))
        if source.mqtt:
            about.append(("mqtt", messages.check(spec.settings)))
        for kind, complaints in about:
            for text in complaints:
                where, _, what = text.partition(": ")
                self._sheet.complain((*source.at, kind, where), what)

    def _service(self) -> None:
        garden = self._garden
        if garden.master_valve:
            self._valve(garden.master_valve)
        if garden.notify:
            self._exactly_one(garden.notify.at, garden.notify.one_of)
        if meter := garden.meter:
            keys = self._sheet.keys_at(meter.at)
            if self._exactly_one(meter.at, meter.one_of) and ("gpio" in keys) != ("liters_per_pulse" in keys):
                self._sheet.complain(
                    meter.at, "gpio and liters_per_pulse go together: the one needs the other"
                )
        if garden.flow_from == "meter" and "meter" not in self._sheet.filled():
            self._sheet.complain(("flow_from",), "there is no meter - describe it under meter")

    def _one_use_each(self) -> None:
        """A pin, topic, address or program has one use; zones that share it describe it alike."""
        uses = [(zone.valve, "a zone") for zone in self._garden.zones.values() if zone.valve]
        if self._garden.master_valve:
            uses.append((self._garden.master_valve, "the master valve"))
        seen: dict[Hardware, tuple[ValveBlock, str]] = {}
        for valve, use in uses:
            if not (named := valve.driver()):
                continue
            driver, told = named
            other, other_use = seen.setdefault((driver, *told.hardware()), (valve, use))
            at, line = (*valve.at, driver), self._sheet.line((*other.at, driver))
            if other_use != use:
                self._sheet.complain(at, f"{told.called()} already opens {other_use} (line {line})")
            elif valve_of(other, "").key != valve_of(valve, "").key:
                self._sheet.complain(at, f"{told.called()} is described otherwise on line {line}")
        meter = self._garden.meter
        if meter and (found := seen.get(("gpio", meter.gpio))):
            text = f"pin {meter.gpio} already drives a valve (line {self._sheet.line(found[0].at)})"
            self._sheet.complain((*meter.at, "gpio"), text)
