"""The shipped crops under the changes of the grower's crops.yaml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from scheduler import tables
from scheduler.garden import crop_names
from scheduler.garden.block import with_changes
from scheduler.garden.crop_blocks import CropBlock, CropsFile, RootDepthBlock, StageBlock
from scheduler.garden.crop_values import crop_of
from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet
from scheduler.model import Crop, CropEntry, Display
from scheduler.units import shown

CROPS_FILE = "crops.yaml"

_KC_KEY: Mapping[str, str | None] = {
    "initial": "kc", "development": None, "mid-season": "kc", "late season": "kc_end",
}  # fmt: skip


class CropBook:
    """The shipped crops under the grower's changes; a crop is made when it is asked for."""

    def __init__(self, text: str | bytes | None, display: Display) -> None:
        self._sheet = Sheet("" if text is None else text, CROPS_FILE)
        self._shipped = tables.crops()
        names = {**tables.crop_aliases(), **{name: name for name in self._shipped}}
        self._known = {crop_names.plain(other): name for other, name in names.items()}
        own = None if self._sheet.is_empty else self._sheet.check(CropsFile, {"display": display})
        self._own: dict[str, tuple[str, CropBlock]] = {}
        self._spoiled: set[str] = set()  # in the file, but not readable
        for key in self._sheet.keys_at():
            block = own.root.get(key) if own else None
            self._take(key, block)
        self._made: dict[str, CropBlock] = {}

    def _take(self, key: str, block: CropBlock | None) -> None:
        name = self._known.get(crop_names.plain(key), key)
        if name in self._own:
            before = self._own[name][0]
            self._sheet.complain((key,), f'means the same crop as "{before}" - put both into one')
            return
        for other in (key, *(block.also or () if block else ())):
            self._known[crop_names.plain(other)] = name
        if block is None:
            self._spoiled.add(name)
        else:
            self._own[name] = (key, block)

    @property
    def complaints(self) -> list[str]:
        """What `check` and the reading of crops.yaml had to say, by line."""
        return self._sheet.complaints

    @property
    def broken(self) -> bool:
        """No YAML: which crops the grower has is not known."""
        return self._sheet.broken

    def names(self) -> list[str]:
        """The shipped crops, then the grower's own."""
        return list(dict.fromkeys((*self._shipped, *self._own)))

    def find(self, name: str) -> str | None:
        """The crop that a grower's word means, by its own name or another."""
        return crop_names.found_in(self._known, name)

    def search(self, word: str) -> list[str]:
        """The crops that a word finds: one, or all that share a word with it."""
        return crop_names.search(self._known, word)

    def neighbours(self, name: str) -> list[str]:
        """Known names that an unknown one may be meant to be."""
        return crop_names.neighbours(self._known, name)

    def unknown(self, name: str) -> str:
        """The complaint about a crop that nobody described, with its neighbours and how a new one is made."""
        near = self.neighbours(name)
        word = shown(name)[1:-1]
        new = f'a new crop takes the figures of a neighbour with "{word}: {{like: NAME}}" in {CROPS_FILE}'
        *others, last = map(shown, near or [""])
        hint = (
            f"did you mean {' or '.join([*([', '.join(others)] if others else []), last])}?" if near else new
        )
        if near and not crop_names.is_a_slip(name, near[0]):
            hint = f"{hint} Or {new}"
        return f"{shown(name)} is no crop of the table or of {CROPS_FILE} - {hint}"

    def crop(self, name: str) -> Crop:
        """The crop of a name that `find` or `names` gave; only after `check` had nothing to say."""
        like = self._models(name)[-1] if self._model(name) else None
        return crop_of(name, self._block(name), like)

    def idle_figures(self, name: str) -> list[str]:
        """Figures that the grower changed, and that count for nothing where evaporation is kept apart."""
        own = self._own[name][1] if name in self._own else None
        if own is None:
            return []
        kc = any(value is not None for stage in own.stages or () for value in (stage.kc, stage.kc_end))
        idle = ["kc"] if kc and not own.kcb and self._block(name).kcb else []
        return idle + (["film_factor"] if own.film_factor is not None and own.film_kcb is None else [])

    def entry(self, name: str) -> CropEntry:
        """The crop with its other names and the sources of its figures."""
        shipped = self._shipped.get(name, {})
        own = self._own[name][1] if name in self._own else None
        also = dict.fromkeys([*shipped.get("also", ()), *(own.also or () if own else ())])
        own_source = {CROPS_FILE: str(own.source or "changed there")} if own else {}
        return CropEntry(self.crop(name), tuple(also), {**shipped.get("source", {}), **own_source})

    def sound(self, name: str) -> bool:
        """Whether all that the crop needs is known of it."""
        models = self._models(name)
        if self._model(models[-1]) or self._spoiled & {name, *models}:
            return False
        return not (self._own.keys() & {name, *models} and _lacking(self._block(name)))

    def _model(self, name: str) -> str | None:
        """The crop that a crop is like; None for one with figures of its own."""
        own = self._own[name][1].like if name in self._own else None
        like = own or self._shipped.get(name, {}).get("like")
        return None if like is None else self.find(like) or like

    def _models(self, name: str) -> list[str]:
        """The crops behind a crop, the last with figures of its own; a circle or an unknown name ends it."""
        chain = [name]
        while (model := self._model(chain[-1])) and model not in chain and self.find(chain[-1]):
            chain.append(model)
        return chain

    def check(self) -> None:
        """Complains about the grower's crops: what is incomplete, or does not go together."""
        for name, (key, block) in self._own.items():
            if self._sheet.flooded:
                return
            for i, stage in enumerate(block.stages or ()):
                self._check_stage((key, "stages", i), stage, (block.stages or ())[:i])
            if "like" in self._sheet.keys_at((key,)) and not self._check_model(key, name, block.like):
                continue
            whole = self._block(name)
            if lacking := [what for what in _lacking(whole) if not self._told_of(key, block, what)]:
                new = "" if name in self._shipped else "a new crop must be complete: "
                self._sheet.complain((key,), f"{new}missing {', '.join(lacking)}")
                continue
            if sum(_days(stage) for stage in whole.stages or ()) == 0:
                self._sheet.complain((key, "stages"), "the four stages last no day at all")
            roots = whole.root_depth
            if roots and (roots.start or 0) > (roots.full or 0):
                text = f"start ({roots.start:g} m) must not be deeper than full ({roots.full:g} m)"
                self._sheet.complain((key, "root_depth"), text)
            heat = whole.heat
            if heat and heat.base is not None and heat.upper is not None and heat.upper <= heat.base:
                text = f"{heat.upper:g} C is not above the base, {heat.base:g} C"
                self._sheet.complain((key, "heat", "upper"), text)

    def _told_of(self, key: str, block: CropBlock, lacking: str) -> bool:
        """Whether something is wrong in the part in which `lacking` is missing: that is told already."""
        part, dot, _ = lacking.partition(".")
        given = getattr(block, part) if dot else None
        kept = given.model_dump(by_alias=True, exclude_none=True).keys() if given else ()
        return bool(dot and self._sheet.keys_at((key, part)).keys() - kept)

    def _check_model(self, key: str, name: str, like: str | None) -> bool:
        """Whether the crop that `name` is like is a good one; complains about an unknown one and a circle."""
        models = self._models(name)
        if like is None:
            return False  # what stands there is told already
        if self.find(like) is None:
            self._sheet.complain((key, "like"), self.unknown(like))
            return False
        if self._model(models[-1]) in models:
            self._sheet.complain(
                (key, "like"),
                f"goes round in a circle: {' like '.join([*models, str(self._model(models[-1]))])}",
            )
        return all(map(self.sound, models[1:])) and not self._model(models[-1])

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
            own = self._own[name][1] if name in self._own else None
            shipped = {} if own and own.like else self._shipped.get(name, {})
            block = CropBlock.model_validate(shipped, context={"display": "metric"})
            if model := self._model(name):
                block = _merged(self._block(model), block)
            self._made[name] = _merged(block, own) if own else block
        return self._made[name]


_KCB = {"initial": "initial", "mid-season": "mid_season", "late season": "late_season"}
_BY_FIELDS = frozenset({"root_depth", "kcb", "heat", "yield_response"})
"""Of these a crops.yaml may give a part; the rest stays as shipped."""


def normalized(name: str) -> str:
    """A name as names are compared: case and the number of spaces are no matter.

    >>> normalized(" Sandy  Loam")
    'sandy loam'
    """
    return " ".join(name.casefold().split())


def _merged(base: CropBlock, change: CropBlock) -> CropBlock:
    """`base` with the fields that `change` gives; stages by their names, `_BY_FIELDS` by their fields."""
    given = {key: value for key in change.model_fields_set if (value := getattr(change, key)) is not None}
    stages = {stage.stage: stage for stage in base.stages or ()}
    for stage in change.stages or ():
        stages[stage.stage] = with_changes(stages.get(stage.stage), stage)
    parts = {
        key: with_changes(getattr(base, key), given[key])
        for key in _BY_FIELDS & given.keys()
        if not given[key].off
    }
    return base.model_copy(update={**given, **parts, "stages": list(stages.values())})


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
    lacking += ["depletion"] if block.depletion is None else []
    if block.kcb:
        lacking += [f"kcb.{key}" for key, field in _KCB.items() if getattr(block.kcb, field) is None]
    if block.heat and not block.heat.off and block.heat.base is None:
        lacking.append("heat.base")
    if block.yield_response and block.yield_response.season is None:
        lacking.append("yield_response.season")
    return lacking


def _days(stage: StageBlock) -> int:
    return stage.days or 0
