"""The chain with evaporation apart from the crop's use, slow and plain: one zone, one day after another.

Written from the published equations (FAO Irrigation and Drainage Paper 56, Allen et al. 1998, ch. 7: "eq";
further sources at their lines) and the project's own rules, without the program's core.  Tests hold the two
against each other.  A zone has its valve alone here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

RISE_M = {"coarse": 0.10, "medium": 0.17, "fine": 0.20}  # own choice
SURFACE_RUN_MINUTES = {"coarse": 30.0, "medium": 30.0, "fine": 45.0}  # own choice
PASSED_ON = {
    "coarse": 1.0,
    "medium": 1.0,
    "fine": 0.7,
}  # share of salt that moves with the surplus, own choice
DRAWN = (0.4, 0.3, 0.2, 0.1)
STAGES = ("initial", "development", "mid-season", "late season")
HEAT_REFERENCE = (5, 15)


@dataclass
class Soil:
    theta_fc: float
    theta_wp: float
    kind: str  # coarse, medium, fine
    rew_mm: float  # of Table 19, not yet held to 0.8 TEW

    @property
    def tew(self) -> float:
        return 100 * (self.theta_fc - 0.5 * self.theta_wp)  # eq 73, Ze 0.10 m

    @property
    def rew(self) -> float:
        return min(self.rew_mm, 0.8 * self.tew)

    @property
    def held_mm_per_m(self) -> float:
        return 1000 * (self.theta_fc - self.theta_wp)  # eq 82


@dataclass
class Heat:
    base: float
    upper: float | None = None
    method: str = "sine"
    stages: tuple[float, float, float, float] | None = None
    reference: tuple[int, int] | None = None


@dataclass
class Crop:
    name: str
    days: tuple[int, int, int, int]
    kcb: tuple[float, float, float]
    root_start_m: float
    root_full_m: float
    depletion: float
    height_m: float | None = None
    film_kcb: float = 0.10
    by: str = "transplants"
    seed_depth_m: float = 0.020
    emergence: tuple[float, float] | None = None  # sum, base
    heat: Heat | None = None
    dry_off: tuple[int, float | None] = (0, None)  # days, refill_at instead of no water
    ec_threshold: float | None = None
    ec_slope: float = 10.0
    ky: Mapping[str, float] = field(default_factory=dict)


def without_kcb(kc_mid: float, kc_end: float) -> tuple[float, float, float]:
    """Kcb of a crop whose table has none: own choice after Tables 12 and 17."""
    return 0.15, max(kc_mid - 0.05, 0.15), max(kc_end - 0.10, 0.15)


@dataclass
class Planting:
    crop: Crop
    planted: date
    row_length_m: float
    rows: int
    spacing_m: float
    tapes: int = 1
    flow_lpm: float = 0.0
    pulled: date | None = None
    mulch: str = "none"
    mulch_cover: float | None = None
    by: str | None = None
    seed_depth_m: float | None = None
    settle: tuple[int, int | None, float | None] | None = (10, None, None)  # days, every, run; None: off
    harvest: date | None = None
    cover: float | None = None
    shelter: tuple[float, bool, date] | None = None  # factor on ET0, keeps rain out, until
    heat_off: bool = False
    observed: Mapping[str, date] = field(default_factory=dict)
    hold_last_stage: bool = True

    @property
    def area_m2(self) -> float:
        return self.rows * self.row_length_m * self.spacing_m


@dataclass
class Zone:
    name: str
    soil: Soil
    plantings: list[Planting]
    wetted_width_m: float
    uniformity: float = 0.90
    tape_depth_m: float = 0.10
    wet_band_m: float | None = None
    surface_run: float | None = None
    soil_ec: float = 1.0
    refill_at: float = 0.5
    leave_room_mm: float = 0.0
    shortest_run: float = 5.0
    longest_run: float | None = None
    fill_time: float = 0.0
    rain_capture: float | None = None
    runoff: float = 0.0
    starting_deficit_mm: float | None = None
    longest_pulse: float | None = None


@dataclass
class Weather:
    """The stored days, one value a day from `first` on."""

    first: date
    et0: Sequence[float]
    rain: Sequence[float]
    tmin: Sequence[float | None]
    tmax: Sequence[float | None]
    wind_2m: Sequence[float | None]  # None: nobody measured it
    rh_min: Sequence[float | None]

    def index(self, day: date) -> int:
        return (day - self.first).days

    def warm(self, i: int) -> tuple[float, float] | None:
        low, high = self.tmin[i], self.tmax[i]
        return None if low is None or high is None else (low, high)


# --- heat (M11) ----------------------------------------------------------------------------------


def degree_days(tmin: float, tmax: float, base: float, upper: float | None, method: str) -> float:
    """Single sine with horizontal cutoff (Baskerville and Emin 1969); average (McMaster and Wilhelm 1997)."""
    top = math.inf if upper is None else upper
    if method == "average":
        return (min(max(tmin, base), top) + min(max(tmax, base), top)) / 2 - base
    mean, half = (tmax + tmin) / 2, (tmax - tmin) / 2

    def above(t: float) -> float:
        if t >= tmax:
            return 0.0
        if t <= tmin:
            return mean - t
        angle = math.asin((t - mean) / half)
        return ((mean - t) * (math.pi / 2 - angle) + half * math.cos(angle)) / math.pi

    return above(base) - (0.0 if upper is None else above(upper))


def calibrated(crop: Crop, planted: date, weather: Weather) -> list[float] | None:
    """Sums that the table's days are worth at this site: means over the stored years' windows."""
    heat = crop.heat
    assert heat is not None
    ends = [sum(crop.days[: k + 1]) for k in range(4)]
    last = len(weather.et0)
    found = []
    for year in range(weather.first.year, planted.year + 1):
        month, day = heat.reference or HEAT_REFERENCE
        begin = weather.index(date(year, month, day))
        if begin < 0 or begin + ends[3] > last:
            continue
        if weather.first + timedelta(days=begin + ends[3] - 1) >= planted:
            continue
        warm = [weather.warm(i) for i in range(begin, begin + ends[3])]
        known = [degree_days(*w, heat.base, heat.upper, heat.method) if w else None for w in warm]
        sure = [k for k in known if k is not None]
        if len(sure) < 0.9 * ends[3]:
            continue
        assert len(sure) == ends[3], "days without temperatures are left to the core's own tests"
        found.append([sum(sure[:e]) for e in ends])
    if len(found) < 3:
        return None
    return [sum(column) / len(found) for column in zip(*found, strict=True)]


def after_observed(bounds: Sequence[float], stage: str, before: float) -> list[float]:
    """The boundaries once `stage` was seen to begin; before: x of the day before."""
    k = STAGES.index(stage) - 1
    r = min(max(before / bounds[k], 0.5), 2.0)
    new = [min(b, before) for b in bounds[:k]] + [before]
    for j in range(k + 1, 4):
        new.append(new[j - 1] + (bounds[j] - bounds[j - 1]) * (1 + (r - 1) / 2))
    return new


class Clock:
    """x and the boundaries of one planting: days, or degree-days from the planting date on."""

    def __init__(self, planting: Planting, weather: Weather) -> None:
        crop, self.weather, self.planting = planting.crop, weather, planting
        self.bounds = [float(sum(crop.days[: k + 1])) for k in range(4)]
        self.heat: Heat | None = None
        if crop.heat and not planting.heat_off and weather.index(planting.planted) >= 0:
            sums = list(crop.heat.stages) if crop.heat.stages else calibrated(crop, planting.planted, weather)
            if sums is not None:
                self.heat, self.bounds = crop.heat, sums
        self.sums: list[float] = [0.0]  # through day 0, 1, 2, ...
        for stage in STAGES[1:]:
            if stage in planting.observed:
                number = (planting.observed[stage] - planting.planted).days + 1
                self.bounds = after_observed(self.bounds, stage, self.x(number - 1))

    def x(self, number: int) -> float:
        if self.heat is None:
            return float(number)
        while len(self.sums) <= number:
            i = self.weather.index(self.planting.planted) + len(self.sums) - 1
            warm = self.weather.warm(i)
            assert warm is not None, "days without temperatures are left to the core's own tests"
            self.sums.append(
                self.sums[-1] + degree_days(*warm, self.heat.base, self.heat.upper, self.heat.method)
            )
        return self.sums[number]

    def stage(self, number: int) -> tuple[int, float]:
        """(stage 1..4, share of it passed)."""
        x = self.x(number)
        stage = next((k + 1 for k in range(3) if x <= self.bounds[k]), 4)
        below = self.bounds[stage - 2] if stage > 1 else 0.0
        length = self.bounds[stage - 1] - below
        return stage, min(1.0, (x - below) / length) if length > 0 else 1.0

    def growth(self, number: int) -> float:
        full = self.bounds[1]
        if self.heat is not None:
            return min(1.0, self.x(number - 1) / full) if full > 0 else 1.0
        return 1.0 if full <= 1 else min(1.0, (number - 1) / (full - 1))


def between(ini: float, mid: float, end: float, stage: int, share: float) -> float:
    """Eq 66."""
    if stage == 1:
        return ini
    if stage == 2:
        return ini + share * (mid - ini)
    return mid if stage == 3 else mid + share * (end - mid)


# --- evaporation (M3d) ---------------------------------------------------------------------------


def adjustment(wind_2m: float, rh_min: float, height_m: float) -> float:
    """What eq 70 and 72 add."""
    u2, rh = min(6.0, max(1.0, wind_2m)), min(80.0, max(20.0, rh_min))
    return (0.04 * (u2 - 2) - 0.004 * (rh - 45)) * (min(10.0, max(0.1, height_m)) / 3) ** 0.3


def wet_share(depth_m: float, rise_m: float) -> float:
    return math.sqrt(1 - (depth_m / rise_m) ** 2) if depth_m < rise_m else 0.0


def density(cover: float, height_m: float) -> float:
    """K_d (Allen and Pereira 2009, Irrig. Sci. 28:17-34, from memory)."""
    return min(1.0, 1.5 * cover, cover ** (1 / (1 + height_m)))


def ground_cover(kcb: float, kc_max: float, height_m: float) -> float:
    """Fc, eq 76."""
    return min(0.99, (max(kcb - 0.15, 0.01) / (kc_max - 0.15)) ** (1 + 0.5 * height_m))


def bare_parts(fc: float, band: float, tapes: int, film: float | None) -> tuple[float, float]:
    """(few_i over the tape, few_p in the row middle); film: the share of the ground it covers."""
    u = 1 - 2 / 3 * fc if tapes == 1 else 1.0
    if film is None:
        few_i = min(1 - fc, band * u)
        return few_i, 1 - fc - few_i
    few_i = min(1 - fc, (max(0.0, band - film) + 0.03) * u) if band > 0 else 0.0
    return few_i, max(0.0, min(1 - fc, 1 - film) - few_i)


def reduction(de: float, tew: float, rew: float) -> float:
    """Kr, eq 74."""
    return 1.0 if de <= rew else max(0.0, (tew - de) / (tew - rew))


@dataclass
class Layer:
    """The surface layer: mm missing over the tape, and in the row middle."""

    i: float
    p: float

    def evaporates(
        self, soil: Soil, few: tuple[float, float], kc_max: float, kcb: float, et0: float, keeps: float
    ) -> tuple[float, float, float]:
        """(W, Ke_i, Ke_p), and the layer moves on to the evening; keeps: what straw leaves of both."""
        kr_i, kr_p = (reduction(de, soil.tew, soil.rew) for de in (self.i, self.p))
        a, other = few[0] * max(soil.tew - self.i, 0.001), few[1] * max(soil.tew - self.p, 0.001)
        w = a / (a + other) if a + other > 0 else 0.0
        ke_i = keeps * min(kr_i * w * (kc_max - kcb), few[0] * kc_max)
        ke_p = keeps * min(kr_p * (1 - w) * (kc_max - kcb), few[1] * kc_max)
        if few[0] > 0:
            self.i = min(soil.tew, self.i + ke_i * et0 / few[0])
        if few[1] > 0:
            self.p = min(soil.tew, self.p + ke_p * et0 / few[1])
        return w, ke_i, ke_p

    def bare_day(self, soil: Soil, rain: float, et0: float) -> None:
        """Bare ground: rain of the day that got in, then eq 74 with 1.15 ET0."""
        for side in ("i", "p"):
            de = max(0.0, getattr(self, side) - rain)
            setattr(self, side, min(soil.tew, de + reduction(de, soil.tew, soil.rew) * 1.15 * et0))


# --- salt (M12) ----------------------------------------------------------------------------------


def leaching_requirement(ecw: float, threshold: float | None, slope: float) -> float:
    """Drip (Keller and Bliesner 1990, from memory)."""
    return 0.0 if threshold is None else min(0.5, ecw / (2 * (threshold + 100 / slope)))


class Salt:
    """Four quarters of the full root depth."""

    def __init__(self, ecw: float, v_mm: float, concentration: Sequence[float], ratio: float, passed: float):
        self.ecw, self.v, self.ratio, self.passed = ecw, v_mm, ratio, passed
        self.water = [v_mm] * 4
        self.salt = [c * v_mm for c in concentration]

    def enter(self, mm: float, ec: float) -> None:
        for k in range(4):
            water, salt = self.water[k] + mm, self.salt[k] + mm * ec
            if water <= self.v:
                self.water[k], self.salt[k] = water, salt
                return
            mm = water - self.v
            ec = salt / water * self.passed
            self.water[k], self.salt[k] = self.v, salt - mm * ec

    def draw(self, mm: float) -> None:
        left = 0.0
        for k in range(4):
            wanted = DRAWN[k] * mm + left
            got = min(wanted, max(0.0, self.water[k] - self.v * self.ratio))
            self.water[k] -= got
            left = wanted - got

    @property
    def ece(self) -> float:
        return (self.ecw + sum(s / self.v for s in self.salt)) / 10


# --- the day -------------------------------------------------------------------------------------


def use_inside_the_day(d: float, e: float, taw: float, raw: float) -> float:
    """F: what is used of e when stress comes on during the day (the integral of eq 84)."""
    if d + e <= raw:
        return e
    if d < raw:
        return (raw - d) + (taw - raw) * (1 - math.exp(-(e - raw + d) / (taw - raw)))
    return max(0.0, taw - d) * (1 - math.exp(-e / (taw - raw)))


def pulses_of(net: float, cap: float, minutes: float, least: int, longest: float | None) -> int:
    if minutes <= 0:
        return 0
    if longest is not None:
        return math.ceil(minutes / longest)
    return max(1, min(max(math.ceil(net / cap - 1e-12), least), 6, math.floor(minutes / 5)))


def standing(zone: Zone, day: date, clocks: Mapping[int, Clock]) -> Planting | None:
    begun = [p for p in zone.plantings if p.planted <= day]
    if not begun:
        return None
    latest = max(begun, key=lambda p: p.planted)
    if latest.pulled is not None and day >= latest.pulled:
        return None
    if not latest.hold_last_stage:
        clock = clocks[id(latest)]
        if clock.x((day - latest.planted).days + 1) > clock.bounds[3]:
            return None
    return latest


def climate(weather: Weather, i: int, wind_2m: float | None, rh_min: float | None) -> tuple[float, float]:
    """Means of the 30 days before day i, else the site's, else 2 m/s and 45 %."""
    out = []
    for series, fallback in (
        (weather.wind_2m, 2.0 if wind_2m is None else wind_2m),
        (weather.rh_min, 45.0 if rh_min is None else rh_min),
    ):
        known = [v for v in (series[k] for k in range(max(0, i - 30), i)) if v is not None]
        out.append(sum(known) / len(known) if len(known) >= 10 else fallback)
    return out[0], out[1]


@dataclass
class Walk:
    """One zone, day by day; `records` under the names of the season page."""

    zone: Zone
    weather: Weather
    wind_2m: float | None = None
    rh_min: float | None = None
    ecw: float | None = None
    records: list[dict[str, object]] = field(default_factory=list)

    def run(self, first: date, last: date) -> list[dict[str, object]]:
        self.clocks = {id(p): Clock(p, self.weather) for p in self.zone.plantings}
        self.dr = 0.0
        self.layer: Layer | None = None
        self.before: Planting | None = None
        self.salt: Salt | None = None
        day = first
        while day <= last:
            self.one(day)
            day += timedelta(days=1)
        return self.records

    def pw(self, p: Planting) -> float:
        return min(1.0, p.tapes * self.zone.wetted_width_m / p.spacing_m)

    def capture(self, mulch: str) -> float:
        if self.zone.rain_capture is not None:
            return self.zone.rain_capture
        return 0.3 if mulch == "film" else 1.0

    def one(self, day: date) -> None:
        zone, weather, soil = self.zone, self.weather, self.zone.soil
        i = weather.index(day)
        planting = standing(zone, day, self.clocks)
        et0, rain = weather.et0[i], weather.rain[i]
        if planting is None:
            if self.layer is not None:
                self.gap(et0, rain)
            return
        if planting.shelter is not None and day < planting.shelter[2]:
            factor, roof, _ = planting.shelter
            et0, rain = et0 * factor, 0.0 if roof else rain
        crop, clock = planting.crop, self.clocks[id(planting)]
        number = (day - planting.planted).days + 1
        stage, share = clock.stage(number)
        pw, g = self.pw(planting), clock.growth(number)
        zr = crop.root_start_m + (crop.root_full_m - crop.root_start_m) * g
        spread = pw + (1 - pw) * g
        self.settle_in(planting, day, zr, pw)
        layer = self.layer
        assert layer is not None

        # Kcb, Kc_max, cover (M3d.1 to M3d.3)
        u2, rh = climate(weather, i, self.wind_2m, self.rh_min)
        h_max = 0.4 if crop.height_m is None else crop.height_m
        ini, mid, end = crop.kcb
        full, late = (k + adjustment(u2, rh, h_max) if k >= 0.45 else k for k in (mid, end))
        if planting.cover is not None:
            thin = density(planting.cover, h_max)
            full, late = (0.15 + thin * (k - 0.15) if k > 0.15 else k for k in (full, late))
        kcb = between(ini, full, late, stage, share)
        if planting.mulch == "film":
            kcb *= 1 - crop.film_kcb
        h = 0.1 if stage == 1 else max(0.1, (share if stage == 2 else 1.0) * h_max)
        kc_max = max(1.1 + adjustment(u2, rh, h), kcb + 0.05)
        fc = ground_cover(kcb, kc_max, h)
        if planting.cover is not None:
            fc = min(fc, planting.cover)

        # root zone (M4)
        taw = soil.held_mm_per_m * zr * pw
        p = min(0.8, max(0.1, crop.depletion + 0.04 * (5 - kcb * et0 / spread)))
        raw = p * taw

        # the morning (M6, M7, M10, M12, M13)
        band = (
            0.6 * pw * wet_share(zone.tape_depth_m, RISE_M[soil.kind])
            if zone.wet_band_m is None
            else min(1.0, planting.tapes * zone.wet_band_m / planting.spacing_m)
        )
        dry = self.dry_off(planting, day, stage, share)
        no_water = dry and crop.dry_off[1] is None
        refill_at = crop.dry_off[1] if dry and crop.dry_off[1] is not None else zone.refill_at
        start = self.dr
        due = start >= refill_at * raw
        net = start - zone.leave_room_mm if due else 0.0
        by = planting.by or crop.by
        least = 0.0
        if not no_water and by == "transplants" and planting.settle is not None:
            if number == 1:
                net, due = max(start, pw * layer.i), True
            least = self.settling(planting, number, i)
        elif not no_water and by == "seed" and planting.settle is not None and planting.settle[1] is not None:
            least = self.settling(planting, number, i)
        bed = by == "seed" and self.in_seedbed(planting, i)
        waterings, sprinkle = 1, 0.0
        if bed and not no_water:
            c = self.most_dry(planting)
            e = reduction(layer.i, soil.tew, soil.rew) * (1.15 - 0.15) * et0
            if layer.i + e > c:
                if band > 0:
                    net, due = max(net, pw * layer.i), True
                    surface = SURFACE_RUN_MINUTES[soil.kind] if zone.surface_run is None else zone.surface_run
                    least = max(least, surface)
                    waterings = math.ceil(e / c)
                else:
                    sprinkle = layer.i
        if no_water:
            net = 0.0
        lr = self.leaching(crop)
        keeps = zone.uniformity * (1 - lr)
        minutes = self.minutes(planting, net, due, start, raw, least, keeps)
        gross = max(0.0, minutes - zone.fill_time) * planting.flow_lpm / planting.area_m2
        booked = gross * keeps

        # the surface (M3d.5 to M3d.7)
        counts = 0.0 if rain < 0.2 * et0 else rain * (1 - zone.runoff)
        capture = self.capture(planting.mulch)
        layer.i = max(0.0, layer.i - counts * capture - booked / pw)
        layer.p = max(0.0, layer.p - counts * self.capture("none"))
        if band == 0:
            layer.i = layer.p
        film = None
        if planting.mulch == "film":
            film = 0.7 if planting.mulch_cover is None else planting.mulch_cover
        few = bare_parts(fc, band, planting.tapes, film)
        straw = (
            (1.0 if planting.mulch_cover is None else planting.mulch_cover)
            if planting.mulch == "straw"
            else 0.0
        )
        _, ke_i, ke_p = layer.evaporates(soil, few, kc_max, kcb, et0, 1 - 0.5 * straw)
        if band == 0:
            layer.i = layer.p
        kc = kcb + ke_i + spread * ke_p

        # the balance (M5)
        rain_eff = counts * capture * spread
        dawn = max(0.0, start - booked)
        ks = 1.0 if dawn <= raw else max(0.0, (taw - dawn) / ((1 - p) * taw))  # eq 84
        room = taw - start + rain_eff + booked
        evaporation = min((ke_i + spread * ke_p) * et0, room)
        use = min(ks * kcb * et0, room - evaporation)
        etc = evaporation + use
        drained = max(0.0, rain_eff + booked - etc - start)  # eq 88
        self.dr = start - rain_eff - booked + etc + drained  # eq 85
        asked, inside = kc * et0, use_inside_the_day(dawn, kc * et0, taw, raw)
        short = kcb * et0 * (1 - inside / asked) if asked > 0 and not dry else 0.0
        cap = soil.held_mm_per_m * 0.5 * min(zr, 0.30) * pw
        pulses = pulses_of(
            booked, cap, minutes, max(math.ceil(asked / raw - 1e-12), waterings), zone.longest_pulse
        )
        if self.salt is not None:
            self.salt.enter(gross, self.salt.ecw)
            self.salt.enter(rain_eff, 0.0)
            self.salt.draw(etc)
        record: dict[str, object] = {
            "date": day.isoformat(),
            "zone": zone.name,
            "crop": crop.name,
            "stage": STAGES[stage - 1],
            "day": number,
            "kc": kc,
            "ks": ks,
            "etc_mm": etc,
            "rain_eff_mm": rain_eff,
            "root_depth_m": zr,
            "taw_mm": taw,
            "raw_mm": raw,
            "deficit_start_mm": start,
            "deficit_end_mm": self.dr,
            "net_mm": booked,
            "gross_mm": gross,
            "liters": minutes * planting.flow_lpm,
            "minutes": minutes,
            "percolation_mm": drained,
            "kcb": kcb,
            "cover": fc,
            "evaporation_mm": evaporation,
            "use_mm": use,
            "surface_mm": layer.i,
            "middle_mm": layer.p,
            "seedbed": bed,
            "sprinkle_mm": sprinkle,
            "short_use_mm": short,
            "pulses": pulses,
            "dry_off": dry,
        }
        if clock.heat is not None:
            record["heat_c"] = clock.x(number)
        if self.salt is not None:
            record["ece_ds_m"] = self.salt.ece
        self.records.append(
            {**record, "_asked": asked, "_planting": planting, "_stage": stage, "_share": share}
        )
        self.before = planting

    # --- the days without a crop, and the first with one ---

    def gap(self, et0: float, rain: float) -> None:
        assert self.layer is not None
        assert self.before is not None
        counts = 0.0 if rain < 0.2 * et0 else rain * (1 - self.zone.runoff) * self.capture("none")
        pw = self.pw(self.before)
        self.dr = max(0.0, self.dr / pw - counts) * pw
        self.layer.bare_day(self.zone.soil, counts, et0)
        if self.salt is not None:
            self.salt.enter(counts * pw, 0.0)

    def bare_before(self, day: date) -> float:
        """The layer of a bed bare for the 30 days before: from dry."""
        soil, weather = self.zone.soil, self.weather
        layer, i = Layer(soil.tew, soil.tew), weather.index(day)
        for k in range(max(0, i - 30), i):
            rain = weather.rain[k] * (1 - self.zone.runoff) * self.capture("none")
            layer.bare_day(soil, 0.0 if weather.rain[k] < 0.2 * weather.et0[k] else rain, weather.et0[k])
        return layer.i

    def settle_in(self, planting: Planting, day: date, zr: float, pw: float) -> None:
        """Deficit and layer on the first morning of the balance, or of a new planting."""
        most = self.zone.soil.held_mm_per_m * zr
        if self.layer is None:
            de = self.bare_before(day)
            self.layer = Layer(de, de)
            given = self.zone.starting_deficit_mm
            self.dr = pw * min(de, most) if given is None else min(given, most * pw)
            self.new_salt(planting, None)
        elif planting is not self.before:
            assert self.before is not None
            old, same = (
                self.before,
                (planting.spacing_m, planting.tapes) == (self.before.spacing_m, self.before.tapes),
            )
            strip = self.dr / self.pw(old)
            if same:
                strip = max(strip, self.layer.i)
            else:
                strip = self.layer.i = self.layer.p
            self.dr = pw * min(strip, most)
            self.new_salt(planting, self.salt if same else None)

    def new_salt(self, planting: Planting, old: Salt | None) -> None:
        if self.ecw is None:
            return
        soil = self.zone.soil
        v = 1000 * soil.theta_fc * planting.crop.root_full_m / 4 * self.pw(planting)
        kept = [2 * self.zone.soil_ec] * 4 if old is None else [s / old.v for s in old.salt]
        self.salt = Salt(self.ecw, v, kept, soil.theta_wp / soil.theta_fc, PASSED_ON[soil.kind])

    # --- what the morning asks for ---

    def settling(self, planting: Planting, number: int, i: int) -> float:
        assert planting.settle is not None
        days, every, run = planting.settle
        every = every or (1 if self.zone.soil.kind == "coarse" else 2)
        if number > days or (number - 1) % every:
            return 0.0
        shelter, before = planting.shelter, self.weather.first + timedelta(days=i - 1)
        roofed = shelter is not None and shelter[1] and before < shelter[2]
        if number > 1 and not roofed and self.weather.rain[i - 1] * self.capture(planting.mulch) >= 5:
            return 0.0
        if run is None:
            run = planting.rows * planting.row_length_m / planting.flow_lpm + self.zone.fill_time
        return float(math.ceil(run - 1e-9))

    def in_seedbed(self, planting: Planting, i: int) -> bool:
        number = i - self.weather.index(planting.planted) + 1
        if planting.crop.emergence is None:
            return number <= 14
        if number > 30:
            return False
        total, base = planting.crop.emergence
        warm = 0.0
        for k in range(self.weather.index(planting.planted), i):
            found = self.weather.warm(k)
            assert found is not None
            warm += max(0.0, sum(found) / 2 - base)
        return warm < 1.2 * total

    def most_dry(self, planting: Planting) -> float:
        depth = planting.crop.seed_depth_m if planting.seed_depth_m is None else planting.seed_depth_m
        return dryness_allowed(depth, self.zone.soil)

    def dry_off(self, planting: Planting, day: date, stage: int, share: float) -> bool:
        days = planting.crop.dry_off[0]
        if not days:
            return False
        if planting.harvest is not None:
            return day >= planting.harvest - timedelta(days=days)
        late = planting.crop.days[3]
        return stage == 4 and share * late > late - days

    def leaching(self, crop: Crop) -> float:
        if self.salt is None or crop.ec_threshold is None or self.salt.ece <= crop.ec_threshold:
            return 0.0
        lr = leaching_requirement(self.salt.ecw, crop.ec_threshold, crop.ec_slope)
        return lr if lr > 0.1 else 0.0

    def minutes(
        self, planting: Planting, net: float, due: bool, start: float, raw: float, least: float, keeps: float
    ) -> float:
        zone = self.zone
        minutes = 0.0
        if net > 0:
            per_mm = planting.area_m2 / (planting.flow_lpm * keeps)
            minutes = float(math.floor(net * per_mm + zone.fill_time + 0.5))
            if minutes < zone.shortest_run:
                minutes = float(math.ceil(zone.shortest_run)) if due and start >= raw else 0.0
        minutes = max(minutes, float(math.ceil(least - 1e-9)))
        return minutes if zone.longest_run is None else min(minutes, float(math.floor(zone.longest_run)))


def dryness_allowed(depth_m: float, soil: Soil) -> float:
    if depth_m <= 0.015:
        return 0.5 * soil.rew
    return soil.rew if depth_m <= 0.030 else soil.rew + 0.25 * (soil.tew - soil.rew)


# --- yield (M15) ---------------------------------------------------------------------------------


def yield_by_water(ky: float, r: float) -> float:
    return min(1.0, max(0.0, 1 - ky * (1 - r)))  # FAO-33


def expected_yield(records: Sequence[Mapping[str, object]], crop: Crop) -> dict[str, float | None]:
    counted = [r for r in records if not r["dry_off"]]

    def left(chosen: Sequence[Mapping[str, object]]) -> float:
        asked = sum(float(str(r["_asked"])) for r in chosen)
        return 1 - sum(float(str(r["short_use_mm"])) for r in chosen) / asked if asked > 0 else 1.0

    water: float | None = None
    if "season" in crop.ky:
        by_stage = 1.0
        parts = {
            "vegetative": [r for r in counted if r["_stage"] == 2],
            "flowering": [r for r in counted if r["_stage"] == 3 and float(str(r["_share"])) <= 0.5],
            "yield_formation": [r for r in counted if r["_stage"] == 3 and float(str(r["_share"])) > 0.5],
            "ripening": [r for r in counted if r["_stage"] == 4],
        }
        for name, chosen in parts.items():
            if name in crop.ky:
                by_stage *= yield_by_water(crop.ky[name], left(chosen))
        water = min(by_stage, yield_by_water(crop.ky["season"], left(counted)))
    ece = [float(str(r["ece_ds_m"])) for r in records if "ece_ds_m" in r]
    salt = None
    if ece and crop.ec_threshold is not None:
        salt = min(1.0, max(0.0, 1 - crop.ec_slope / 100 * (sum(ece) / len(ece) - crop.ec_threshold)))
    return {
        "etc_mm": sum(float(str(r["_asked"])) for r in counted),
        "short_use_mm": sum(float(str(r["short_use_mm"])) for r in counted),
        "ece_ds_m": sum(ece) / len(ece) if ece else None,
        "yield_water": water,
        "yield_salt": salt,
        "yield": None if water is None or salt is None else water * salt,
    }
