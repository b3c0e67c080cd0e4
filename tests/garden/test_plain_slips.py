"""Slips that a grower makes by habit, each told with its line, what was typed and what was probably meant.

Coordinates of the main cities are those of zone.tab in the time zone database; the bounds of what tape, rows
and supply can be are common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.errors import BadGarden
from scheduler.garden.checks.place import clock_off_hours
from scheduler.garden.file import load_text

TEXT = (Path(__file__).parents[2] / "examples" / "creekside" / "garden.yaml").read_text()
PLACE = "latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles"


def said(old: str, new: str) -> tuple[str, ...]:
    assert old in TEXT
    try:
        return load_text(TEXT.replace(old, new, 1)).notices
    except BadGarden as error:
        return error.complaints


def place(latitude: float, longitude: float, timezone: str) -> tuple[str, ...]:
    new = f"latitude: {latitude}, longitude: {longitude}, elevation: 371 ft, timezone: {timezone}"
    return said(PLACE, new)


@pytest.mark.parametrize(
    ("typed", "key", "slip", "meant"),
    [
        ((-82.44, 35.61, "America/New_York"), "latitude", "they may be swapped", (35.61, -82.44)),
        ((35.61, 82.44, "America/New_York"), "longitude",
         "the sign of the longitude may be lost (west is negative)", (35.61, -82.44)),
        ((33.9, 151.2, "Australia/Sydney"), "latitude",
         "the sign of the latitude may be lost (south is negative)", (-33.9, 151.2)),
        ((33.4, 70.6, "America/Santiago"), "latitude", "both signs may be wrong", (-33.4, -70.6)),
    ],
)  # fmt: skip
def test_a_place_that_another_order_or_sign_would_fit(
    typed: tuple[float, float, str], key: str, slip: str, meant: tuple[float, float]
) -> None:
    assert place(*typed) == (
        f"garden.yaml:3: location.{key}: latitude {typed[0]:g}, longitude {typed[1]:g} do not belong to the "
        f"time zone {typed[2]}: {slip} - did you mean latitude {meant[0]:g}, longitude {meant[1]:g}?",
    )


def test_a_latitude_beyond_the_pole_is_the_longitude() -> None:
    assert place(-122.31, 47.44, "America/Los_Angeles") == (
        'garden.yaml:3: location.latitude: "-122.31" must be at least -90',
        "garden.yaml:3: location.latitude: swapped? - did you mean latitude 47.44, longitude -122.31?",
    )


@pytest.mark.parametrize(
    "real",
    [
        (39.47, 75.99, "Asia/Shanghai"),  # Kashgar, on Beijing's clock
        (1.87, -157.43, "Pacific/Kiritimati"),  # east of the date line by its clock alone
        (42.24, -8.72, "Europe/Madrid"),
        (64.15, -21.94, "Atlantic/Reykjavik"),
        (-6.2, 106.8, "Asia/Jakarta"),
        (3.6, 98.7, "Asia/Jakarta"),
        (4.6, -74.1, "America/Bogota"),
        (35.61, -82.44, "UTC"),
    ],
)
def test_real_places_with_odd_clocks_are_let_be(real: tuple[float, float, str]) -> None:
    assert place(*real) == ()


def test_a_longitude_far_from_its_clock_is_remarked_on() -> None:
    assert place(35, -80, "Europe/Berlin") == (
        "location: longitude -80 lies 6.3 h from the clock of Europe/Berlin: is one of them mistyped?",
    )
    assert clock_off_hours(75.99, "Asia/Shanghai") == pytest.approx(8 - 75.99 / 15)


THIN = "thin tape works at 4 to 20 psi (30 to 140 kPa), behind a regulator"
TAPE = "tape gives 0.1 to 1.5 gpm/100ft (0.8 to 11 L/h/m)"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("pressure: 12 psi", "pressure: 82 psi",
         f'11: supply.pressure: "82 psi" is far too much - {THIN}; did you mean "82 kPa"?'),
        ("pressure: 12 psi", "pressure: 60 psi",
         f'11: supply.pressure: "60 psi" is far too much - {THIN}; did you mean "60 kPa"?'),
        ("rated_at: 12 psi", "rated_at: 82 psi",
         f'15: tapes.thin.rated_at: "82 psi" is far too much - {THIN}; did you mean "82 kPa"?'),
        ("pressure: 12 psi", "pressure: 2 kPa", f'11: supply.pressure: "2 kPa" is far too little - {THIN}'),
        ("0.40 gpm/100ft", "0.40 gpm/ft",
         f'15: tapes.thin.flow: "0.40 gpm/ft" is far too much - {TAPE}; did you mean "0.40 gpm/100ft"?'),
        ("0.40 gpm/100ft", "5 L/min/m",
         f'15: tapes.thin.flow: "5 L/min/m" is far too much - {TAPE}; did you mean "5 L/h/m"?'),
        ("bucket: {volume: 5 gal, time: 40 s}", "flow: 7.5 L/h",
         '9: supply.flow: "7.5 L/h" is far too little - hoses and wells give 0.5 to 100 gpm '
         '(2 to 400 L/min); did you mean "7.5 gpm"?'),
        ("time: 40 s", "time: 40 min",
         '9: supply.bucket.time: "40 min" is far too much - a bucket fills in seconds or a few minutes; '
         'did you mean "40 s"?'),
        ("length: 80 ft, spacing: 5 ft", "length: 80 ft, spacing: 12 m",
         '19: zones.tomatoes.rows.spacing: "12 m" is far too much - rows stand 6 in to 13 ft '
         '(0.15 to 4 m) apart; did you mean "12 ft"?'),
        ("emitter_spacing: 12 in", "emitter_spacing: 12 m",
         '15: tapes.thin.emitter_spacing: "12 m" is far too much - emitters stand 4 to 36 in '
         '(10 to 90 cm) apart; did you mean "12 in"?'),
        ("wall: 8 mil", "wall: 8 mm",
         '16: tapes.thin.wall: "8 mm" is far too much - tape walls are 5 to 25 mil (0.12 to 0.6 mm); '
         'did you mean "8 mil"?'),
        ("pulled: 2015-09-12", "pulled: 2015-02-12",
         "24: zones.tomatoes.plantings[1].pulled: 2015-02-12 is not after 2015-05-01"
         " - did you mean 2016-02-12?"),
        ("planted: 2015-05-01", "planted: 2105-05-01",
         "24: zones.tomatoes.plantings[1].pulled: 2015-09-12 is not after 2105-05-01"
         " - is one of the years wrong?"),
        ('until: "10:00"', "until: 4",
         '12: supply.hours.until: "4" is not a time of day: write it with its minutes, "04:00" or "16:00"'
         ' - for example "06:30"'),
        ("days: all", "days: mon, wed",
         '13: supply.days: "mon, wed" is not a weekday, all, even or odd - for example [mon, wed, sat]'),
    ],
)  # fmt: skip
def test_a_figure_that_cannot_be(old: str, new: str, message: str) -> None:
    assert said(old, new) == (f"garden.yaml:{message}",)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("exponent: 0.5", "exponent: 0.05"),  # pressure-compensating
        ("wall: 8 mil", "wall: 35 mil"),
    ],
)
def test_dripline_stands_what_thin_tape_does_not(old: str, new: str) -> None:
    text = TEXT.replace(old, new).replace("pressure: 12 psi", "pressure: 50 psi", 1)
    assert load_text(text).supply.pressure_kpa == pytest.approx(50 * 6.894757, rel=1e-6)


@pytest.mark.parametrize("one", ["days: mon", "days: [mon]", "days: Monday"])
def test_one_weekday_needs_no_brackets(one: str) -> None:
    assert sorted(load_text(TEXT.replace("days: all", one)).supply.days.weekdays) == [0]
