"""The holes of a supply line between two layouts: worked by hand, and laws that hold for any layouts."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.core.system.changeover import ZoneChange, best_shift, changeover
from scheduler.core.system.layout import Laid, TakeOff, place_from_feed, take_offs
from scheduler.model import Rows, Tape

INCH = 0.0254
FOOT = 0.3048
THIN = Tape("thin", flow_lpm_per_m=0.0497)


def lay(
    count: int, spacing_m: float, length_m: float = 24.0, *, tapes: int = 1, begins_m: float = 0.0
) -> Laid:
    return Laid("beds", begins_m, Rows(count, length_m, spacing_m, tapes), THIN)


def one(before: Laid, after: Laid, tolerance_m: float = INCH, **more: object) -> ZoneChange:
    (change,) = changeover([before], [after], tolerance_m=tolerance_m, **more)  # type: ignore[arg-type]
    return change


def inches(places: tuple[TakeOff, ...]) -> list[float]:
    return [round(place.at_m / INCH, 3) for place in places]


# --- by hand -------------------------------------------------------------------------------------


def test_spring_to_fall_by_hand() -> None:
    """Three rows at 5 ft: 30, 90, 150 in.  Nine rows at 20 in: 10, 30, 50, ..., 170 in.

    30, 90 and 150 are in both, so three holes stay, none is plugged, six are new; row 2 of the new rows gets
    the tape of old row 1, 5 of 2, 8 of 3.  New rows 80 ft as the old: six tapes of 80 ft = 480 ft to cut.
    """
    change = one(lay(3, 60 * INCH, 80 * FOOT), lay(9, 20 * INCH, 80 * FOOT))
    assert [(h.state, round(h.at_m / INCH)) for h in change.holes] == [
        ("new", 10), ("stays", 30), ("new", 50), ("new", 70), ("stays", 90), ("new", 110), ("new", 130),
        ("stays", 150), ("new", 170),
    ]  # fmt: skip
    stay = [(h.before.row, h.after.row) for h in change.holes if h.before and h.after]
    assert stay == [(1, 2), (2, 5), (3, 8)]
    assert [piece.row for piece in change.tapes if piece.work == "keep"] == [2, 5, 8]
    parts = change.parts
    assert (parts.row_starts, parts.plugs, parts.couplings, parts.end_closures) == (6, 0, 0, 6)
    assert parts.tape_m == pytest.approx(480 * FOOT)
    assert parts.lifted_m == 0


def test_five_feet_to_two_and_a_half_share_no_hole() -> None:
    """30, 90, 150 in against 15, 45, 75, 105, 135, 165 in: every old hole lies midway between two new ones.

    All rows moved 15 in away from the feed stand at 30, 60, 90, 120, 150, 180 in: then all three stay.
    """
    before, after = lay(3, 60 * INCH), lay(6, 30 * INCH)
    change = one(before, after)
    assert [h.state for h in change.holes].count("stays") == 0
    assert (change.parts.plugs, change.parts.row_starts) == (3, 6)
    by_m, stays = best_shift(before, after, room_m=(0, 180 * INCH), tolerance_m=INCH)
    assert (round(by_m / INCH, 2), stays) == (15, 3)


def test_a_shift_stays_inside_the_zone() -> None:
    """Here both ways out are closed: 15 in either way would put a hole on or past the edge."""
    before, after = lay(3, 60 * INCH), lay(6, 30 * INCH)
    by_m, stays = best_shift(before, after, room_m=(5 * INCH, 175 * INCH), tolerance_m=INCH)
    assert (by_m, stays) == (0, 0)


def test_two_tapes_stand_six_inches_aside_or_a_quarter_spacing() -> None:
    """Rows of 5 ft: 0.15 m each side of 30 in.  Rows of 0.40 m: a quarter, 0.10 m, each side of 0.20 m."""
    wide = take_offs(lay(1, 60 * INCH, tapes=2))
    assert [p.at_m for p in wide] == pytest.approx([0.762 - 0.15, 0.762 + 0.15])
    tight = take_offs(lay(2, 0.40, tapes=2))
    assert [p.at_m for p in tight] == pytest.approx([0.10, 0.30, 0.50, 0.70])
    assert [p.row for p in tight] == [1, 1, 2, 2]


def test_zone_edge_moves_all_its_places() -> None:
    assert inches(take_offs(lay(2, 60 * INCH, begins_m=100 * INCH))) == [130, 190]


@pytest.mark.parametrize(("shift_in", "state"), [(0.99, "stays"), (1.0, "stays"), (1.01, "plug")])
def test_tolerance_is_an_inch(shift_in: float, state: str) -> None:
    change = one(lay(1, 60 * INCH), lay(1, 60 * INCH, begins_m=shift_in * INCH))
    assert change.holes[0].state == state


def test_tape_that_is_too_long_is_cut_back_and_too_short_extended() -> None:
    """Rows of 24 m: to 20 m cut back, nothing off the reel; to 30 m a piece of 6 m and a coupling each."""
    shorter = one(lay(2, 1.0), lay(2, 1.0, 20.0))
    assert [(p.work, p.length_m, p.cut_m) for p in shorter.tapes] == [("cut back", 20.0, 0.0)] * 2
    assert shorter.parts.end_closures == 0
    longer = one(lay(2, 1.0), lay(2, 1.0, 30.0))
    assert [(p.work, p.length_m, p.cut_m) for p in longer.tapes] == [("extend", 30.0, 6.0)] * 2
    assert (longer.parts.couplings, longer.parts.tape_m, longer.parts.end_closures) == (2, 12.0, 0)


def test_new_tape_on_old_holes() -> None:
    """Worn tape: the two holes stay, both tapes are lifted (48 m) and laid new (48 m), closures with them."""
    change = one(lay(2, 1.0), lay(2, 1.0), new_tape={"beds"})
    assert [h.state for h in change.holes] == ["stays", "stays"]
    assert [p.work for p in change.tapes] == ["lay", "lay"]
    assert (change.parts.tape_m, change.parts.lifted_m) == (48.0, 48.0)
    assert (change.parts.end_closures, change.parts.end_closures_freed) == (2, 2)
    assert (change.parts.row_starts, change.parts.plugs) == (0, 0)


def test_another_tape_is_laid_new() -> None:
    after = replace(lay(2, 1.0), tape=Tape("thick", flow_lpm_per_m=0.06))
    assert [p.work for p in one(lay(2, 1.0), after).tapes] == ["lay", "lay"]


def test_zone_that_goes_and_zone_that_comes() -> None:
    gone, come = lay(2, 1.0), replace(lay(3, 1.0, begins_m=2.0), zone="side")
    first, second = changeover([gone], [come])
    assert (first.zone, first.parts.plugs, first.parts.row_starts, first.parts.lifted_m) == (
        "beds",
        2,
        0,
        48.0,
    )
    assert (second.zone, second.parts.plugs, second.parts.row_starts) == ("side", 0, 3)


def test_places_from_the_feed() -> None:
    assert place_from_feed(3.0, 10.0, "end") == (None, 3.0)
    assert place_from_feed(3.0, 10.0, "middle") == ("left", 2.0)
    assert place_from_feed(9.0, 10.0, "middle") == ("right", 4.0)
    assert place_from_feed(5.0, 10.0, "middle") == ("right", 0.0)


def test_tolerance_below_zero_is_refused() -> None:
    for wrong in (-0.01, float("nan")):
        with pytest.raises(ValueError, match="tolerance"):
            one(lay(1, 1.0), lay(1, 1.0), wrong)


# --- laws ----------------------------------------------------------------------------------------

layouts = st.builds(
    lay,
    st.integers(1, 12),
    st.sampled_from([0.4, 0.75, 20 * INCH, 30 * INCH, 60 * INCH]) | st.floats(0.2, 3.0),
    st.sampled_from([20.0, 24.0]) | st.floats(3.0, 60.0),
    tapes=st.integers(1, 3),
    begins_m=st.sampled_from([0.0, 1.5]),
)
tolerances = st.sampled_from([0.0, INCH]) | st.floats(0.0, 0.5)


@given(layouts, layouts, tolerances)
def test_every_hole_has_one_fate(before: Laid, after: Laid, tolerance_m: float) -> None:
    holes = one(before, after, tolerance_m).holes
    assert tuple(h.before for h in holes if h.before) == take_offs(before)
    assert tuple(h.after for h in holes if h.after) == take_offs(after)
    for hole in holes:
        match hole.state:
            case "stays":
                assert hole.before
                assert hole.after
                assert abs(hole.before.at_m - hole.after.at_m) <= tolerance_m + 1e-8
            case "plug":
                assert hole.before
                assert hole.after is None
            case "new":
                assert hole.before is None
                assert hole.after


@given(layouts, tolerances)
def test_the_same_layout_changes_nothing(layout: Laid, tolerance_m: float) -> None:
    change = one(layout, layout, tolerance_m)
    assert not change.changes
    assert change.parts == type(change.parts)()


@given(layouts, layouts, tolerances)
def test_there_and_back_exchanges_plugs_and_new_holes(before: Laid, after: Laid, tolerance_m: float) -> None:
    there, back = one(before, after, tolerance_m), one(after, before, tolerance_m)
    assert [(h.after, h.before) for h in back.holes if h.state == "stays"] == [
        (h.before, h.after) for h in there.holes if h.state == "stays"
    ]
    assert [h.after for h in back.holes if h.state == "new"] == [
        h.before for h in there.holes if h.state == "plug"
    ]
    assert (there.parts.plugs, there.parts.row_starts) == (back.parts.row_starts, back.parts.plugs)


@given(layouts, layouts, tolerances)
def test_no_other_pairing_lets_more_holes_stay(before: Laid, after: Laid, tolerance_m: float) -> None:
    """Against a general method for pairing: augmenting paths (Berge 1957)."""
    old, new = take_offs(before), take_offs(after)
    near = [[j for j, b in enumerate(new) if abs(a.at_m - b.at_m) <= tolerance_m + 1e-9] for a in old]
    partner: dict[int, int] = {}

    def place(i: int, seen: set[int]) -> bool:
        for j in near[i]:
            if j not in seen:
                seen.add(j)
                if j not in partner or place(partner[j], seen):
                    partner[j] = i
                    return True
        return False

    most = sum(place(i, set()) for i in range(len(old)))
    assert [h.state for h in one(before, after, tolerance_m).holes].count("stays") == most


@given(layouts, layouts, tolerances, st.booleans())
def test_tape_is_neither_lost_nor_found(before: Laid, after: Laid, tolerance_m: float, worn: bool) -> None:
    """What lies afterwards = what lay, less what was taken up and cut back, plus what came off the reel."""
    change = one(before, after, tolerance_m, new_tape={"beds"} if worn else ())
    cut_back = 0.0
    for hole in change.holes:
        if hole.before and hole.after and not worn:
            more = hole.before.length_m - hole.after.length_m
            cut_back += max(more, 0.0) if more > tolerance_m + 1e-9 else 0.0
    lies = sum(piece.length_m for piece in change.tapes)
    parts = change.parts
    assert lies == pytest.approx(before.rows.tape_m - parts.lifted_m - cut_back + parts.tape_m)
    assert len(change.tapes) == after.rows.count * after.rows.tapes


@given(layouts, layouts, tolerances)
def test_a_shift_never_keeps_fewer_holes(before: Laid, after: Laid, tolerance_m: float) -> None:
    ends = [laid.begins_m + laid.rows.count * laid.rows.spacing_m for laid in (before, after)]
    room = (min(before.begins_m, after.begins_m), max(ends))
    by_m, stays = best_shift(before, after, room_m=room, tolerance_m=tolerance_m)
    moved = one(before, replace(after, begins_m=after.begins_m + by_m), tolerance_m)
    # the sum of a place and a move is rounded: only where a hole lies right at the tolerance can one differ
    assert stays >= [h.state for h in one(before, after, tolerance_m).holes].count("stays")
    assert abs([h.state for h in moved.holes].count("stays") - stays) <= sum(
        abs(abs(a.at_m - b.at_m - by_m) - tolerance_m) < 1e-6
        for a in take_offs(before)
        for b in take_offs(after)
    )
    for place in take_offs(replace(after, begins_m=after.begins_m + by_m)):
        assert room[0] - 1e-6 <= place.at_m <= room[1] + 1e-6
