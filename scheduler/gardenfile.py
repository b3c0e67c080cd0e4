"""garden.yaml and crops.yaml -> Garden: all complaints at once, or a garden that holds together.

The models say what each block may hold; here is what takes more than one value to judge, and the way from the
blocks to the plain values that the rest of the program works with.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, TypeVar

from scheduler import tables
from scheduler.errors import BadGarden, BadInput
from scheduler.gardenmodels import (
    CropBlock,
    CropsFile,
    GardenBlock,
    HttpCallBlock,
    PlantingBlock,
    RootDepthBlock,
    RowsBlock,
    SoilBlock,
    SourceBlock,
    StageBlock,
    SupplyBlock,
    ValveBlock,
    ZoneBlock,
)
from scheduler.model import (
    Crop,
    Display,
    Garden,
    Location,
    Mainline,
    Planting,
    Rows,
    Settle,
    Soil,
    SourceSpec,
    Supply,
    Tape,
    Valve,
    Zone,
)
from scheduler.places import data_dir
from scheduler.units import shown
from scheduler.yamlnodes import MOST_BYTES, At, Block, Sheet, keys_of, nearest

__all__ = ["crops_in_force", "data_dir", "find_config", "load", "load_text", "planting_from_note"]

CROPS_FILE = "crops.yaml"
SYSTEM_CONFIG = Path("/etc/rowwater/garden.yaml")
_APP = "rowwater"
SomeBlock = TypeVar("SomeBlock", bound=Block)

_STAND_INS: Mapping[str, Any] = {
    "garden": "unnamed",
    "location": {"latitude": 0.0, "longitude": 0.0, "elevation": "0 m", "timezone": "UTC"},
    "supply": {"flow": "1 L/min"},
    "tapes": {},
    "zones": {},
}
"""Take the place of required blocks that are missing or wrong, so that the others can still be checked."""


# --- where the files are -------------------------------------------------------------------------


def find_config(
    explicit: str | None, environ: Mapping[str, str], cwd: Path, *, system: Path = SYSTEM_CONFIG
) -> Path:
    """garden.yaml: `explicit`, $ROWWATER_CONFIG, /etc/rowwater, the user's config dir, ./garden.yaml.

    Raises BadInput with the places looked at.  One that was named must exist: no other is taken instead.
    """
    from platformdirs import user_config_path

    for named, by in ((explicit, "--config"), (environ.get("ROWWATER_CONFIG"), "$ROWWATER_CONFIG")):
        if named:
            path = cwd / Path(named).expanduser()
            if not path.is_file():
                raise BadInput(f"{path}: no such file (named by {by})", hint=_HINT_INIT)
            return path
    places = (system, user_config_path(_APP, appauthor=False) / "garden.yaml", cwd / "garden.yaml")
    for path in places:
        if path.is_file():
            return path
    raise BadInput("no garden.yaml found; looked for " + ", ".join(map(str, places)), hint=_HINT_INIT)


_HINT_INIT = "`rowwater init` writes a garden.yaml to start from; `--config PATH` names one"


# --- loading -------------------------------------------------------------------------------------


def load(path: Path) -> Garden:
    """The garden of a file and of the crops.yaml beside it; raises BadGarden, or BadInput if unreadable."""
    return load_text(_bytes(path), _crops_beside(path), name=path.name, folder=str(path.parent))


def load_text(
    garden_text: str | bytes,
    crops_text: str | bytes | None = None,
    *,
    name: str = "garden.yaml",
    folder: str = ".",
) -> Garden:
    """The garden that two texts describe; raises BadGarden with every complaint, by file and line."""
    sheet = Sheet(garden_text, name)
    display = _display(sheet)
    book = CropBook(crops_text, display)
    if sheet.is_empty and not sheet.complaints:
        sheet.complain((), f"the file is empty - {_HINT_INIT}")
    block = sheet.check(GardenBlock, {"display": display}, _STAND_INS)
    if block:
        _Checks(sheet, block, book).all()
    book.check()
    if complaints := sheet.complaints + book.complaints:
        raise BadGarden(complaints)
    assert block  # without one there are complaints
    return _Builder(block, book, folder).garden()


def crops_in_force(path: Path) -> dict[str, Crop]:
    """All crops by name, the shipped ones with the changes of the crops.yaml beside garden.yaml at `path`.

    Raises BadGarden where crops.yaml is wrong.
    """
    book = _book_beside(path)
    return {name: book.crop(name) for name in book.names()}


def planting_from_note(garden_path: Path, zone: Zone, crop_name: str, planted: date) -> Planting:
    """What the grower noted as planted, on the zone's own rows; raises BadInput for want of crop or rows."""
    book = _book_beside(garden_path)
    found = book.find(crop_name)
    if found is None:
        raise BadInput(book.unknown(crop_name))
    if zone.rows is None:
        raise BadInput(
            f"{zone.name} has no rows of its own",
            hint=f"write the planting with its rows under zones.{zone.name}.plantings in {garden_path.name}",
        )
    crop = book.crop(found)
    return Planting(crop, planted, None, zone.rows, measured_flow_lpm=zone.measured_flow_lpm)


def _book_beside(path: Path) -> CropBook:
    book = CropBook(_crops_beside(path), _display(Sheet(_bytes(path), path.name)))
    book.check()
    if book.complaints:
        raise BadGarden(book.complaints)
    return book


def _bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror or error}") from error


def _crops_beside(path: Path) -> bytes | None:
    beside = path.with_name(CROPS_FILE)
    return _bytes(beside) if beside.exists() else None


def _display(sheet: Sheet) -> Display:
    """What the file says, before it is checked; where that is not known metric, which takes bare numbers."""
    said = sheet.word("display")
    if said is None:
        return "metric" if sheet.broken or "display" in sheet.keys_at() else "us"
    return "us" if said.strip().casefold() == "us" else "metric"


# --- crops ---------------------------------------------------------------------------------------

_KC_KEY: Mapping[str, str | None] = {
    "initial": "kc", "development": None, "mid-season": "kc", "late season": "kc_end",
}  # fmt: skip


class CropBook:
    """The shipped crops under the grower's changes; a crop is made when it is asked for."""

    def __init__(self, text: str | bytes | None, display: Display) -> None:
        self._sheet = Sheet("" if text is None else text, CROPS_FILE)
        self._shipped = tables.crops()
        self._known = {name.casefold(): name for name in self._shipped}
        self._known = {**tables.crop_aliases(), **self._known}
        own = None if self._sheet.is_empty else self._sheet.check(CropsFile, {"display": display})
        self._own: dict[str, tuple[str, CropBlock]] = {}
        self._spoiled: set[str] = set()  # in the file, but not readable
        for key in self._sheet.keys_at():
            block = own.root.get(key) if own else None
            self._take(key, block)
        self._made: dict[str, CropBlock] = {}

    def _take(self, key: str, block: CropBlock | None) -> None:
        name = self._known.get(_folded(key), key)
        if name in self._own:
            before = self._own[name][0]
            self._sheet.complain((key,), f'means the same crop as "{before}" - put both into one')
            return
        for other in (key, *(block.also or () if block else ())):
            self._known[_folded(other)] = name
        if block is None:
            self._spoiled.add(name)
        else:
            self._own[name] = (key, block)

    @property
    def complaints(self) -> list[str]:
        return self._sheet.complaints

    @property
    def broken(self) -> bool:
        """No YAML: which crops the grower has is not known."""
        return self._sheet.broken

    def names(self) -> list[str]:
        return list(dict.fromkeys((*self._shipped, *self._own)))

    def find(self, name: str) -> str | None:
        """The crop that a grower's word means, by its own name or another."""
        return self._known.get(_folded(name))

    def unknown(self, name: str) -> str:
        near = nearest(_folded(name), self._known)
        hint = f'did you mean "{near}"?' if near else f"a new crop is described in {CROPS_FILE}"
        return f"{shown(name)} is no crop of the table or of {CROPS_FILE} - {hint}"

    def crop(self, name: str) -> Crop:
        """The crop of a name that `find` or `names` gave; only after `check` had nothing to say."""
        block = self._block(name)
        stages: dict[str, StageBlock] = {stage.stage: stage for stage in block.stages or ()}
        ini, dev, mid, late = (stages[stage] for stage in _KC_KEY)
        roots = block.root_depth
        assert roots
        assert roots.start
        assert roots.full
        return Crop(
            name, _number(ini.kc), _number(mid.kc), _number(late.kc_end),
            (_days(ini), _days(dev), _days(mid), _days(late)), roots.start, roots.full,
            _number(block.depletion), block.height, block.film_factor, block.ec_threshold,
            bool(block.hold_last_stage),
        )  # fmt: skip

    def sound(self, name: str) -> bool:
        return name not in self._spoiled and not (name in self._own and _lacking(self._block(name)))

    def check(self) -> None:
        """Complains about the grower's crops: what is incomplete, or does not go together."""
        for name, (key, block) in self._own.items():
            if self._sheet.flooded:
                return
            for i, stage in enumerate(block.stages or ()):
                self._check_stage((key, "stages", i), stage, (block.stages or ())[:i])
            whole = self._block(name)
            if lacking := _lacking(whole):
                new = "" if name in self._shipped else "a new crop must be complete: "
                self._sheet.complain((key,), f"{new}missing {', '.join(lacking)}")
                continue
            if sum(_days(stage) for stage in whole.stages or ()) == 0:
                self._sheet.complain((key, "stages"), "the four stages last no day at all")
            roots = whole.root_depth
            if roots and (roots.start or 0) > (roots.full or 0):
                text = f"start ({roots.start:g} m) must not be deeper than full ({roots.full:g} m)"
                self._sheet.complain((key, "root_depth"), text)

    def _check_stage(self, at: At, stage: StageBlock, before: Iterable[StageBlock]) -> None:
        if any(other.stage == stage.stage for other in before):
            self._sheet.complain((*at, "stage"), f"{shown(stage.stage)} is given twice")
        for key in ("kc", "kc_end"):
            if getattr(stage, key) is not None and key != _KC_KEY[stage.stage]:
                instead = {
                    "late season": "it ends at kc_end",
                    "development": "it slopes from initial to mid-season",
                }
                why = instead.get(stage.stage, "it has one kc")
                self._sheet.complain(
                    (*at, key), f"the stage {shown(stage.stage)} has no {key} of its own: {why}"
                )

    def _block(self, name: str) -> CropBlock:
        if name not in self._made:
            shipped = self._shipped.get(name, {})
            base = CropBlock.model_validate(shipped, context={"display": "metric"})
            self._made[name] = _merged(base, self._own[name][1]) if name in self._own else base
        return self._made[name]


def _folded(name: str) -> str:
    return " ".join(name.casefold().split())


def _merged(base: CropBlock, change: CropBlock) -> CropBlock:
    """`base` with the fields that `change` gives; stages by their names, roots by their fields."""
    given = {key: value for key in change.model_fields_set if (value := getattr(change, key)) is not None}
    stages = {stage.stage: stage for stage in base.stages or ()}
    for stage in change.stages or ():
        stages[stage.stage] = _over(stages.get(stage.stage), stage)
    roots = _over(base.root_depth, change.root_depth) if change.root_depth else base.root_depth
    return base.model_copy(update={**given, "stages": list(stages.values()), "root_depth": roots})


def _over(base: SomeBlock | None, change: SomeBlock) -> SomeBlock:
    if base is None:
        return change
    given = {key: value for key in change.model_fields_set if (value := getattr(change, key)) is not None}
    return base.model_copy(update=given)


def _lacking(block: CropBlock) -> list[str]:
    """What a crop needs and this one has not."""
    stages = {stage.stage: stage for stage in block.stages or ()}
    lacking = []
    for name, kc_key in _KC_KEY.items():
        if name not in stages:
            lacking.append(f'the stage "{name}"')
            continue
        wanted = ("days", kc_key) if kc_key else ("days",)
        lacking += [f'{key} of "{name}"' for key in wanted if getattr(stages[name], key) is None]
    roots = block.root_depth or RootDepthBlock()
    lacking += [f"root_depth.{key}" for key in ("start", "full") if getattr(roots, key) is None]
    return lacking + (["depletion"] if block.depletion is None else [])


def _days(stage: StageBlock) -> int:
    return stage.days or 0


# --- what takes more than one value to judge -----------------------------------------------------


class _Checks:
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
        self._pins()

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
        if (hours := supply.hours) and hours.until <= hours.from_:
            text = (
                f"{hours.until:%H:%M} is not after from, {hours.from_:%H:%M}: hours cannot go over midnight"
            )
            self._sheet.complain((*hours.at, "until"), text)

    def _zone(self, zone: ZoneBlock) -> None:
        tapes = self._sheet.keys_at(("tapes",))
        if zone.tape not in tapes:
            self._unknown((*zone.at, "tape"), zone.tape, "one of the tapes", tapes)
        self._soil((*zone.at, "soil"), zone.soil)
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
            if _folded(soil.texture) not in tables.soils():
                self._unknown(at, soil.texture, "a texture of the soil table", tables.soils())
        elif len(own) < 2 and "texture" not in self._sheet.keys_at(at):
            self._sheet.complain(at, "missing: a texture, or both theta_fc and theta_wp")
        elif soil.theta_fc is not None and soil.theta_wp is not None and soil.theta_wp >= soil.theta_fc:
            text = f"{soil.theta_wp:g} must be less than theta_fc, {soil.theta_fc:g}"
            self._sheet.complain((*at, "theta_wp"), text)

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

    def _sources(self) -> None:
        seen: dict[str, SourceBlock] = {}
        for source in (self._garden.weather.sources if self._garden.weather else None) or ():
            one = self._exactly_one(source.at, source.one_of)
            if not one or not (source.service or source.file or source.mqtt):  # it was wrong itself
                continue
            name = _source(source).name
            if name in seen:
                line = self._sheet.line(seen[name].at)
                self._sheet.complain(source.at, f"{shown(name)} is given twice (the other: line {line})")
            seen[name] = source

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

    def _pins(self) -> None:
        """A pin has one use; zones may share a valve, if they agree which way it switches."""
        uses: list[tuple[str, At, ValveBlock]] = [
            ("a zone", zone.valve.at, zone.valve) for zone in self._garden.zones.values() if zone.valve
        ]
        if self._garden.master_valve:
            uses.append(("the master valve", self._garden.master_valve.at, self._garden.master_valve))
        seen: dict[int, tuple[str, At, bool]] = {}
        for use, at, valve in uses:
            if not valve.gpio:
                continue
            pin, high = valve.gpio.pin, valve.gpio.active_high
            other, other_at, other_high = seen.setdefault(pin, (use, at, high))
            if other != use:
                text = f"pin {pin} already opens {other} (line {self._sheet.line(other_at)})"
                self._sheet.complain((*at, "gpio"), text)
            elif other_high != high:
                text = f"pin {pin} has the other active_high on line {self._sheet.line((*other_at, 'gpio'))}"
                self._sheet.complain((*at, "gpio"), text)
        meter = self._garden.meter
        if meter and meter.gpio is not None and meter.gpio in seen:
            at = seen[meter.gpio][1]
            text = f"pin {meter.gpio} already drives a valve (line {self._sheet.line(at)})"
            self._sheet.complain((*meter.at, "gpio"), text)


# --- from blocks to plain values -----------------------------------------------------------------


class _Builder:
    """Makes the garden of blocks that nobody complained about."""

    def __init__(self, garden: GardenBlock, book: CropBook, folder: str) -> None:
        self._block = garden
        self._book = book
        self._folder = folder
        self._notices: list[str] = []

    def garden(self) -> Garden:
        block, place = self._block, self._block.location
        location = Location(
            place.latitude, place.longitude, place.elevation, place.timezone, place.dry, place.coastal,
            place.wind_2m, place.rh_min, place.temperature_only,
        )  # fmt: skip
        supply = self._supply(block.supply)
        tapes = {
            name: Tape(name, *(getattr(tape, key) for key in _TAPE_KEYS))
            for name, tape in block.tapes.items()
        }
        zones = _with_common_caps(
            [self._zone(name, zone, tapes) for name, zone in block.zones.items()],
            {
                name
                for name, zone in block.zones.items()
                if zone.valve and "cap" in zone.valve.model_fields_set
            },
        )
        sources = (block.weather.sources if block.weather else None) or ()
        return Garden(
            block.garden, location, block.display, supply, tapes, zones, tuple(map(_source, sources)),
            block.plan_at, block.finish, _service(block), self._folder, tuple(self._notices),
        )  # fmt: skip

    def _supply(self, block: SupplyBlock) -> Supply:
        bucket, line = block.bucket, block.mainline
        supply = Supply(
            bucket.volume / bucket.time if bucket else _number(block.flow),
            block.keep_back,
            block.pressure,
            block.static_pressure,
            days=block.days,
            daily_cap_l=block.daily_cap,
            mainline=Mainline(line.inside_diameter, line.length, line.feed, line.slope, line.takeoff_loss)
            if line
            else None,
            ec_ds_m=block.ec,
        )
        if block.hours:
            return replace(supply, hours_from=block.hours.from_, hours_until=block.hours.until)
        hours = f"{supply.hours_from:%H:%M} and {supply.hours_until:%H:%M}"
        self._notices.append(f"supply.hours is not given: water is planned between {hours}")
        return replace(supply, hours_given=False)

    def _zone(self, name: str, zone: ZoneBlock, tapes: Mapping[str, Tape]) -> Zone:
        plantings = [self._planting(planting, zone) for planting in zone.plantings or ()]
        return Zone(
            name, tapes[zone.tape], self._soil(name, zone), _rows(zone.rows, None),
            tuple(sorted(plantings, key=lambda planting: planting.planted)),
            _valve(zone.valve, name), zone.tape_laid, zone.wetted_width, zone.uniformity, zone.measured_flow,
            zone.refill_at, zone.leave_room, zone.shortest_run, zone.longest_run, zone.fill_time,
            zone.starting_deficit, zone.rain_capture, zone.runoff, zone.longest_pulse, zone.pulse_rest,
        )  # fmt: skip

    def _soil(self, name: str, zone: ZoneBlock) -> Soil:
        soil = zone.soil
        if soil.texture is not None:
            texture = tables.soils()[_folded(soil.texture)]
            return Soil(texture.name, texture.theta_fc, texture.theta_wp, texture.group)
        assumed = zone.wetted_width is None
        if assumed:
            self._notices.append(
                f"zones.{name}: own soil figures, but no wetted_width: the strip of a medium soil is assumed"
                " - dig after a run and measure"
            )
        return Soil("own figures", _number(soil.theta_fc), _number(soil.theta_wp), "medium", assumed)

    def _planting(self, block: PlantingBlock, zone: ZoneBlock) -> Planting:
        name = self._book.find(block.crop)
        rows = _rows(block.rows, zone.rows)
        assert name
        assert rows
        crop = self._book.crop(name)
        crop = replace(
            crop,
            stage_days=block.days or crop.stage_days,
            hold_last_stage=crop.hold_last_stage if block.hold_last_stage is None else block.hold_last_stage,
        )
        own = block.rows is not None and bool(block.rows.model_fields_set)
        flow = block.measured_flow if own or block.measured_flow is not None else zone.measured_flow
        start = block.settle
        settle = Settle(start.days, start.every, start.run) if start else None
        return Planting(crop, block.planted, block.pulled, rows, own, block.mulch, flow, settle)


_TAPE_KEYS = (
    "flow", "rated_at", "exponent", "emitter_spacing", "inside_diameter", "wall", "crop_cycles", "variation",
    "roughness", "pressure_limit",
)  # fmt: skip
"""In the order of model.Tape."""


def _number(value: float | None) -> float:
    assert value is not None  # the checks saw to it
    return value


def _rows(own: RowsBlock | None, of_zone: RowsBlock | None) -> Rows | None:
    """Own rows over the zone's; None where they do not make whole rows."""
    merged = _over(of_zone, own) if own else of_zone
    if merged is None or merged.count is None or merged.length is None or merged.spacing is None:
        return None
    return Rows(merged.count, merged.length, merged.spacing, merged.tapes or 1, merged.slope or 0.0)


def _call(block: HttpCallBlock) -> dict[str, str]:
    method = block.method or ("POST" if block.body is not None else "GET")
    return {"method": method, "url": block.url, **({} if block.body is None else {"body": block.body})}


def _valve(block: ValveBlock | None, owner: str) -> Valve:
    """Equal settings make equal keys, however they were written."""
    if block is None or block.by_hand:
        return Valve("by_hand", f"by_hand:{owner}", {}, block.cap if block else 360.0)
    if block.gpio:
        return _hung_on("gpio", {"pin": block.gpio.pin, "active_high": block.gpio.active_high}, block.cap)
    if block.command:
        return _hung_on("command", {"command": list(block.command)}, block.cap)
    if block.http:
        calls = {"open": _call(block.http.open), "close": _call(block.http.close)}
        return _hung_on("http", calls, block.cap)
    assert block.mqtt
    return _hung_on("mqtt", block.mqtt.model_dump(exclude_none=True), block.cap)


def _hung_on(
    driver: Literal["gpio", "command", "http", "mqtt"], settings: dict[str, Any], cap: float
) -> Valve:
    return Valve(driver, f"{driver}:{json.dumps(settings, sort_keys=True)}", settings, cap)


def _with_common_caps(zones: list[Zone], given: set[str]) -> tuple[Zone, ...]:
    """A valve has one cap: the smallest that any of its zones gives."""
    caps: dict[str, float] = {}
    for zone in zones:
        if zone.name in given:
            caps[zone.valve.key] = min(
                zone.valve.cap_minutes, caps.get(zone.valve.key, zone.valve.cap_minutes)
            )
    return tuple(
        replace(zone, valve=replace(zone.valve, cap_minutes=caps.get(zone.valve.key, zone.valve.cap_minutes)))
        for zone in zones
    )


def _source(block: SourceBlock) -> SourceSpec:
    if block.service:
        return SourceSpec(
            "service", block.service, block.model_dump(include={"contact", "url"}, exclude_none=True)
        )
    if block.file:
        return SourceSpec("file", f"file {block.file.path}", block.file.model_dump(exclude_none=True))
    assert block.mqtt
    return SourceSpec("mqtt", f"mqtt {block.mqtt.topic}", block.mqtt.model_dump(exclude_none=True))


def _service(block: GardenBlock) -> dict[str, Any]:
    """Only what is given; master_valve holds a model.Valve, all else is plain text and numbers."""
    service: dict[str, Any] = {"clock": block.clock, "flow_from": block.flow_from}
    if block.broker:
        service["broker"] = block.broker.model_dump(exclude_none=True)
    for key, part in (("notify", block.notify), ("meter", block.meter)):
        if part:
            service[key] = part.model_dump(exclude_none=True)
            if part.http:
                service[key]["http"] = _call(part.http)
            if part.command:
                service[key]["command"] = list(part.command)
    if master := block.master_valve:
        service["master_valve"] = {
            "valve": _valve(master, "master valve"),
            "opens_before_minutes": master.opens_before,
            "closes_after_minutes": master.closes_after,
        }
    return {key: value for key, value in service.items() if value is not None}
