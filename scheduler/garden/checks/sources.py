"""The sources of weather: one kind each, none twice, and what only their readers know of their settings.

The readers of weather are imported for the kinds of source that stand in the file: together they cost as much
as all the other checks.
"""

from __future__ import annotations

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.build import source_of
from scheduler.garden.checks.shared import exactly_one
from scheduler.garden.sheet import Sheet
from scheduler.garden.source_blocks import SourceBlock
from scheduler.units import shown
from scheduler.weather import services


def check_sources(sheet: Sheet, garden: GardenBlock) -> None:
    """One kind each, none twice, each with settings that its reader can work with."""
    seen: dict[str, SourceBlock] = {}
    for source in (garden.weather.sources if garden.weather else None) or ():
        one = exactly_one(sheet, source.at, source.one_of)
        if not one or not (source.service or source.file or source.mqtt):  # it was wrong itself
            continue
        name = source_of(source).name
        if name in seen:
            line = sheet.line(seen[name].at)
            sheet.complain(source.at, f"{shown(name)} is given twice (the other: line {line})")
        seen[name] = source
        _check_settings(sheet, source)


def _check_settings(sheet: Sheet, source: SourceBlock) -> None:
    spec = source_of(source)
    if source.service:
        for key, text in services.complaints(source.service, spec.settings):
            sheet.complain((*source.at, key), text)
    about: list[tuple[str, list[str]]] = []
    if source.file and source.file.columns:
        from scheduler.weather.files import layout

        about.append(("file", layout.check(spec.settings)))
    if source.mqtt:
        from scheduler.weather.mqtt import messages

        about.append(("mqtt", messages.check(spec.settings)))
    for kind, complaints in about:
        for text in complaints:
            where, _, what = text.partition(": ")
            sheet.complain((*source.at, kind, where), what)
