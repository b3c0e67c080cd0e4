"""What a planting, its zone and its crop say from seed to lifting: read into SI, complained of by line."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from garden.test_file import SAMPLE, changed, complaints

from scheduler.garden.file import load, load_text
from scheduler.model import DryOff, Emergence, Feed, HeatUnits, Settle, Shelter, YieldResponse

OPEN_GARDEN = Path(__file__).parents[1] / "reference" / "open_garden2"


def zone_with(lines: str) -> str:
    """The sample garden, some lines more in its zone."""
    return changed(
        "    tape: thin\n", "    tape: thin\n" + "".join(f"    {line}\n" for line in lines.split("\n"))
    )


def planting_with(more: str) -> str:
    """The sample garden, its tomatoes with some keys more."""
    return changed("mulch: none", more if "mulch:" in more else f"mulch: none, {more}")


def first_planting(more: str):
    return load_text(planting_with(more)).zones[0].plantings[0]


def crop_of(crops: str, name: str = "tomato"):
    text = SAMPLE.replace("crop: tomato", f"crop: {name}")
    return load_text(text, crops).zones[0].plantings[0].crop


# --- reading -------------------------------------------------------------------------------------


def test_a_zone_says_where_the_tape_lies_and_what_it_wets():
    zone = load_text(
        zone_with(
            "tape_depth: 4 in\nwet_band: 10 in\nsurface_run: 40 min\nsoil_ec: 1.4\nfeed: {days: [Thu, mon]}"
        )
    ).zones[0]
    assert zone.tape_depth_m == pytest.approx(0.1016)
    assert zone.wet_band_m == pytest.approx(0.254)
    assert (zone.surface_run_minutes, zone.soil_ec_ds_m, zone.feed) == (40, 1.4, Feed((0, 3)))


def test_a_zone_that_says_nothing_of_them():
    """Buried tape of 0.10 m and soil of 1 dS/m are own choices."""
    zone = load_text(SAMPLE).zones[0]
    assert (zone.tape_depth_m, zone.wet_band_m, zone.surface_run_minutes) == (0.10, None, None)
    assert (zone.soil_ec_ds_m, zone.feed) == (1.0, None)


def test_zero_needs_no_unit():
    assert load_text(zone_with("tape_depth: 0")).zones[0].tape_depth_m == 0
    assert load_text(zone_with("wet_band: 0")).zones[0].wet_band_m == 0


@pytest.mark.parametrize(("typed", "settle"), [
    ("off", None), ("no", None), ("on", Settle()), ("{every: 1 day}", Settle(every_days=1)),
    ("{days: 14, run: 20 min}", Settle(14, None, 20)),
])  # fmt: skip
def test_settling_in(typed, settle):
    assert first_planting(f"settle: {typed}").settle == settle


@pytest.mark.parametrize(("typed", "shelter"), [
    ("tunnel", Shelter("tunnel", 0.7, keeps_rain_out=True)),
    ("{tunnel: 0.75}", Shelter("tunnel", 0.75, keeps_rain_out=True)),
    ("Row cover", Shelter("row cover", 0.8, keeps_rain_out=False)),
    ("{row cover: 85%, until: 2026-05-20}",
     Shelter("row cover", 0.85, keeps_rain_out=False, until=date(2026, 5, 20))),
    ("{shade: 40%}", Shelter("shade", 0.8, keeps_rain_out=False)),
    ("{shade: 30%}", Shelter("shade", 0.85, keeps_rain_out=False)),
    ("{shade, until: 2026-06-01}", Shelter("shade", 0.8, keeps_rain_out=False, until=date(2026, 6, 1))),
])  # fmt: skip
def test_shelters(typed, shelter):
    """The factors, and half of the shade cloth's share, are own choices."""
    assert first_planting(f"shelter: {typed}").shelter == shelter


@pytest.mark.parametrize(("typed", "dry_off"), [
    ("14 days", DryOff(14)), ("0", DryOff(0)), ("2 weeks", DryOff(14)), ("10", DryOff(10)),
    ("{days: 10, refill_at: 1.0}", DryOff(10, 1.0)), ("{days: 10 days}", DryOff(10)),
])  # fmt: skip
def test_drying_off(typed, dry_off):
    assert first_planting(f"dry_off: {typed}").dry_off == dry_off


@pytest.mark.parametrize(("more", "settle"), [
    ("by: transplants", Settle()), ("by: seed", None), ("by: seed, settle: on", Settle()),
    ("by: seed, settle: {run: 20 min}", Settle(run_minutes=20)), ("by: sets", None),
    ("by: sets, settle: on", None),
])  # fmt: skip
def test_transplants_are_settled_in_where_nothing_is_said(more, settle):
    assert first_planting(more).settle == settle
    assert load_text(changed("crop: tomato", "crop: carrot")).zones[0].plantings[0].settle is None  # sown
    assert load_text(SAMPLE).zones[0].plantings[0].settle == Settle()


@pytest.mark.parametrize(("more", "crops", "holds"), [
    ("mulch: none", "", True), ("hold_last_stage: false", "", False),
    ("mulch: none", "tomato: {hold_last_stage: false}", False),
    ("hold_last_stage: true", "tomato: {hold_last_stage: false}", True),
])  # fmt: skip
def test_a_crop_stands_until_it_is_pulled(more, crops, holds):
    garden = load_text(planting_with(more), crops or None)
    assert garden.zones[0].plantings[0].crop.hold_last_stage is holds


@pytest.mark.parametrize(("more", "told"), [
    ("mulch_cover: 60%", "zones.tomatoes: mulch_cover counts for nothing where no mulch is given"),
    ("by: sets, settle: on", "zones.tomatoes: settle counts for nothing: tomato is grown from sets"),
])  # fmt: skip
def test_what_counts_for_nothing_is_said(more, told):
    assert load_text(planting_with(more)).notices == (told,)


DUAL = SAMPLE + "crop_coefficient: dual\n"


@pytest.mark.parametrize(("garden", "crops", "told"), [
    (DUAL, "tomato: {stages: [{stage: mid-season, kc: 1.0}]}",
     ("crops.yaml: kc of tomato counts for nothing with crop_coefficient: dual - give kcb",)),
    (DUAL, "tomato: {film_factor: 0.35}",
     ("crops.yaml: film_factor of tomato counts for nothing with crop_coefficient: dual - give film_kcb",)),
    (DUAL, "tomato: {stages: [{stage: mid-season, kc: 1.0}], kcb: {mid-season: 0.95}}", ()),
    (DUAL, "tomato: {depletion: 0.5, stages: [{stage: mid-season, days: 60}]}", ()),
    (SAMPLE + "crop_coefficient: single\n", "tomato: {film_factor: 0.35}", ()),
])  # fmt: skip
def test_a_crops_file_of_before_is_told_what_is_read_no_more(garden, crops, told):
    assert load_text(garden, crops).notices == told


def test_how_a_planting_starts_and_what_was_seen_of_it():
    one = first_planting(
        "by: seed, seed_depth: 1/2 in, harvest: 2026-08-05, mulch: straw, mulch_cover: 60%, cover: 0.7, "
        "heat: off, feed: weekly, observed: {late season: 2026-07-20, mid-season: 2026-06-12}"
    )
    assert (one.by, one.seed_depth_m, one.harvest) == ("seed", pytest.approx(0.0127), date(2026, 8, 5))
    assert (one.mulch_cover, one.cover, one.heat, one.feed) == (0.6, 0.7, False, Feed())
    assert one.observed == (("mid-season", date(2026, 6, 12)), ("late season", date(2026, 7, 20)))


def test_a_planting_that_says_nothing_of_them():
    one = load_text(SAMPLE).zones[0].plantings[0]
    assert (one.by, one.seed_depth_m, one.harvest, one.dry_off, one.cover) == (None,) * 5
    assert (one.mulch_cover, one.shelter, one.heat, one.observed, one.feed) == (None, None, True, (), None)


def test_the_soils_surface_follows_its_texture():
    """REW: FAO-56 Table 19, middle of 6-10 mm for sandy loam, of 8-11 mm for silt loam."""
    soil = load_text(SAMPLE).zones[0].soil
    assert (soil.rew_mm, soil.texture_group) == (8.0, "medium")
    own = load_text(changed("soil: sandy loam", "soil: {theta_fc: 0.30, theta_wp: 0.15}")).zones[0].soil
    assert (own.rew_mm, own.texture_group) == (9.5, "medium")
    sand = load_text(changed("soil: sandy loam", "soil: {theta_fc: 0.13, theta_wp: 0.05}")).zones[0]
    assert (sand.soil.rew_mm, sand.soil.texture_group, sand.pulse_rest_minutes) == (4.5, "coarse", 120)


def test_what_the_record_begins_with_hangs_on_the_coefficient():
    assert load_text(SAMPLE + "crop_coefficient: dual\n").zones[0].starting_deficit_mm is None
    assert load_text(SAMPLE + "crop_coefficient: single\n").zones[0].starting_deficit_mm == 0
    given = zone_with("starting_deficit: 0.2 in") + "crop_coefficient: dual\n"
    assert load_text(given).zones[0].starting_deficit_mm == pytest.approx(5.08)


def test_the_feed_tanks_time():
    assert load_text(changed("days: all", "injector_minutes: 20")).supply.injector_minutes == 20


def test_a_crop_in_every_figure():
    crop = crop_of(
        """\
tomato:
  kcb: {late season: 0.65}
  film_kcb: 5%
  by: seed
  seed_depth: 0.5 in
  emergence: {sum: 158.4 F-days, base: 47.66 F}
  dry_off: {days: 10, refill_at: 0.9}
  killed_below: 30.2 F
  ec_slope: 9.9%
  heat: {base: 50 F, upper: 86 F, method: average, stages: [150, 450, 1440 F-days, 1000], reference: 05-01}
  yield_response: {season: 1.05, flowering: 1.1}
""".replace("{late season: 0.65}", "{initial: 0.15, mid-season: 1.1, late season: 0.65}")
    )
    assert crop.kcb == (0.15, 1.1, 0.65)
    assert (crop.film_kcb, crop.by, crop.seed_depth_m) == (0.05, "seed", pytest.approx(0.0127))
    assert crop.emergence == Emergence(88.0, 8.7)
    assert (crop.dry_off, crop.killed_below_c, crop.ec_slope_pct) == (DryOff(10, 0.9), -1.0, 9.9)
    assert crop.heat == HeatUnits(10.0, 30.0, "average", (150, 450, 800, 1000), (5, 1))
    assert (crop.yield_response.season, crop.yield_response.flowering) == (1.05, 1.1)


def test_a_crops_heat_can_be_switched_off():
    assert crop_of("tomato: {heat: {base: 8}}").heat is not None
    assert crop_of("tomato: {heat: off}").heat is None


def test_the_open_garden_is_read_in_full():
    garden = load(OPEN_GARDEN / "garden.yaml")
    sown, set_out = garden.zones
    pod, leaf = sown.plantings
    assert (sown.tape_depth_m, set_out.tape_depth_m) == (pytest.approx(0.0762), pytest.approx(0.0508))
    assert (pod.crop.by, pod.crop.seed_depth_m) == ("seed", pytest.approx(0.0381))
    assert (pod.crop.kcb, leaf.crop.kcb) == ((0.15, 1.0, 0.8), None)
    assert pod.crop.emergence == Emergence(130, 7.7)
    assert pod.crop.heat == HeatUnits(10, 30)
    assert pod.crop.yield_response == YieldResponse(1.15, 0.2, 1.1, 0.75, 0.2)
    assert (leaf.crop.by, leaf.crop.yield_response) == ("transplants", None)


# --- bad input -----------------------------------------------------------------------------------

BAD_PLANTINGS = [
    ("seed_depth: 0.5", 'seed_depth: "0.5" has no unit - for example "80 ft"'),
    ("seed_depth: 2 ft", 'seed_depth: "2 ft" must be at most 0.3 m'),
    ("cover: 140%", 'cover: "140%" is not a fraction: it lies beyond 1 - 100% is the most'),
    ("cover: 0", 'cover: "0" must be more than 0'),
    ("mulch: straw, mulch_cover: 60", 'mulch_cover: "60" is not a fraction: it lies beyond 1 - write "60%"'),
    ("by: sed", 'by: "sed" is not one of: seed, transplants, sets - did you mean "seed"?'),
    ("by: set", 'by: "set" is not one of: seed, transplants, sets - did you mean "sets"?'),
    ("observed: {mid-season: 2026-06-12, late season: 2026-06-01}",
     "observed.late season: 2026-06-01 is not after that of mid-season, 2026-06-12"),
    ("observed: {development: 2026-04-20}",
     "observed.development: 2026-04-20 is not after that of planting, 2026-04-20"),
    ("observed: {late season: 2026-08-10}",
     "observed.late season: 2026-08-10 is not before it is pulled, 2026-08-10"),
    ("observed: {midseason: 2026-06-12}", 'observed.midseason: unknown key - did you mean "mid-season"?'),
    ("harvest: 2026-02-05", "harvest: 2026-02-05 is not after 2026-04-20 - did you mean 2027-02-05?"),
    ("harvest: 2026-08-12", "harvest: 2026-08-12 is after it is pulled, 2026-08-10"),
    ("shelter: tunel",
     'shelter: "tunel" is neither tunnel nor row cover nor shade, nor keys (tunnel, row cover, shade, until)'
     ' - did you mean "tunnel"?'),
    ("shelter: {row-cover: 0.8}", 'shelter.row-cover: unknown key - did you mean "row cover"?'),
    ("shelter: {tunnel: 0.7, shade: 40%}",
     "shelter: tunnel and shade are given - only one of them can hold"),
    ("shelter: {until: 2026-05-01}", "shelter: missing: one of tunnel, row cover, shade"),
    ("shelter: {tunnel: 7}", 'shelter.tunnel: "7" is not a fraction: it lies beyond 1 - write "7%"'),
    ("shelter: {shade: 40%, until: 2026-04-01}",
     "shelter.until: 2026-04-01 is not after 2026-04-20"),
    ("settle: of",
     'settle: "of" is neither off nor on, nor keys (days, every, run) - did you mean "off"?'),
    ("dry_off: 14 dayz", 'dry_off: "14 dayz" is not a number of whole days'),
    ("dry_off: 90 days",
     'dry_off: "90 days" is not a number of whole days: 0 to 60 are possible - for example "10 days"'),
    ("feed: daily", 'feed: "daily" is neither weekly, nor keys (days)'),
    ("feed: {days: [mo]}", 'feed.days: "mo" is not a weekday - did you mean "mon"?'),
    ("seeddepth: 1 in", 'seeddepth: unknown key - did you mean "seed_depth"?'),
    ("hold_last_stage: maybe", 'hold_last_stage: "maybe" is not yes or no - for example "true"'),
]  # fmt: skip


@pytest.mark.parametrize(("more", "message"), BAD_PLANTINGS)
def test_bad_plantings(more, message):
    (told,) = complaints(planting_with(more))
    place, _, text = told.partition(" ")
    assert place == "garden.yaml:28:"
    assert text.startswith("zones.tomatoes.plantings[1]." + message.split(" ")[0].rstrip(":").split(":")[0])
    assert message.partition(": ")[2] in told


BAD_ZONES = [
    ("tape_depth: 4", 'zones.tomatoes.tape_depth: "4" has no unit - for example "80 ft"'),
    ("tape_depth: 4 ft", 'zones.tomatoes.tape_depth: "4 ft" must be at most 0.6 m'),
    ("wet_band: 3 ft", 'zones.tomatoes.wet_band: "3 ft" is wider than a row, "2.5 ft"'
     " - it is the width over one tape"),
    ("surface_run: 0 min", 'zones.tomatoes.surface_run: "0 min" must be more than 0 minutes'),
    ("soil_ec: 40", 'zones.tomatoes.soil_ec: "40" must be at most 30 dS/m'),
    ("tapedepth: 4 in", 'zones.tomatoes.tapedepth: unknown key - did you mean "tape_depth"?'),
]  # fmt: skip


@pytest.mark.parametrize(("line", "message"), BAD_ZONES)
def test_bad_zones(line, message):
    (told,) = complaints(zone_with(line))
    assert told.partition(": ")[2] == message


def test_a_coefficient_that_is_none():
    (told,) = complaints(SAMPLE + "crop_coefficient: duel\n")
    assert told.endswith('crop_coefficient: "duel" is not one of: single, dual - did you mean "dual"?')


def test_a_crop_pulled_or_lifted_after_the_next_is_planted():
    late = changed("pulled: 2026-08-10", "harvest: 2026-08-25")
    (told,) = complaints(late)
    assert "plantings[1].harvest: 2026-08-25 is after the next is planted, 2026-08-20" in told
    (told,) = complaints(changed("pulled: 2026-08-10", "pulled: 2026-08-25"))
    assert "plantings[1].pulled: 2026-08-25 is after the next is planted, 2026-08-20" in told


BAD_CROPS = [
    ("kcb: {mid-season: 1.5}", 'kcb.mid-season: "1.5" must be at most 1.4'),
    ("kcb: 1.1", 'kcb: "1.1" where keys are expected'),
    ("kcb: {mid season: 1.1}", 'kcb.mid season: unknown key - did you mean "mid-season"?'),
    ("seed_depth: 20", 'seed_depth: "20" has no unit'),
    ("emergence: {sum: 88}", 'emergence.base: missing - for example "base: 7.7 C"'),
    ("emergence: {sum: lots, base: 8}", 'emergence.sum: "lots" is not a sum of degree-days'),
    ("killed_below: 28", 'killed_below: "28" must be from -40 to 10 C - did you mean "28 F"?'),
    ("ec_slope: 0", 'ec_slope: "0" must be more than 0'),
    ("heat: {base: 50}", 'heat.base: "50" must be from -5 to 25 C - did you mean "50 F"?'),
    ("heat: {base: 12, upper: 11}", "heat.upper: 11 C is not above the base, 12 C"),
    ("heat: {base: 10, stages: [150, 450, 400, 1000]}",
     'heat.stages: sums count from planting on: "400" is less than the one before'),
    ("heat: {base: 10, stages: [150, 450]}", "heat.stages: the sums of the four stages are expected"),
    ("heat: {base: 10, method: sin}",
     'heat.method: "sin" is not one of: sine, average - did you mean "sine"?'),
    ("heat: {base: 10, reference: 02-29}",
     'heat.reference: "02-29" is not a month and day: not every year has such a day'),
    ("heat: none", 'heat: "none" is neither off, nor keys (base, upper, method, stages, reference)'),
    ("yield_response: {season: 1.05, flowring: 1}",
     'yield_response.flowring: unknown key - did you mean "flowering"?'),
    ("yield_response: {season: 5}", 'yield_response.season: "5" must be at most 3'),
]  # fmt: skip


@pytest.mark.parametrize(("line", "message"), BAD_CROPS)
def test_bad_crops(line, message):
    told = complaints(SAMPLE, f"tomato:\n  depletion: 0.4\n  {line}\n")
    assert len(told) == 1
    assert told[0].startswith(f"crops.yaml:3: tomato.{message}")


def test_a_new_crop_is_complete_in_what_it_begins():
    new = """\
skirret:
  stages: [{stage: initial, days: 30, kc: 0.5}, {stage: development, days: 40},
           {stage: mid-season, days: 60, kc: 1.05}, {stage: late season, days: 20, kc_end: 0.95}]
  root_depth: {start: 0.15 m, full: 0.50 m}
  depletion: 0.40
  kcb: {initial: 0.15}
  heat: {upper: 30}
  yield_response: {flowering: 1.1}
"""
    (told,) = complaints(SAMPLE, new)
    assert told == (
        "crops.yaml:1: skirret: a new crop must be complete: missing kcb.mid-season, kcb.late season,"
        " heat.base, yield_response.season"
    )
