"""The paired phones as text."""

from __future__ import annotations

from scheduler.cli.text.base import wrap
from scheduler.shapes.phones import PhonesPage


def phones_text(page: PhonesPage, width: int) -> str:
    """One line a phone; what to do where none is paired."""
    if not page["phones"]:
        return "\n".join(wrap("No phone is paired. One is by: rowwater page pair", width, 0))
    lines = []
    for one in page["phones"]:
        days = f"paired {one['paired'][:10]}, seen {one['seen'][:10]}"
        lines += wrap(f"{one['number']}  {one['name']}, may {one['may']}, {days}", width, 3)
    return "\n".join(lines)
