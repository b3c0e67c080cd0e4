"""The bucket test as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import wrap
from scheduler.pages.bucket import AGREE_WITHIN
from scheduler.show import Display, show_flow, show_length

if TYPE_CHECKING:
    from scheduler.model import Garden
    from scheduler.shapes.bucket import BucketPage

FLOW_MOVED = 0.05
"""Share by which the flow may differ from garden.yaml's before it is said (common practice, no source)."""

REEL: dict[Display, str] = {"us": "0.40gpm/100ft", "metric": "5L/h/m"}

NO_BACK_PRESSURE = (
    "A bucket fills against no back pressure: through filter, regulator and tape the supply gives less."
)


def bucket_text(
    page: BucketPage, garden: Garden | None, display: Display, tape_display: Display, width: int
) -> str:
    told = _lines(page, garden, display, tape_display)
    return "\n".join(line for text in told for line in wrap(text, width, 4))


def _lines(page: BucketPage, garden: Garden | None, display: Display, tape_display: Display) -> Iterator[str]:
    timings = page["timings"]
    count = len(timings["seconds"])
    if count > 1:
        yield (
            f"{count} timings: mean {timings['mean_seconds']:.1f} s,"
            f" spread {timings['spread_seconds']:.1f} s ({timings['variation']:.1%})"
        )
    yield f"flow {show_flow(page['flow_lpm'], display)}"
    if garden is not None and garden.supply.keep_back:
        yield f"usable {show_flow(page['usable_lpm'], display)}, {garden.supply.keep_back:.0%} kept back"
    for name, meters in page["longest_tape_m"].items():
        yield f"  feeds at most {show_length(meters, tape_display)} of {name} at once"
    if not page["longest_tape_m"]:
        yield f"  how much tape that feeds: add --tape-flow, such as {REEL[display]} from the reel"
    if not timings["agree"]:
        yield f"! the timings spread by more than {AGREE_WITHIN:.0%}: time it again, no other tap open"
    if garden is not None and abs(page["flow_lpm"] / garden.supply.flow_lpm - 1) > FLOW_MOVED:
        reckoned = show_flow(garden.supply.flow_lpm, display)
        yield f"garden.yaml reckons with {reckoned}: if this timing is right, change supply.bucket there"
    yield NO_BACK_PRESSURE
