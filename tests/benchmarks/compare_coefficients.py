"""Water and stress of eight crops with one crop coefficient and with evaporation apart, side by side.

Run as a script: `python tests/benchmarks/compare_coefficients.py`.  It prints, and asserts nothing.
`--before FOLDER` takes the minutes beside them from a checkout of an earlier version, by its own command;
else they are this version's `crop_coefficient: single`.  `--tifton FILE` adds the daily record of Tifton,
Georgia, which has no licence to be shipped (tests/weather/README.md names the others).

Invented beds on real records: each crop on sand, loam and clay, every year from the fourth on (three summers
calibrate the stages).  Both waters are then given to the same soil, the one with evaporation apart: what
evaporates, what the crop goes short of, which evenings a sown bed is drier than its seed bears and the yield
to expect are reckoned there.  Means over the years.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2])]

from weather import records  # noqa: E402

from scheduler.core.arrays import FloatArray  # noqa: E402
from scheduler.core.balance.pulses import pulses  # noqa: E402
from scheduler.core.balance.rule import RefillRule  # noqa: E402
from scheduler.core.balance.short_use import asked, short_use  # noqa: E402
from scheduler.core.balance.soil import Balance, run  # noqa: E402
from scheduler.core.balance.stands import Stand  # noqa: E402
from scheduler.core.balance.yields import expected_yield  # noqa: E402
from scheduler.garden.file import load  # noqa: E402
from scheduler.model import Garden  # noqa: E402
from scheduler.planning.season import Season, simulate, starting_deficits  # noqa: E402
from scheduler.weather.files import daily  # noqa: E402

LITRES_A_GALLON, HUNDRED_FEET_M = 3.785411784, 30.48
SOILS = ("sand", "loam", "clay")


class Bed(NamedTuple):
    """One crop: spacing of its rows, when it is planted, how long it stands, and what else is its own."""

    crop: str
    spacing: str
    dates: Mapping[str, str]  # site -> month and day of planting
    stands: int  # days
    place: str = ""  # keys of the zone
    own: str = ""  # keys of the planting


def _dates(davis: str, tifton: str, de_bilt: str) -> dict[str, str]:
    return {"davis": davis, "tifton": tifton, "de_bilt": de_bilt}


SHALLOW = "tape_depth: 2 in"  # for seed: that wets the top on each of the three soils
BEDS = (
    Bed("carrot", "18 in", _dates("03-10", "02-20", "04-10"), 150, SHALLOW),
    Bed("sweet corn", "30 in", _dates("04-25", "03-25", "05-10"), 85, SHALLOW),
    Bed("tomato", "5 ft", _dates("04-20", "04-05", "05-20"), 165),
    Bed("pepper", "3 ft", _dates("05-01", "04-15", "05-25"), 130),
    Bed("onion", "18 in", _dates("03-01", "02-10", "04-01"), 150),
    Bed("potato", "3 ft", _dates("03-01", "02-15", "04-15"), 130),
    Bed("cantaloupe", "6 ft", _dates("05-10", "04-15", "05-25"), 120, own="mulch: film"),
    Bed("summer squash", "5 ft", _dates("05-15", "04-15", "05-20"), 90, own="mulch: straw"),
)


@dataclass(frozen=True)
class Place:
    name: str
    weather: Path
    location: str


def places(folder: Path, tifton: Path | None) -> Iterator[Place]:
    for name in ("davis", "de_bilt"):
        site = records.site(name)
        dry = ", dry: true" if name == "davis" else ""
        yield Place(
            name,
            records.write_daily_csv(name, folder / f"{name}.csv"),
            f"latitude: {site.latitude_deg}, longitude: {site.longitude_deg}, "
            f"elevation: {site.elevation_m} m, timezone: {site.timezone}{dry}",
        )
    if tifton is not None:
        where = "latitude: 31.483, longitude: -83.533, elevation: 116 m, timezone: America/New_York"
        yield Place("tifton", tifton, where)


def garden_text(place: Place, years: range, *, earlier: bool) -> str:
    """garden.yaml, a zone for each bed and soil; earlier: only with keys that the earlier version knows."""
    lines = [
        "garden: Three soils", f"location: {{{place.location}}}", "display: us",
        "weather: {sources: [{file: {path: weather.csv}}]}",
        'supply: {flow: 20 gpm, pressure: 10 psi, hours: {from: "00:00", until: "12:00"}}',
        "tapes: {thin: {flow: 0.40 gpm/100ft, rated_at: 10 psi}}",
    ]  # fmt: skip
    if not earlier:
        lines.append("crop_coefficient: dual")
    lines.append("zones:")
    for bed in BEDS:
        for soil in SOILS:
            lines += _zone(bed, soil, place.name, years, earlier=earlier)
    return "\n".join(lines) + "\n"


def _zone(bed: Bed, soil: str, place: str, years: range, *, earlier: bool) -> Iterator[str]:
    yield f"  {bed.crop} {soil}:"
    yield f"    rows: {{count: 4, length: 100 ft, spacing: {bed.spacing}}}"
    yield "    tape: thin"
    yield f"    soil: {soil}"
    if bed.place and not earlier:
        yield f"    {bed.place}"
    yield "    valve: {by_hand: true}"
    yield "    plantings:"
    for year in years:
        planted = date.fromisoformat(f"{year}-{bed.dates[place]}")
        pulled = date.fromordinal(planted.toordinal() + bed.stands)
        keys = f"crop: {bed.crop}, planted: {planted}, pulled: {pulled}"
        yield f"      - {{{keys}{', ' if bed.own else ''}{bed.own}}}"


def earlier_days(folder: Path, program: Path | None) -> list[dict[str, object]]:
    """Records of the season by the earlier version's own command, or by this one's `single`."""
    env = {**os.environ, **({} if program is None else {"PYTHONPATH": str(program)})}
    run_main = "from scheduler.cli.main import main; main()"
    files = ("--config", str(folder / "garden.yaml"), "season", "--weather", str(folder / "weather.csv"))
    command = [sys.executable, "-c", run_main, *files, "--unlimited", "--json"]
    done = subprocess.run(command, env=env, cwd=folder, capture_output=True, check=False)
    if done.returncode not in (0, 3):
        raise SystemExit(done.stderr.decode())
    days: list[dict[str, object]] = json.loads(done.stdout)["days"]
    return days


def given_by(days: list[dict[str, object]], garden: Garden, season: Season) -> tuple[FloatArray, FloatArray]:
    """(day, zone) net mm and minutes of those records."""
    at = {zone.name: z for z, zone in enumerate(garden.zones)}
    net, minutes = np.zeros((2, *season.terms.stand.shape))
    for day in days:
        d, z = (date.fromisoformat(str(day["date"])) - season.first).days, at[str(day["zone"])]
        net[d, z], minutes[d, z] = day["net_mm"], day["minutes"]
    return net, minutes


class Came(NamedTuple):
    """Means over a zone's plantings."""

    gross_mm: float
    evaporation_mm: float
    wait_days: float  # from planting to the first water
    event_gal: float  # the longest event, gal per 100 ft of tape; of all years
    dry_evenings: float  # of a sown bed, see `Under.dry`
    short_mm: float
    yield_share: float


class Under:
    """The soil with evaporation apart, under some water; events: (day, zone) pulses of a run."""

    def __init__(self, season: Season, balance: Balance, minutes: FloatArray, events: FloatArray) -> None:
        assert balance.apart is not None
        self.terms, self.apart, self.minutes, self.events = season.terms, balance.apart, minutes, events
        self.short, self.asked = short_use(season.terms, balance), asked(season.terms, balance)
        flat = season.terms.sowing.dryness
        bound = np.full(minutes.shape, np.nan) if flat is None else season.terms.spread(flat, np.nan)
        in_one = balance.apart.surface / np.maximum(balance.apart.waterings * (minutes > 0), 1)
        self.dry = in_one > bound
        """(day, zone) In the evening the layer lacks more than a seed's bed bears; of several waterings a day
        the last one counts, in whose share of the day the layer lost its share."""

    def of_zone(self, z: int) -> Came:
        found = [(k, stand) for k, stand in enumerate(self.terms.stands) if stand.zone == z]
        event = max(self._event(stand) for _, stand in found)
        gross, evaporation, wait, dry, lost, left = np.mean(
            [self._of(*one) for one in found], axis=0
        ).tolist()
        return Came(gross, evaporation, wait, event, dry, lost, left)

    def _event(self, stand: Stand) -> float:
        days = slice(stand.begin, stand.end)
        longest = (self.minutes[days, stand.zone] / np.maximum(self.events[days, stand.zone], 1)).max()
        per_m = longest * stand.delivery.flow_lpm / stand.planting.rows.tape_m
        return float(per_m * HUNDRED_FEET_M / LITRES_A_GALLON)

    def _of(self, k: int, stand: Stand) -> tuple[float, ...]:
        days, z, flat = slice(stand.begin, stand.end), stand.zone, self.terms.flat.days_of(k)
        runs, drying = self.minutes[days, z], self.terms.sowing.drying
        counts = np.ones(len(runs), dtype=bool) if drying is None else ~drying[flat]
        share = expected_yield(
            stand.planting.crop, short_use=self.short[days, z][counts], asked=self.asked[days, z][counts],
            stage=self.terms.flat.response_stage[flat][counts], ece=np.zeros(0),
        ).both  # fmt: skip
        first = np.flatnonzero(runs)
        return (
            float(runs.sum()) * stand.delivery.flow_lpm / stand.planting.rows.area_m2,
            float(self.apart.evaporation[days, z].sum()),
            float(first[0]) if len(first) else float(len(runs)),
            float(np.count_nonzero(self.dry[days, z])),
            float(self.short[days, z].sum()),
            np.nan if share is None else share,
        )


def compare(place: Place, folder: Path, program: Path | None) -> Iterator[tuple[str, Came, Came]]:
    (folder / "weather.csv").write_bytes(place.weather.read_bytes())
    weather = daily.read(folder / "weather.csv")
    years = range(weather.first.year + 3, weather.last.year + (weather.last.month >= 11))
    (folder / "garden.yaml").write_text(garden_text(place, years, earlier=True))
    before = earlier_days(folder, program)
    (folder / "garden.yaml").write_text(garden_text(place, years, earlier=False))
    garden = load(folder / "garden.yaml")
    season = simulate(garden, weather)
    net, minutes = given_by(before, garden, season)
    under = run(
        season.terms, starting_deficit=starting_deficits(garden), rule=RefillRule.of(garden.zones), given=net,
        decide_from=len(net),
    )  # fmt: skip
    one = Under(season, under, minutes, np.ones(minutes.shape))
    split = pulses(garden.zones, season.terms, season.balance).astype(np.float64)
    other = Under(season, season.balance, season.balance.minutes, split)
    for z, zone in enumerate(garden.zones):
        yield zone.name, one.of_zone(z), other.of_zone(z)


HEADS = ("water mm", "evap. mm", "1st water d", "event gal", "dry evenings", "short mm", "yield %")


def line(name: str, one: Came, other: Came) -> str:
    cells = [
        f"{a:.0f} | {b:.0f}" if digits == 0 else f"{a:.{digits}f} | {b:.{digits}f}"
        for digits, a, b in zip((0, 0, 1, 0, 1, 1), one[:-1], other[:-1], strict=True)
    ]
    shares = [100 * came.yield_share for came in (one, other)]
    cells.append("-" if np.isnan(shares[0]) else "{:.0f} | {:.0f}".format(*shares))
    return f"{name:<19}" + "".join(f"{cell:>14}" for cell in cells)


def main() -> None:
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--before", type=Path, metavar="FOLDER")
    options.add_argument("--tifton", type=Path, metavar="FILE")
    given = options.parse_args()
    what = "this version's single" if given.before is None else "the earlier version"
    with tempfile.TemporaryDirectory() as name:
        for place in places(Path(name), given.tifton):
            print(f"\n{place.name}: {what} | evaporation apart")
            print(" " * 19 + "".join(f"{head:>14}" for head in HEADS))
            for zone, one, other in compare(place, Path(name), given.before):
                print(line(zone, one, other), flush=True)


if __name__ == "__main__":
    main()
