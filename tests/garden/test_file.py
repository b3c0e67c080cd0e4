"""garden.yaml and crops.yaml: what is read, in SI, and what is said of what is wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time
from pathlib import Path

import pytest

from scheduler.errors import BadGarden, BadInput
from scheduler.garden.file import crops_in_force, load, load_text, planting_from_note
from scheduler.model import Rows, Settle, WateringDays
from scheduler.places import data_dir, find_config

SAMPLE = """\
garden: Creekside plot
location: {latitude: 35.61, longitude: -82.44, elevation: 2130 ft, timezone: America/New_York}
display: us
weather:
  sources:
    - service: open-meteo
    - file: {path: station.csv, columns: {tmax_f: "High", tmin_f: "Low", rain_in: "Rain"}}
    - mqtt: {topic: station/daily}
supply:
  bucket: {volume: 5 gal, time: 58 s}
  keep_back: 10%
  pressure: 12 psi
  hours: {from: "04:00", until: "10:00"}
  days: all
  daily_cap: 1500 gal
  mainline: {inside_diameter: 0.70 in, length: 100 ft, feed: end}
tapes:
  thin: {flow: 0.40 gpm/100ft, rated_at: 12 psi, exponent: 0.5, emitter_spacing: 12 in,
         inside_diameter: 0.636 in, wall: 8 mil, crop_cycles: 2}
zones:
  tomatoes:
    rows: {count: 6, length: 80 ft, spacing: 5 ft, tapes: 1}
    tape: thin
    tape_laid: 2026-04-10
    soil: sandy loam
    wetted_width: 24 in
    plantings:
      - {crop: tomato, planted: 2026-04-20, pulled: 2026-08-10, mulch: none}
      - {crop: broccoli, planted: 2026-08-20, rows: {count: 9, length: 80 ft, spacing: 2.5 ft}}
    valve: {gpio: 17}
"""
MINIMAL = """\
garden: Small plot
location: {latitude: -33.9, longitude: 18.4, elevation: 20, timezone: Africa/Johannesburg}
display: metric
supply: {flow: 20}
tapes: {thin: {flow: 0.08}}
zones:
  beans:
    rows: {count: 4, length: 20, spacing: 1}
    tape: thin
    soil: {theta_fc: 0.3, theta_wp: 0.12}
"""

# NIST SP 811 (2008) B.8, as printed there (typed in from memory of the table)
FOOT_M, INCH_M, GALLON_L, PSI_KPA, GPM_LPM = 0.3048, 0.0254, 3.785412, 6.894757, 6.309020e-2 * 60


def complaints(garden: str | bytes, crops: str | None = None) -> tuple[str, ...]:
    with pytest.raises(BadGarden) as caught:
        load_text(garden, crops)
    assert caught.value.exit_status == 2
    return caught.value.complaints


HOURS = 'hours: {from: "04:00", until: "10:00"}'


def two_windows(begin: str, until: str) -> str:
    return f'hours: [{{from: "04:00", until: "08:00"}}, {{from: "{begin}", until: "{until}"}}]'


def changed(old: str, new: str, text: str = SAMPLE) -> str:
    assert text.count(old) == 1, f"{old!r} must be in the text once"
    return text.replace(old, new)


# --- what is read --------------------------------------------------------------------------------


def test_the_sample_in_si():
    garden = load_text(SAMPLE)
    (zone,) = garden.zones
    tape, supply, line = garden.tapes["thin"], garden.supply, garden.supply.mainline
    expected = [
        (garden.location.elevation_m, 2130 * FOOT_M),
        (supply.flow_lpm, 5 * GALLON_L / 58 * 60),
        (supply.usable_lpm, 5 * GALLON_L / 58 * 60 * 0.9),
        (supply.pressure_kpa, 12 * PSI_KPA),
        (supply.daily_cap_l, 1500 * GALLON_L),
        (line.inside_diameter_m, 0.70 * INCH_M),
        (line.length_m, 100 * FOOT_M),
        (tape.flow_lpm_per_m, 0.40 * GPM_LPM / (100 * FOOT_M)),
        (tape.rated_at_kpa, 12 * PSI_KPA),
        (tape.emitter_spacing_m, 12 * INCH_M),
        (tape.inside_diameter_m, 0.636 * INCH_M),
        (tape.wall_m, 0.008 * INCH_M),  # a mil is a thousandth of an inch
        (zone.rows.area_m2, 6 * 80 * 5 * FOOT_M**2),
        (zone.rows.tape_m, 6 * 80 * FOOT_M),
        (zone.wetted_width_m, 24 * INCH_M),
        (zone.plantings[1].rows.spacing_m, 2.5 * FOOT_M),
    ]
    for got, want in expected:
        assert got == pytest.approx(want, rel=1e-6)


def test_the_sample_all_else():
    garden = load_text(SAMPLE, folder="/etc/rowwater")
    (zone,) = garden.zones
    assert (garden.name, garden.display, garden.folder) == ("Creekside plot", "us", "/etc/rowwater")
    assert (garden.location.latitude_deg, garden.location.longitude_deg) == (35.61, -82.44)
    assert garden.location.timezone == "America/New_York"
    assert garden.supply.hours == ((time(4), time(10)),)
    assert garden.supply.hours_given
    evening = load_text(changed(HOURS, 'hours: {from: "22:00", until: "02:00"}'))
    assert evening.supply.hours == ((time(22), time(2)),)
    two = load_text(
        changed(HOURS, 'hours: [{from: "20:00", until: "00:00"}, {from: "04:00", until: "08:00"}]')
    )
    assert two.supply.hours == ((time(4), time(8)), (time(20), time(0)))
    months = changed(
        HOURS, 'by_month: {jul: {hours: [{from: "04:00", until: "06:00"}, {from: "21:00", until: "01:00"}]}}'
    )
    (july,) = load_text(months).supply.by_month
    assert july.hours == ((time(4), time(6)), (time(21), time(1)))
    assert garden.supply.days == WateringDays("all")
    assert (zone.name, zone.tape.name, zone.tape_laid) == ("tomatoes", "thin", date(2026, 4, 10))
    assert (zone.tape.exponent, zone.tape.crop_cycles, zone.tape.variation) == (0.5, 2, 0.05)
    assert (zone.soil.name, zone.soil.texture_group, zone.soil.group_assumed) == (
        "sandy loam",
        "medium",
        False,
    )
    # FAO-56 Table 19, sandy loam: 0.18-0.28 and 0.06-0.16, the middle of each
    assert (zone.soil.theta_fc, zone.soil.theta_wp) == (0.23, 0.11)
    first, second = zone.plantings
    assert (first.planted, first.pulled, first.mulch) == (date(2026, 4, 20), date(2026, 8, 10), "none")
    assert (first.own_rows, second.own_rows) == (False, True)
    assert (second.pulled, second.rows.count, second.rows.tapes) == (None, 9, 1)
    assert (first.crop.kc_ini, first.crop.kc_mid, first.crop.kc_end) == (0.6, 1.15, 0.8)  # FAO-56 Table 12
    assert zone.valve.driver == "gpio"
    assert dict(zone.valve.settings) == {"pin": 17, "active_high": True}
    assert zone.valve.cap_minutes == 360
    assert [(s.kind, s.name, dict(s.settings)) for s in garden.sources] == [
        ("service", "open-meteo", {}),
        ("file", "file station.csv",
         {"path": "station.csv", "columns": {"tmax_f": "High", "tmin_f": "Low", "rain_in": "Rain"}}),
        ("mqtt", "mqtt station/daily", {"topic": "station/daily"}),
    ]  # fmt: skip
    assert (garden.plan_at, garden.finish, dict(garden.service), garden.notices) == (None, "late", {}, ())


def test_metric_takes_bare_house_units_and_says_what_it_assumed():
    garden = load_text(MINIMAL)
    (zone,) = garden.zones
    assert (garden.location.elevation_m, garden.supply.flow_lpm) == (20, 20)
    assert zone.rows == Rows(4, 20, 1)
    assert zone.tape.flow_lpm_per_m == 0.08
    assert garden.supply.hours == ((time(4), time(10)),)
    assert not garden.supply.hours_given
    assert (zone.soil.texture_group, zone.soil.group_assumed) == ("medium", True)
    assert garden.sources == zone.plantings == ()
    assert (zone.valve.driver, zone.valve.key) == ("by_hand", "by_hand:beans")
    assert (zone.refill_at, zone.shortest_run_minutes, zone.pulse_rest_minutes) == (0.5, 5, 60)
    assert garden.notices == (
        "supply.hours is not given: water is planned between 04:00 and 10:00",
        "zones.beans: own soil figures, but no wetted_width: the strip of silt loam is assumed"
        " - dig after a run and measure",
    )


def test_a_measured_strip_is_no_assumption():
    garden = load_text(changed("    tape: thin", "    tape: thin\n    wetted_width: 0.5", MINIMAL))
    assert not garden.zones[0].soil.group_assumed
    assert len(garden.notices) == 1


FULL_ZONE = (
    MINIMAL
    + """\
    tape_laid: 2026-3-1
    wetted_width: 50 cm
    uniformity: 88%
    measured_flow: 7.1
    refill_at: 0.6
    leave_room: 2
    shortest_run: 6 min
    longest_run: 1 h 30 min
    fill_time: 90 s
    starting_deficit: 5
    rain_capture: 80%
    runoff: 10%
    longest_pulse: 30 min
    pulse_rest: 45
    plantings:
      - {crop: Broccoli, planted: 2026-08-01, mulch: straw, hold_last_stage: yes, days: [20, 30, 20, 10]}
      - crop: tomato
        planted: 2026-03-01
        pulled:
        rows: {count: 8, spacing: 50 cm, tapes: 2, slope: +2%}
        measured_flow: 9
        settle: {days: 10, every: 2 days, run: 30 min}
    valve: {gpio: {pin: 4, active_high: off}, cap: 2 h}
"""
)


def test_every_option_of_a_zone():
    (zone,) = load_text(FULL_ZONE).zones
    assert zone.tape_laid == date(2026, 3, 1)
    assert (zone.wetted_width_m, zone.uniformity, zone.measured_flow_lpm) == (0.5, 0.88, 7.1)
    assert (zone.refill_at, zone.leave_room_mm, zone.starting_deficit_mm) == (0.6, 2, 5)
    assert (zone.shortest_run_minutes, zone.longest_run_minutes, zone.fill_time_minutes) == (6, 90, 1.5)
    assert (zone.rain_capture, zone.runoff) == (0.8, 0.1)
    assert (zone.longest_pulse_minutes, zone.pulse_rest_minutes) == (30, 45)
    assert dict(zone.valve.settings) == {"pin": 4, "active_high": False}
    assert zone.valve.cap_minutes == 120
    spring, fall = zone.plantings  # in order of dates, not of the file
    assert (spring.crop.name, fall.crop.name) == ("tomato", "broccoli")
    assert spring.rows == Rows(8, 20, 0.5, 2, 0.02)  # the length is the zone's
    assert spring.settle == Settle(10, 2, 30)
    assert (spring.measured_flow_lpm, fall.measured_flow_lpm) == (9, 7.1)
    assert (spring.pulled, fall.mulch) == (None, "straw")
    assert (fall.crop.stage_days, fall.crop.hold_last_stage) == ((20, 30, 20, 10), True)
    assert (spring.crop.stage_days, spring.crop.hold_last_stage) == ((30, 40, 45, 30), True)  # Table 11


def test_the_zones_measured_flow_is_not_for_other_rows():
    text = changed("measured_flow: 9", "mulch: film", FULL_ZONE)
    spring, _ = load_text(text).zones[0].plantings
    assert spring.measured_flow_lpm is None


def test_everything_of_supply_location_and_tape():
    text = changed("supply: {flow: 20}", """\
supply:
  flow: 20
  static_pressure: 3 bar
  ec: 1.1
  days: [Mon, wednesday, sat]
  mainline: {inside_diameter: 2 cm, length: 30, feed: middle, slope: -1%, takeoff_loss: 0.9}
""", MINIMAL)  # fmt: skip
    text = changed("elevation: 20,", "elevation: -3, dry: yes, coastal: on, wind_2m: 3, rh_min: 55,", text)
    text = changed("Africa/Johannesburg", "Africa/Johannesburg, temperature_only: Hargreaves", text)
    text = changed(
        "{flow: 0.08}", "{flow: 0.08, variation: 3%, roughness: 0.002 mm, pressure_limit: 1 bar}", text
    )
    garden = load_text(text)
    place, supply, tape = garden.location, garden.supply, garden.tapes["thin"]
    assert (place.elevation_m, place.dry, place.coastal, place.wind_2m_m_s) == (-3, True, True, 3)
    assert (place.rh_min_pct, place.temperature_only) == (55, "hargreaves")
    assert (supply.static_pressure_kpa, supply.ec_ds_m) == (300, 1.1)
    assert supply.days == WateringDays("weekdays", frozenset({0, 2, 5}))
    assert (supply.mainline.feed, supply.mainline.slope, supply.mainline.takeoff_loss) == (
        "middle",
        -0.01,
        0.9,
    )
    assert (tape.variation, tape.roughness_m, tape.pressure_limit_kpa) == (0.03, 2e-6, 100)


SERVICE = """\
plan_at: 3:30 am
finish: early
clock: rtc
notify: {http: {url: "http://192.0.2.7/tell", body: "{text}"}}
broker: {host: 192.0.2.5, user: shed, password_file: /etc/rowwater/broker}
meter: {gpio: 27, liters_per_pulse: 0.5}
flow_from: meter
master_valve: {command: [/usr/local/bin/relay, "0"], opens_before: 5 s, closes_after: 1 min, cap: 8 h}
"""


def test_settings_of_the_running_service():
    garden = load_text(MINIMAL + SERVICE)
    service = dict(garden.service)
    master = service.pop("master_valve")
    assert (garden.plan_at, garden.finish) == (time(3, 30), "early")
    assert service == {
        "clock": "rtc",
        "notify": {"http": {"method": "POST", "url": "http://192.0.2.7/tell", "body": "{text}"}},
        "broker": {
            "host": "192.0.2.5",
            "port": 1883,
            "user": "shed",
            "password_file": "/etc/rowwater/broker",
        },
        "meter": {"gpio": 27, "liters_per_pulse": 0.5},
        "flow_from": "meter",
    }
    assert (master["opens_before_minutes"], master["closes_after_minutes"]) == (pytest.approx(5 / 60), 1)
    assert master["valve"].settings == {"command": ["/usr/local/bin/relay", "0"]}
    assert (master["valve"].driver, master["valve"].cap_minutes) == ("command", 480)


VALVES = [
    ("{gpio: 17}", "{gpio: {pin: 17, active_high: true}}", True),
    ("{gpio: 17, cap: 2 h}", "{cap: 90 min, gpio: 17}", True),
    ("{gpio: 17}", "{gpio: 18}", False),
    ("{command: [/bin/relay, a]}", '{command: ["/bin/relay", "a"]}', True),
    ("{command: [/bin/relay, a]}", "{command: [/bin/relay, b]}", False),
    ("{mqtt: {topic: a}}", "{mqtt: {topic: a}}", True),
    ("{mqtt: {topic: a}}", "{mqtt: {topic: a, convention: homie}}", False),
    ('{http: {open: {url: "http://x/1"}, close: {url: "http://x/0"}}}',
     '{http: {close: {method: get, url: "http://x/0"}, open: {url: "http://x/1", method: GET}}}', True),
    ("{by_hand: true}", "{by_hand: yes}", False),
]  # fmt: skip


@pytest.mark.parametrize(("one", "other", "same"), VALVES)
def test_zones_on_one_valve_have_one_key(one, other, same):
    second = MINIMAL[MINIMAL.index("  beans:") :].replace("beans", "peas")
    garden = load_text(MINIMAL + f"    valve: {one}\n{second}    valve: {other}\n")
    beans, peas = (zone.valve for zone in garden.zones)
    assert (beans.key == peas.key) is same
    assert beans.driver == peas.driver
    if same:
        assert beans.cap_minutes == peas.cap_minutes


def test_a_shared_valve_keeps_its_smallest_cap():
    second = MINIMAL[MINIMAL.index("  beans:") :].replace("beans", "peas")
    garden = load_text(MINIMAL + f"    valve: {{gpio: 17}}\n{second}    valve: {{gpio: 17, cap: 2 h}}\n")
    assert [zone.valve.cap_minutes for zone in garden.zones] == [120, 120]


# --- crops ---------------------------------------------------------------------------------------


def test_one_field_of_one_stage_can_be_changed_alone():
    crops = """\
tomato:
  stages:
    - {stage: late season, kc_end: 0.70}
    - {stage: mid-season, days: 60}
  root_depth: {full: 24 in}
  hold_last_stage: true
"""
    crop = load_text(SAMPLE, crops).zones[0].plantings[0].crop
    assert crop.stage_days == (30, 40, 60, 30)
    assert (crop.kc_ini, crop.kc_mid, crop.kc_end) == (0.6, 1.15, 0.7)
    assert (crop.root_start_m, crop.root_full_m) == (0.25, 0.6096)
    assert (crop.depletion, crop.height_m, crop.hold_last_stage) == (0.4, 0.6, True)


NEW_CROP = """\
skirret:
  also: [crummock]
  stages:
    - {stage: initial, days: 25, kc: 0.5}
    - {stage: development, days: 30}
    - {stage: mid-season, days: 40, kc: 1.05}
    - {stage: late season, days: 15, kc_end: 0.9}
  root_depth: {start: 6 in, full: 18 in}
  depletion: 35%
  film_factor: 0.15
  ec_threshold: 1.2
  source: my own records
"""


@pytest.mark.parametrize("name", ["skirret", "Skirret", "SKIRRET", "crummock", '" Crummock "'])
def test_a_new_crop_is_found_by_its_names(name):
    crop = load_text(changed("crop: tomato", f"crop: {name}"), NEW_CROP).zones[0].plantings[0].crop
    assert (crop.name, crop.stage_days, crop.depletion) == ("skirret", (25, 30, 40, 15), 0.35)
    assert crop.root_start_m == pytest.approx(6 * INCH_M)
    assert (crop.film_factor, crop.ec_threshold_ds_m, crop.height_m) == (0.15, 1.2, None)


@pytest.mark.parametrize("name", ["Tomatoes", "tomatoes", "TOMATO"])
def test_other_names_of_shipped_crops(name):
    assert load_text(changed("crop: tomato", f"crop: {name}")).zones[0].plantings[0].crop.name == "tomato"


def test_the_growers_own_name_comes_before_the_tables():
    own = NEW_CROP.replace("crummock", "tomatoes")
    assert (
        load_text(changed("crop: tomato", "crop: tomatoes"), own).zones[0].plantings[0].crop.name == "skirret"
    )


def test_a_new_crop_like_another_takes_its_figures_but_for_those_it_gives():
    own = """\
parsnip: {depletion: 0.5}
skirret:
  like: parsnip
  also: crummock
  stages: [{stage: late season, days: 60}]
crosne: {like: crummock, root_depth: {full: 0.4 m}}
"""
    parsnip, skirret, crosne = (
        load_text(changed("crop: tomato", f"crop: {name}"), own).zones[0].plantings[0].crop
        for name in ("parsnip", "skirret", "crosne")
    )
    days = (*parsnip.stage_days[:3], 60)
    assert skirret == replace(parsnip, name="skirret", stage_days=days, like="parsnip")
    assert crosne == replace(skirret, name="crosne", root_full_m=0.4)
    assert (skirret.depletion, parsnip.like) == (0.5, None)


def test_a_crop_like_one_that_is_wrong_is_told_once():
    crops = "parsnip: {depletion: 3}\nskirret: {like: parsnip}"
    (told,) = complaints(changed("crop: tomato", "crop: skirret"), crops)
    assert told.startswith("crops.yaml:1: parsnip.depletion")


def test_a_shipped_crop_can_be_made_like_another():
    crop = load_text(changed("crop: tomato", "crop: leek"), "leek: {like: garlic}").zones[0].plantings[0].crop
    garlic = load_text(changed("crop: tomato", "crop: garlic")).zones[0].plantings[0].crop
    assert crop == replace(garlic, name="leek", like="garlic")


def test_a_crops_file_of_comments_changes_nothing():
    assert load_text(SAMPLE, "# nothing yet\n") == load_text(SAMPLE)


def test_crops_in_force_are_the_shipped_ones_under_the_growers(tmp_path):
    (tmp_path / "garden.yaml").write_text(SAMPLE)
    shipped = crops_in_force(tmp_path / "garden.yaml")
    (tmp_path / "crops.yaml").write_text(NEW_CROP + "tomato: {depletion: 0.3}\n")
    crops = crops_in_force(tmp_path / "garden.yaml")
    assert set(crops) - set(shipped) == {"skirret"}
    assert [name for name in shipped if crops[name] != shipped[name]] == [
        "tomato",
        "tomatillo",
        "ground cherry",
    ]
    assert crops["tomato"].depletion == 0.3
    (tmp_path / "crops.yaml").write_text("tomato: {depletion: 3}\n")
    with pytest.raises(BadGarden, match="crops.yaml:1: tomato.depletion"):
        crops_in_force(tmp_path / "garden.yaml")


def test_a_planting_made_of_a_note(tmp_path):
    (tmp_path / "garden.yaml").write_text(FULL_ZONE)
    (zone,) = load(tmp_path / "garden.yaml").zones
    planting = planting_from_note(tmp_path / "garden.yaml", zone, "Onion", date(2026, 9, 1))
    assert (planting.crop.name, planting.planted, planting.pulled) == ("onion", date(2026, 9, 1), None)
    assert (planting.rows, planting.own_rows, planting.measured_flow_lpm) == (zone.rows, False, 7.1)
    with pytest.raises(
        BadInput, match='"onoin" is no crop of the table or of crops.yaml - did you mean "onion"'
    ):
        planting_from_note(tmp_path / "garden.yaml", zone, "onoin", date(2026, 9, 1))


def test_no_planting_of_a_note_without_rows(tmp_path):
    text = changed("    rows: {count: 4, length: 20, spacing: 1}\n", "", MINIMAL)
    (tmp_path / "garden.yaml").write_text(text)
    (zone,) = load(tmp_path / "garden.yaml").zones
    assert zone.rows is None
    with pytest.raises(BadInput, match="beans has no rows of its own"):
        planting_from_note(tmp_path / "garden.yaml", zone, "onion", date(2026, 9, 1))


# --- what is wrong -------------------------------------------------------------------------------

MISTAKES = [
    ("length: 80 ft, spacing: 5 ft", "lenght: 80 ft, spacing: 5 ft",
     '22: zones.tomatoes.rows.lenght: unknown key - did you mean "length"?'),
    ("flow: 0.40 gpm/100ft", "flow: forty",
     '18: tapes.thin.flow: "forty" is not a flow - for example "0.40 gpm/100ft"'),
    ("flow: 0.40 gpm/100ft", "flow: 0 gpm/100ft",
     '18: tapes.thin.flow: "0 gpm/100ft" must be more than 0 L/min per m'),
    ("flow: 0.40 gpm/100ft, ", "", '18: tapes.thin.flow: missing - for example "flow: 0.40 gpm/100ft"'),
    ("latitude: 35.61", "latitude: 135.61", '2: location.latitude: "135.61" must be at most 90'),
    ("longitude: -82.44", "longitude: -182.44", '2: location.longitude: "-182.44" must be at least -180'),
    ("elevation: 2130 ft", "elevation: 2130",
     '2: location.elevation: "2130" has no unit - for example "80 ft"'),
    ("elevation: 2130 ft", "elevation: 21300 ft", '2: location.elevation: "21300 ft" must be at most 6000 m'),
    ("America/New_York", "America/New_Yrok",
     '2: location.timezone: "America/New_Yrok" is not a known time zone - did you mean "America/New_York"?'),
    ("America/New_York", "EDT-4",
     '2: location.timezone: "EDT-4" is not a known time zone - for example "America/New_York"'),
    ("display: us", "display: english", '3: display: "english" is not one of: us, metric'),
    ("display: us", "display: metrik",
     '3: display: "metrik" is not one of: us, metric - did you mean "metric"?'),
    ("service: open-meteo", "service: open-metoe",
     '6: weather.sources[1].service: "open-metoe" is not one of: open-meteo, nws'
     ' - did you mean "open-meteo"?'),
    ("mqtt: {topic: station/daily}", "file: station.csv",
     '8: weather.sources[3]: "file station.csv" is given twice (the other: line 7)'),
    ("tmax_f:", "tmacks_f:",
     '7: weather.sources[2].file.columns: "tmacks_f" is no weather quantity with its unit'
     ' - did you mean "tmax_..."?'),
    ("time: 58 s", "time: 58", '10: supply.bucket.time: "58" has no unit - for example "58 s"'),
    ("time: 58 s", "time: 0 s", '10: supply.bucket.time: "0 s" must be more than 0 minutes'),
    ("bucket: {volume: 5 gal, time: 58 s}", "keep_bck: 1%",
     '9: supply: missing: the timed bucket, or the flow itself', '10: supply.keep_bck: unknown key'
     ' - did you mean "keep_back"?'),
    ("  keep_back: 10%", "  flow: 5 gpm", "9: supply: bucket and flow are given - only one of them can hold"),
    ("keep_back: 10%", "keep_back: 100%", '11: supply.keep_back: "100%" must be less than 1'),
    ("pressure: 12 psi", "pressure: 12 ft",
     '12: supply.pressure: "12 ft" is a length, not a pressure - for example "12 psi"'),
    ('until: "10:00"', 'until: "04:00"',
     "13: supply.hours.until: 04:00 is from as well: a window is longer than 0 and shorter than 24 hours"),
    (HOURS, two_windows("07:00", "09:00"), "13: supply.hours[2].from: overlaps the window 04:00 to 08:00"),
    (HOURS, two_windows("22:00", "05:00"), "13: supply.hours[2].from: overlaps the window 04:00 to 08:00"),
    (HOURS, two_windows("08:00", "09:00"),
     "13: supply.hours[2].from: one window begins where the other ends: write them as one"),
    (HOURS, two_windows("09:00", "09:00"),
     "13: supply.hours[2].until: 09:00 is from as well: a window is longer than 0 and shorter than 24 hours"),
    (HOURS, 'hours: [{from: "22:00", until: "01:00"}, {from: "20:00", until: "02:00"}]',
     "13: supply.hours[1].until: both windows pass midnight: they overlap"),
    (HOURS, 'hours: [{from: "20:00", until: "23:00"}, {from: "19:00", until: "02:00"}]',
     "13: supply.hours[1].from: overlaps the window 19:00 to 02:00"),
    (HOURS, f'{two_windows("10:00", "11:00")[:-1]}, {{from: "12:00", until: "13:00"}}]',
     "13: supply.hours: 3 windows - one or two a day are possible, for example "
     '[{from: "04:00", until: "08:00"}, {from: "20:00", until: "22:00"}]'),
    (HOURS, 'hours: [{from: "04:00", untill: "08:00"}, {from: "20:00", until: "22:00"}]',
     '13: supply.hours.until: missing - for example "until: "10:00""',
     '13: supply.hours.untill: unknown key - did you mean "until"?'),
    ("days: all", "days: [mon, wensday]",
     '14: supply.days: "wensday" is not a weekday, all, even or odd - did you mean "wednesday"?'),
    ("feed: end", "feed: centre", '16: supply.mainline.feed: "centre" is not one of: end, middle'),
    ("count: 6", "count: 0",
     '22: zones.tomatoes.rows.count: "0" is not a whole number: 1 to 2000 are possible - for example "6"'),
    ("count: 6", "count: six",
     '22: zones.tomatoes.rows.count: "six" is not a whole number - for example "6"'),
    ("spacing: 5 ft", "spacing: 0 ft", '22: zones.tomatoes.rows.spacing: "0 ft" must be more than 0 m'),
    ("    tape: thin", "    tape: thinn",
     '23: zones.tomatoes.tape: "thinn" is not one of the tapes - did you mean "thin"?'),
    ("    tape: thin", "    tape: drip", '23: zones.tomatoes.tape: "drip" is not one of the tapes: thin'),
    ("2026-04-10", "2026-02-30",
     '24: zones.tomatoes.tape_laid: "2026-02-30" is not a date: the calendar has no such day'
     ' - for example "2026-04-20"'),
    ("2026-04-10", "4/10/2026",
     '24: zones.tomatoes.tape_laid: "4/10/2026" is not a date - for example "2026-04-20"'),
    ("soil: sandy loam", "soil: sandi loam",
     '25: zones.tomatoes.soil: "sandi loam" is not a texture of the soil table - did you mean "sandy loam"?'),
    ("soil: sandy loam", "soil: {theta_fc: 0.11, theta_wp: 0.23}",
     "25: zones.tomatoes.soil.theta_wp: 0.23 must be less than theta_fc, 0.11"),
    ("soil: sandy loam", "soil: {theta_fc: 0.7, theta_wp: 0.23}",
     '25: zones.tomatoes.soil.theta_fc: "0.7" must be at most 0.6'),
    ("soil: sandy loam", "soil: {theta_fc: 0.3}",
     "25: zones.tomatoes.soil: missing: a texture, or both theta_fc and theta_wp"),
    ("    wetted_width: 24 in", "    refill_at: 0", '26: zones.tomatoes.refill_at: "0" must be more than 0'),
    ("    wetted_width: 24 in", "    uniformity: 110%",
     '26: zones.tomatoes.uniformity: "110%" is not a fraction: it lies beyond 1 - 100% is the most'),
    ("    wetted_width: 24 in", "    longest_run: 4 min",
     "21: zones.tomatoes.shortest_run: 5 min leaves nothing of longest_run, 4 min"),
    ("crop: tomato,", "crop: tomatto,",
     '28: zones.tomatoes.plantings[1].crop: "tomatto" is no crop of the table or of crops.yaml'
     ' - did you mean "tomato"?'),
    ("crop: tomato,", "crop: xyzzy,",
     '28: zones.tomatoes.plantings[1].crop: "xyzzy" is no crop of the table or of crops.yaml'
     ' - a new crop takes the figures of a neighbour with "xyzzy: {like: NAME}" in crops.yaml'),
    ("pulled: 2026-08-10", "pulled: 2026-09-10",
     "28: zones.tomatoes.plantings[1].pulled: 2026-09-10 is after the next is planted, 2026-08-20 (line 29)"),
    ("pulled: 2026-08-10", "pulled: 2026-04-20",
     "28: zones.tomatoes.plantings[1].pulled: 2026-04-20 is not after 2026-04-20"),
    ("planted: 2026-08-20", "planted: 2026-04-20",
     "29: zones.tomatoes.plantings[2].planted: 2026-04-20 is the date of two plantings (the other: line 28)"),
    ("mulch: none", "mulch: plastic",
     '28: zones.tomatoes.plantings[1].mulch: "plastic" is not one of: none, film, straw'),
    ("mulch: none", "days: [20, 30, 20]",
     "28: zones.tomatoes.plantings[1].days: the days of the four stages are expected"
     " - for example [20, 30, 20, 10]"),
    ("mulch: none", "days: [0, 0, 0, 0]",
     "28: zones.tomatoes.plantings[1].days: the four stages last no day at all"),
    ("mulch: none", "settle: {days: 10, every: 36 h, run: 30 min}",
     '28: zones.tomatoes.plantings[1].settle.every: "36 h" is not a number of whole days'
     ' - for example "2 days"'),
    ("    rows: {count: 6, length: 80 ft, spacing: 5 ft, tapes: 1}\n", "    rows: {count: 6}\n",
     "28: zones.tomatoes.plantings[1].rows: missing length, spacing"
     " - give it here or in the rows of the zone"),
    ("gpio: 17", "gpio: on", '30: zones.tomatoes.valve.gpio: "on" is not a pin number - for example "17"'),
    ("gpio: 17", "gpio: 29",
     '30: zones.tomatoes.valve.gpio: "29" is not a pin number: 0 to 27 are possible - for example "17"'),
    ("gpio: 17", "cap: 1 h", "30: zones.tomatoes.valve: missing: one of gpio, command, http, mqtt, by_hand"),
    ("gpio: 17", "gpio: 17, by_hand: true",
     "30: zones.tomatoes.valve: gpio and by_hand are given - only one of them can hold"),
    ("gpio: 17", "by_hand: false",
     "30: zones.tomatoes.valve.by_hand: only true makes sense - or leave it out"),
    ("gpio: 17", "command: relay a",
     "30: zones.tomatoes.valve.command: a list, the program first, is expected"
     " - for example [/usr/local/bin/relay, tomatoes]"),
    ("gpio: 17", "http: {open: {url: relay/1}, close: {url: http://x/0}}",
     '30: zones.tomatoes.valve.http.open.url: "relay/1" is not a web address'
     ' - for example "http://192.0.2.7/relay/1"'),
    ("valve: {gpio: 17}", "valve: 17",
     '30: zones.tomatoes.valve: "17" where keys are expected (gpio, command, http, mqtt, by_hand, cap, ...)'),
    ("    plantings:\n      - {crop: tomato, planted: 2026-04-20, pulled: 2026-08-10, mulch: none}\n",
     "    plantings: tomato\n    #",
     '27: zones.tomatoes.plantings: "tomato" where a list is expected, each line with a "-" in front'),
    ("days: all", "days: []",
     "14: supply.days: all, even, odd or a list of weekdays is expected - for example [mon, wed, sat]"),
    ("    - mqtt: {topic: station/daily}", "    - file: {path: b.csv, columns: {}}",
     '8: weather.sources[3].file.columns: quantity: heading is expected'
     ' - for example {tmax_f: "High", rain_in: "Rain"}'),
    ("tmax_f: \"High\"", "tmax_f: ",
     '7: weather.sources[2].file.columns: "tmax_f" needs the heading of its column'),
    ("    - mqtt: {topic: station/daily}", "    - file: {path: b.csv, delimiter: ;;}",
     '8: weather.sources[3].file.delimiter: ";;" is not one character, tab, comma or semicolon'
     ' - for example ";"'),
    ("    - mqtt: {topic: station/daily}", "    - file: {path: b.csv, missing: [x, ~]}",
     "8: weather.sources[3].file.missing: an empty entry in the list - put it in quotes if it is meant"),
    ("    - mqtt: {topic: station/daily}", "    - file: {path: b.csv, encoding: utf-88}",
     '8: weather.sources[3].file.encoding: "utf-88" is not a text encoding - for example "utf-8"'),
    ("    - mqtt: {topic: station/daily}", "    - file:",
     "8: weather.sources[3]: missing: one of service, file, mqtt"),
    ("volume: 5 gal", "volume: 100000 gal",
     "10: supply.bucket: 378541 L in 0.966667 min cannot be right"),
    ("  tomatoes:", "  '':", "21: zones.: a zone needs a name of 1 to 60 letters"),
    ("    wetted_width: 24 in", "    soil2: x",
     '26: zones.tomatoes.soil2: unknown key - did you mean "soil"?'),
    ("soil: sandy loam", "soil: {texture: loam, theta_fc: 0.3}",
     "25: zones.tomatoes.soil: a texture and figures of your own are given - only one of them can hold"),
    ("garden: Creekside plot\n", "", '1: garden: missing - for example "garden: Creekside plot"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), [(m[0], m[1], m[2:]) for m in MISTAKES])
def test_mistakes_are_told_with_line_key_and_what_to_write(old, new, message):
    assert complaints(changed(old, new)) == tuple(f"garden.yaml:{text}" for text in message)


def test_bad_service_settings():
    text = MINIMAL + SERVICE
    text = changed('notify: {http: {url: "http://192.0.2.7/tell", body: "{text}"}}', "notify: {}", text)
    text = changed(", liters_per_pulse: 0.5", "", text)
    text = changed("host: 192.0.2.5", "host: 192.0.2.5, password: secret", text)
    text = changed('/bin/relay, "0"]', '/bin/relay, "0"], gpio: 27', text)
    assert complaints(text) == (
        "garden.yaml:14: notify: missing: one of command, http, mqtt",
        'garden.yaml:15: broker.password: unknown key - did you mean "password_file"?',
        "garden.yaml:16: meter: gpio and liters_per_pulse go together: the one needs the other",
        "garden.yaml:16: meter.gpio: pin 27 already drives a valve (line 18)",
        "garden.yaml:18: master_valve: gpio and command are given - only one of them can hold",
    )
    assert complaints(MINIMAL + "flow_from: meter\n") == (
        "garden.yaml:11: flow_from: there is no meter - describe it under meter",
    )


def test_a_pin_has_one_use():
    second = MINIMAL[MINIMAL.index("  beans:") :].replace("beans", "peas")
    text = (
        MINIMAL + f"    valve: {{gpio: 17}}\n{second}    valve: {{gpio: {{pin: 17, active_high: false}}}}\n"
    )
    assert complaints(text + "master_valve: {gpio: 17}\n") == (
        "garden.yaml:16: zones.peas.valve.gpio: pin 17 is described otherwise on line 11",
        "garden.yaml:17: master_valve.gpio: pin 17 already opens a zone (line 11)",
    )


def test_no_garden_is_refused_for_its_water():
    """What salt costs is told; the first edition refused water beyond its own formula."""
    assert load_text(changed("days: all", "ec: 20 dS/m")).supply.ec_ds_m == 20


def test_all_complaints_at_once_sorted_by_line():
    text = changed("flow: 0.40 gpm/100ft", "flow: forty").replace("count: 6", "count: 0")
    text = text.replace("crop: broccoli", "crop: brocoli").replace("timezone: America/New_York", "zone: x")
    told = complaints(text, "tomato: {depletion: high}\n")
    assert [line.split(":")[:2] for line in told] == [
        ["garden.yaml", "2"], ["garden.yaml", "2"], ["garden.yaml", "18"], ["garden.yaml", "22"],
        ["garden.yaml", "29"], ["crops.yaml", "1"],
    ]  # fmt: skip


BAD_CROPS = [
    ("tomato: {stages: [{stage: flowering, days: 3}]}",
     '1: tomato.stages[1].stage: "flowering" is not one of: initial, development, mid-season, late season'),
    ("tomato: {stages: [{stage: initial, kc: 3}]}", '1: tomato.stages[1].kc: "3" must be at most 2'),
    ("tomato: {stages: [{stage: late season, kc: 0.8}]}",
     '1: tomato.stages[1].kc: the stage "late season" has no kc of its own: it ends at kc_end'),
    ("tomato: {stages: [{stage: development, kc: 0.8}]}",
     '1: tomato.stages[1].kc: the stage "development" has no kc of its own: '
     'it slopes from initial to mid-season'),
    ("tomato: {stages: [{stage: initial, days: 3}, {stage: initial, days: 4}]}",
     '1: tomato.stages[2].stage: "initial" is given twice'),
    ("tomato: {root_depth: {start: 3 ft}}",
     "1: tomato.root_depth: start (0.9144 m) must not be deeper than full (0.7 m)"),
    ("tomato: {depletion: 40}",
     '1: tomato.depletion: "40" is not a fraction: it lies beyond 1 - write "40%"'),
    ("tomato: {depletion: 1.2}",
     '1: tomato.depletion: "1.2" is not a fraction: it lies beyond 1 - 100% is the most'),
    ("tomato:\n  kc:", '2: tomato.kc: unknown key - did you mean "kcb"?'),
    ("tomato: {height: 1 m}\ntomatoes: {height: 2 m}",
     '2: tomatoes: means the same crop as "tomato" - put both into one'),
    ("skirret: {depletion: 0.4, root_depth: {full: 1 m}, stages: [{stage: initial, kc: 0.4}]}",
     '1: skirret: a new crop must be complete: missing days of "initial", the stage "development",'
     ' the stage "mid-season", the stage "late season", root_depth.start'),
    ("tomato: {stages: [{stage: initial, days: 0}, {stage: development, days: 0},"
     " {stage: mid-season, days: 0}, {stage: late season, days: 0}]}",
     "1: tomato.stages: the four stages last no day at all"),
    ("tomato:", "1: tomato: nothing where keys are expected (also, like, stages, root_depth, depletion,"
     " height, ...)"),
    ("skirret: {like: parsnp}",
     '1: skirret.like: "parsnp" is no crop of the table or of crops.yaml - did you mean "parsnip"?'),
    ("skirret: {like: skirret}", "1: skirret.like: goes round in a circle: skirret like skirret"),
    ("spinach: {like: arugula}",
     "1: spinach.like: goes round in a circle: spinach like arugula like spinach"),
    ("skirret:\n  like: [parsnip]",
     '2: skirret.like: a list where a text is expected - for example "a name"'),
    ("- tomato", "1: a list where keys are expected"),
    ("tomato: [", "1: a bracket opens here and is not closed as it should be, or a quote is not (line 2)"),
]  # fmt: skip


@pytest.mark.parametrize(("crops", "message"), BAD_CROPS)
def test_bad_crops(crops, message):
    assert complaints(SAMPLE, crops + "\n") == (f"crops.yaml:{message}",)


# --- where the files are -------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def test_the_order_in_which_garden_yaml_is_looked_for(home):
    places = [
        home / name
        for name in ("a.yaml", "b.yaml", "system.yaml", "config/rowwater/garden.yaml", "garden.yaml")
    ]
    for path in places:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("garden: x\n")
    environ = {"ROWWATER_CONFIG": str(places[1])}
    assert find_config(str(places[0]), environ, home, system=places[2]) == places[0]
    assert find_config(None, environ, home, system=places[2]) == places[1]
    for i in range(2, 5):
        assert find_config(None, {}, home, system=places[2]) == places[i]
        places[i].unlink()
    with pytest.raises(BadInput) as caught:
        find_config(None, {}, home, system=places[2])
    assert caught.value.text == "no garden.yaml found; looked for " + ", ".join(map(str, places[2:]))


def test_a_garden_that_was_named_must_exist(home):
    (home / "garden.yaml").write_text("garden: x\n")
    with pytest.raises(BadInput, match=r"no such file \(named by --config\)"):
        find_config("nowhere.yaml", {}, home)
    with pytest.raises(BadInput, match=r"no such file \(named by \$ROWWATER_CONFIG\)"):
        find_config(None, {"ROWWATER_CONFIG": "nowhere.yaml"}, home)
    assert find_config("garden.yaml", {}, home) == home / "garden.yaml"


def test_the_data_folder_that_was_named_comes_first(home):
    assert data_dir(str(home / "a"), {"ROWWATER_DATA": str(home / "b")}) == home / "a"
    assert data_dir(None, {"ROWWATER_DATA": str(home / "b")}) == home / "b"


def test_load_reads_both_files_and_keeps_the_folder(tmp_path):
    path = tmp_path / "garden.yaml"
    path.write_text(SAMPLE)
    (tmp_path / "crops.yaml").write_text("tomato: {depletion: 0.35}\n")
    garden = load(path)
    assert garden.folder == str(tmp_path)
    assert garden.zones[0].plantings[0].crop.depletion == 0.35


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(BadInput, match="cannot be read: No such file"):
        load(tmp_path / "garden.yaml")
    (tmp_path / "garden.yaml").mkdir()
    with pytest.raises(BadInput, match="cannot be read: it is a folder"):
        load(tmp_path / "garden.yaml")
