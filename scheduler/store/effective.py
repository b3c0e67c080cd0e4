"""What a zone really got, where the grower has corrected the record."""

from __future__ import annotations

from collections.abc import Iterable

from scheduler.model import Applied


def effective_applied(records: Iterable[Applied]) -> list[Applied]:
    """The records in force, in their order: their depths add up.

    records: in the order of recording, as `Store.applied` gives them. One with `replaces_day` says all that
    its zone got on that day up to then, so the earlier ones of that zone and day fall away; later ones add.
    """
    in_force: list[Applied | None] = []
    of_zone_and_day: dict[tuple[str, object], list[int]] = {}
    for record in records:
        places = of_zone_and_day.setdefault((record.zone, record.day), [])
        if record.replaces_day:
            for place in places:
                in_force[place] = None
        places.append(len(in_force))
        in_force.append(record)
    return [record for record in in_force if record is not None]
