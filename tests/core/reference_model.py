"""A second computation of the whole chain, slow and plain: one day, one zone, one number after another.

Written from the published equations (FAO Irrigation and Drainage Paper 56, Allen et al., 1998; "eq") and
the project's own rules (refill, settling, limits of a run), without the program's core: it shares with the
core nothing but the frozen values of scheduler.model.  Tests hold the two against each other.

Where the core and this disagree by an exact tie (a deficit that equals its trigger to the last bits, a run
that falls on the half minute), `simulate` takes the minutes that the core chose, and only there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from core import second_model

from scheduler.model import Crop, Garden, Location, Planting, Zone

HAIR = 1e-9  # relative: so near to its limit a decision may fall either way
Claim = Callable[[int, int], float]


# --- weather of one day (M1, M2) -----------------------------------------------------------------


def e0(t_c: float) -> float:
    """Eq 11."""
    return 0.6108 * math.exp(17.27 * t_c / (t_c + 237.3))


def reference_et(day: date, given: Mapping[str, float | None], site: Location) -> tuple[float, str] | None:
    """(ET0 mm, method) of one day from what was given (None is missing); None without temperatures."""
    tmin, tmax = given.get("tmin_c"), given.get("tmax_c")
    if tmin is None or tmax is None or tmax < tmin:
        return None
    j = (day - date(day.year, 1, 1)).days + 1
    phi = site.latitude_deg * math.pi / 180
    dr = 1 + 0.033 * math.cos(2 * math.pi / 365 * j)  # eq 23
    delta_sun = 0.409 * math.sin(2 * math.pi / 365 * j - 1.39)  # eq 24
    cosine = -math.tan(phi) * math.tan(delta_sun)
    sunset = math.acos(max(-1.0, min(1.0, cosine)))  # eq 25; polar day and night
    ra = max(
        0.0,
        24 * 60 / math.pi * 0.0820 * dr
        * (
            sunset * math.sin(phi) * math.sin(delta_sun)
            + math.cos(phi) * math.cos(delta_sun) * math.sin(sunset)
        ),
    )  # fmt: skip
    daylight = 24 / math.pi * sunset  # eq 34
    rso = (0.75 + 2e-5 * site.elevation_m) * ra  # eq 37
    tmean = (tmin + tmax) / 2  # eq 9
    es = (e0(tmin) + e0(tmax)) / 2  # eq 12

    estimated = set()

    def percent(name: str) -> float | None:
        value = given.get(name)
        return None if value is None or value < 0 else min(value, 100.0)

    rh_max, rh_min, rh_mean = percent("rh_max_pct"), percent("rh_min_pct"), percent("rh_mean_pct")
    dew = given.get("tdew_c")
    if dew is not None:
        ea = e0(dew)  # eq 14
    elif rh_max is not None and rh_min is not None:
        ea = (e0(tmin) * rh_max / 100 + e0(tmax) * rh_min / 100) / 2  # eq 17
    elif rh_mean is not None:
        ea = rh_mean / 100 * es  # eq 19
    else:
        ea = e0(tmin - (2 if site.dry else 0))  # eq 48
        estimated.add("humidity")
    ea = min(ea, es)

    measured, sunshine = given.get("solar_mj_m2"), given.get("sunshine_h")
    if measured is not None and measured >= 0:
        rs = min(measured, 1.05 * rso)
    elif sunshine is not None and sunshine >= 0:
        share = min(1.0, sunshine / daylight) if daylight > 0 else 0.0
        rs = (0.25 + 0.50 * share) * ra  # eq 35
    else:
        rs = min((0.19 if site.coastal else 0.16) * math.sqrt(tmax - tmin) * ra, rso)  # eq 50
        estimated.add("radiation")

    wind, height = given.get("wind_m_s"), given.get("wind_height_m")
    if wind is None or wind < 0:
        u2 = 2.0
        estimated.add("wind")
    elif height is None or height == 2:
        u2 = wind
    else:
        u2 = wind * 4.87 / math.log(67.8 * height - 5.42)  # eq 47
    u2 = max(u2, 0.5)

    if len(estimated) == 3 and site.temperature_only == "hargreaves":
        et0 = 0.0023 * (tmean + 17.8) * math.sqrt(tmax - tmin) * 0.408 * ra  # eq 52
        return max(et0, 0.0), "hargreaves"
    pressure = 101.3 * ((293 - 0.0065 * site.elevation_m) / 293) ** 5.26  # eq 7
    gamma = 0.665e-3 * pressure  # eq 8
    slope = 4098 * e0(tmean) / (tmean + 237.3) ** 2  # eq 13
    clearness = min(1.0, max(0.3, rs / rso)) if rso > 0 else 0.3
    rns = 0.77 * rs  # eq 38
    rnl = (
        4.903e-9 * ((tmax + 273.16) ** 4 + (tmin + 273.16) ** 4) / 2
        * (0.34 - 0.14 * math.sqrt(ea)) * (1.35 * clearness - 0.35)
    )  # eq 39  # fmt: skip
    et0 = (0.408 * slope * (rns - rnl) + gamma * 900 / (tmean + 273) * u2 * (es - ea)) / (
        slope + gamma * (1 + 0.34 * u2)
    )  # eq 6
    return max(et0, 0.0), "penman-monteith-estimated" if estimated else "penman-monteith"


# --- crop and root zone (M3, M4) -----------------------------------------------------------------


def standing(zone: Zone, day: date) -> Planting | None:
    """The planting with the latest `planted` not after the day, unless pulled or over."""
    begun = [p for p in zone.plantings if p.planted <= day]
    if not begun:
        return None
    latest = max(begun, key=lambda p: p.planted)
    if latest.pulled is not None and day >= latest.pulled:
        return None
    number = (day - latest.planted).days + 1
    if number > sum(latest.crop.stage_days) and not latest.crop.hold_last_stage:
        return None
    return latest


def wetted_fraction(zone: Zone, planting: Planting) -> float:
    return min(1.0, planting.rows.tapes * zone.wetted_width_m / planting.rows.spacing_m)


def site_kc(kc: float, crop: Crop, site: Location) -> float:
    """Eq 62 and 65, where the site's means and the crop's height are all known."""
    if kc < 0.45 or site.wind_2m_m_s is None or site.rh_min_pct is None or crop.height_m is None:
        return kc
    u2 = min(6.0, max(1.0, site.wind_2m_m_s))
    rh = min(80.0, max(20.0, site.rh_min_pct))
    h = min(10.0, max(0.1, crop.height_m))
    return kc + (0.04 * (u2 - 2) - 0.004 * (rh - 45)) * (h / 3) ** 0.3


def kc_and_stage(planting: Planting, number: int, pw: float, site: Location) -> tuple[float, str]:
    crop = planting.crop
    ini, dev, mid, late = crop.stage_days
    first = crop.kc_ini * pw
    full, end = site_kc(crop.kc_mid, crop, site), site_kc(crop.kc_end, crop, site)
    if number <= ini:
        kc, stage = first, "initial"
    elif number <= ini + dev:
        kc, stage = first + (number - ini) / dev * (full - first), "development"  # eq 66
    elif number <= ini + dev + mid:
        kc, stage = full, "mid-season"
    elif number <= ini + dev + mid + late:
        kc, stage = full + (number - ini - dev - mid) / late * (end - full), "late season"
    else:
        kc, stage = end, "late season"
    if planting.mulch == "film":
        kc *= 1 - (0.20 if crop.film_factor is None else crop.film_factor)
    elif planting.mulch == "straw":
        kc *= 1 - 0.10
    return kc, stage


def growth(crop: Crop, number: int) -> float:
    young = crop.stage_days[0] + crop.stage_days[1]
    return 1.0 if young <= 1 else min(1.0, (number - 1) / (young - 1))


def effective_rain(zone: Zone, rain: float, et0: float, mulch: str, spread: float) -> float:
    if rain < 0.2 * et0:
        return 0.0
    capture = zone.rain_capture
    if capture is None:
        capture = 0.3 if mulch == "film" else 1.0
    return rain * (1 - zone.runoff) * capture * spread


# --- water (M5, M6, M7) --------------------------------------------------------------------------


def emission_uniformity(zone: Zone) -> float:
    return 0.90 if zone.uniformity is None else zone.uniformity


def zone_flow(garden: Garden, zone: Zone, planting: Planting) -> float:
    """L/min, measured, else by the tape's label; the tapes here carry no hydraulic measures."""
    if planting.measured_flow_lpm is not None:
        return planting.measured_flow_lpm
    per_m = zone.tape.flow_lpm_per_m
    if garden.supply.pressure_kpa is not None and zone.tape.rated_at_kpa is not None:
        per_m *= (garden.supply.pressure_kpa / zone.tape.rated_at_kpa) ** zone.tape.exponent
    rows = planting.rows
    return sum(rows.length_m * rows.tapes * per_m for _ in range(rows.count))


def leaching(garden: Garden, crop: Crop, ece: float | None) -> float:
    """Of a morning with this ECe in the strip: none while the crop stands it, none below a tenth."""
    if ece is None or crop.ec_threshold_ds_m is None or ece <= crop.ec_threshold_ds_m:
        return 0.0
    assert garden.supply.ec_ds_m is not None
    lr = second_model.leaching_requirement(garden.supply.ec_ds_m, crop.ec_threshold_ds_m, crop.ec_slope_pct)
    return lr if lr > 0.1 else 0.0


def salt_of(
    garden: Garden, zone: Zone, planting: Planting, before: tuple[Planting, second_model.Salt] | None
) -> second_model.Salt | None:
    """The salt of a new planting: on the old tape with its concentrations, else as the soil was."""
    if garden.supply.ec_ds_m is None:
        return None
    pw = wetted_fraction(zone, planting)
    v = 1000 * zone.soil.theta_fc * planting.crop.root_full_m / 4 * pw
    concentrations = [2 * zone.soil_ec_ds_m] * 4
    if before is not None:
        old, salt = before
        if (old.rows.spacing_m, old.rows.tapes) == (planting.rows.spacing_m, planting.rows.tapes):
            concentrations = [s / salt.v for s in salt.salt]
    passed = 0.7 if zone.soil.texture_group == "fine" else 1.0
    ratio = zone.soil.theta_wp / zone.soil.theta_fc
    return second_model.Salt(garden.supply.ec_ds_m, v, concentrations, ratio, passed)


@dataclass
class Record:
    """One zone-day, under the names of the season page; `standing` False: bare ground."""

    standing: bool = False
    crop: str = ""
    stage: str = ""
    day: int = 0
    et0_mm: float = 0.0
    kc: float = 0.0
    ks: float = 1.0
    etc_mm: float = 0.0
    rain_mm: float = 0.0
    rain_eff_mm: float = 0.0
    root_depth_m: float = 0.0
    taw_mm: float = 0.0
    raw_mm: float = 0.0
    deficit_start_mm: float = 0.0
    deficit_end_mm: float = 0.0
    net_mm: float = 0.0
    gross_mm: float = 0.0
    liters: float = 0.0
    minutes: float = 0.0
    percolation_mm: float = 0.0


def _wanted(zone: Zone, deficit: float, raw: float, minutes_per_mm: float) -> float:
    """M6 and M7 without settling: due, net, whole minutes within the limits of a run."""
    net = deficit - zone.leave_room_mm
    if deficit < zone.refill_at * raw or net <= 0:
        return 0.0
    return _run(zone, net, deficit, raw, minutes_per_mm)


def _run(zone: Zone, net: float, deficit: float, raw: float, minutes_per_mm: float) -> float:
    minutes = float(math.floor(net * minutes_per_mm + zone.fill_time_minutes + 0.5))
    if minutes < zone.shortest_run_minutes:
        minutes = float(math.ceil(zone.shortest_run_minutes)) if deficit >= raw else 0.0
    return minutes


def _limited(zone: Zone, minutes: float) -> float:
    longest = math.inf if zone.longest_run_minutes is None else math.floor(zone.longest_run_minutes)
    return float(min(minutes, longest))


def _settling(zone: Zone, planting: Planting, number: int, flow: float, rain_yesterday: float) -> float:
    """Least minutes, not yet whole; rain_yesterday: less what the mulch sheds."""
    settle = planting.settle
    by = planting.crop.by if planting.by is None else planting.by
    if settle is None or by == "sets":
        return 0.0
    every = settle.every_days or (1 if zone.soil.texture_group == "coarse" else 2)
    if number > settle.days or (number - 1) % every or (number > 1 and rain_yesterday >= 5):
        return 0.0
    if settle.run_minutes is not None:
        return settle.run_minutes
    rows = planting.rows
    return rows.count * rows.length_m / flow + zone.fill_time_minutes


def _transplanted(planting: Planting, number: int) -> bool:
    by = planting.crop.by if planting.by is None else planting.by
    return planting.settle is not None and by == "transplants" and number == 1


def simulate(
    garden: Garden, first: date, et0: list[float], rain: list[float], claimed: Claim | None = None
) -> list[list[Record]]:
    """[day][zone] records of the plain rule; et0 and rain are mm of each day from `first` on.

    `claimed(day, zone)`: the minutes that the program chose, heeded at exact ties only.
    """
    zones = garden.zones
    deficit: list[float | None] = [None] * len(zones)  # None: the balance of the zone has not begun
    previous: list[Planting | None] = [None] * len(zones)
    salts: list[tuple[Planting, second_model.Salt] | None] = [None] * len(zones)
    days: list[list[Record]] = []
    for d in range(len(et0)):
        day = first + timedelta(days=d)
        records = [Record(et0_mm=et0[d], rain_mm=rain[d]) for _ in zones]
        minutes_of = [0.0] * len(zones)
        choices: list[set[float]] = [{0.0} for _ in zones]  # within a hair of the limits
        plantings = [standing(zone, day) for zone in zones]
        p_of = [0.0] * len(zones)
        per_mm = [0.0] * len(zones)
        lr_of = [0.0] * len(zones)

        # the morning of each zone
        for z, zone in enumerate(zones):
            planting, record = plantings[z], records[z]
            if planting is None:
                continue
            crop = planting.crop
            number = (day - planting.planted).days + 1
            pw = wetted_fraction(zone, planting)
            g = growth(crop, number)
            kc, stage = kc_and_stage(planting, number, pw, garden.location)
            zr = crop.root_start_m + (crop.root_full_m - crop.root_start_m) * g
            taw = 1000 * (zone.soil.theta_fc - zone.soil.theta_wp) * zr * pw  # eq 82
            p = max(0.1, min(0.8, crop.depletion + 0.04 * (5 - kc * et0[d])))
            raw = p * taw  # eq 83
            record.standing, record.crop, record.stage, record.day = True, crop.name, stage, number
            record.kc, record.root_depth_m, record.taw_mm, record.raw_mm = kc, zr, taw, raw
            record.rain_eff_mm = effective_rain(zone, rain[d], et0[d], planting.mulch, pw + (1 - pw) * g)
            carried = deficit[z]
            if carried is None:
                carried = min(zone.starting_deficit_mm or 0.0, taw)
            elif planting is not previous[z]:
                carried = min(carried, taw)
            if (
                planting is not previous[z]
                and (salt := salt_of(garden, zone, planting, salts[z])) is not None
            ):
                salts[z] = planting, salt
            lr_of[z] = leaching(garden, crop, None if salts[z] is None else salts[z][1].ece)
            deficit[z] = record.deficit_start_mm = carried
            p_of[z] = p
            flow, area = zone_flow(garden, zone, planting), planting.rows.area_m2
            per_mm[z] = 1 / (emission_uniformity(zone) * (1 - lr_of[z])) * area / flow
            shed = (
                zone.rain_capture if zone.rain_capture is not None else 0.3 if planting.mulch == "film" else 1
            )
            rained = rain[d - 1] * shed if d else 0.0

            def wanted(dr: float, zone: Zone = zone, raw: float = raw, per: float = per_mm[z],
                       planted: bool = _transplanted(planting, number)) -> float:  # fmt: skip
                if planted:
                    due = dr - zone.leave_room_mm if dr >= zone.refill_at * raw else 0.0
                    return _run(zone, max(dr, due), dr, raw, per) if dr > 0 else 0.0
                return _wanted(zone, dr, raw, per)

            settling = _settling(zone, planting, number, flow, rained)
            minutes_of[z] = _limited(zone, max(wanted(carried), float(math.ceil(settling))))
            hair = HAIR * max(1.0, carried)
            choices[z] = {
                _limited(zone, max(wanted(carried + nudge), float(math.ceil(other * by))))
                for nudge in (-hair, 0.0, hair)
                for other in (_settling(zone, planting, number, flow, rained + n) for n in (-HAIR, HAIR))
                for by in (1 - HAIR, 1, 1 + HAIR)
            }

        # zones on one valve run together, for the longest of their minutes
        for z in range(len(zones)):
            if plantings[z] is None:
                continue
            together = [k for k, other in enumerate(zones) if k == z or other.valve.key == zones[z].valve.key]
            minutes = max(minutes_of[k] for k in together)
            if claimed is not None:
                said = claimed(d, z)
                least = max(min(choices[k]) for k in together)
                if said >= least and any(said in choices[k] for k in together):
                    minutes = said
            records[z].minutes = minutes

        # the day of each zone
        for z, zone in enumerate(zones):
            planting, record = plantings[z], records[z]
            before = deficit[z]
            if planting is None:
                record.rain_eff_mm = effective_rain(zone, rain[d], et0[d], "none", 1.0)
                if before is not None:
                    deficit[z] = max(0.0, before - record.rain_eff_mm)
                if (held := salts[z]) is not None:
                    held[1].enter(record.rain_eff_mm * wetted_fraction(zone, held[0]), 0.0)
            else:
                assert before is not None
                flow, area = zone_flow(garden, zone, planting), planting.rows.area_m2
                record.liters = record.minutes * flow
                record.gross_mm = max(0.0, record.minutes - zone.fill_time_minutes) * flow / area
                net = record.gross_mm * emission_uniformity(zone) * (1 - lr_of[z])
                record.net_mm = net
                taw, raw, p = record.taw_mm, record.raw_mm, p_of[z]
                at_dawn = max(0.0, before - net)
                ks = 1.0 if at_dawn <= raw else max(0.0, (taw - at_dawn) / ((1 - p) * taw))  # eq 84
                record.ks = ks
                available = taw - before + record.rain_eff_mm + net
                record.etc_mm = min(ks * record.kc * et0[d], available)
                record.percolation_mm = max(0.0, record.rain_eff_mm + net - record.etc_mm - before)  # eq 88
                deficit[z] = before - record.rain_eff_mm - net + record.etc_mm + record.percolation_mm
                record.deficit_end_mm = deficit[z] or 0.0  # eq 85
                if (held := salts[z]) is not None:
                    held[1].enter(record.gross_mm, held[1].ecw)
                    held[1].enter(record.rain_eff_mm, 0.0)
                    held[1].draw(record.etc_mm)
            previous[z] = planting
        days.append(records)
    return days
