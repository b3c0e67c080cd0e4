"""Rules that only the live morning has: waiting for rain, holds, shared valves, caps, allowed days, DST."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from cli.conftest import Grower

SAMPLES = Path(__file__).parents[1] / "weather" / "samples"


def zone(page: dict, name: str) -> dict:  # type: ignore[type-arg]
    return next(z for z in page["zones"] if z["zone"] == name)


def dry_week(grower: Grower) -> None:
    """Hot days without water: everything is due on 2 July (nothing was planned meanwhile, and none given)."""
    grower("day", "--date", "2015-06-28")


def chance_column(grower: Grower, chances: dict[str, tuple[str, str]]) -> None:
    """Add rain_chance_pct to the weather record; chances: day -> (rain_mm, percent)."""
    path = grower.folder / "weather.csv"
    header, *rows = path.read_text().splitlines()
    at = header.split(",").index("rain_mm")
    out = [header + ",rain_chance_pct"]
    for row in rows:
        cells = row.split(",")
        rain, chance = chances.get(cells[0], (cells[at], ""))
        cells[at] = rain
        out.append(",".join([*cells, chance]))
    path.write_text("\n".join(out) + "\n")


def eager_beans(grower: Grower) -> None:
    """Watered at a fifth of RAW; by one coefficient and the table's days, as the figures below are."""
    grower.edit("display: us\n", "display: us\ncrop_coefficient: single\n")
    grower.garden.write_text(grower.garden.read_text().replace("{crop:", "{heat: off, crop:"))
    head, beans = grower.garden.read_text().split("  beans:\n")
    grower.garden.write_text(head + "  beans:\n    refill_at: 20%\n" + beans)


@pytest.mark.parametrize(
    ("first_day", "rain_mm", "chance", "waits"),
    [
        ("2015-07-01", "40.0", "80", True),  # 32 mm expected, above the deficit, and RAW reaches to tomorrow
        ("2015-07-01", "40.0", "10", False),  # 4 mm expected, below the deficit
        ("2015-07-01", "40.0", "", False),  # rain that nobody gives a chance is not counted on
        ("2015-06-29", "40.0", "80", False),  # too dry to see tomorrow without stress
    ],
)
def test_a_due_zone_waits_only_for_likely_rain_and_only_while_unstressed(
    grower: Grower, first_day: str, rain_mm: str, chance: str, waits: bool
) -> None:
    """Model M6: waits while Dr + forecast ETc <= RAW (without any rain), and forecast rain x chance >= Dr."""
    eager_beans(grower)
    for day in range(int(first_day[-2:]) if "06" in first_day else 31, 31):
        grower("day", "--date", f"2015-06-{day}")
    grower("day", "--date", "2015-07-01")
    chance_column(grower, {"2015-07-02": (rain_mm, chance)})
    page = grower("day", "--date", "2015-07-02", "--json").json
    beans = zone(page, "beans")
    assert beans["deficit_mm"] >= beans["trigger_mm"]
    etc_today = (
        0.906 * page["weather"]["today"]["et0_mm"]
    )  # Kc of crop day 44: 0.5 x 0.656 + 24/30 of the rise
    expected = float(rain_mm) * float(chance or 0) / 100
    assert waits == (beans["deficit_mm"] + etc_today <= beans["raw_mm"] and expected >= beans["deficit_mm"])
    assert (beans["state"] == "waits for rain") is waits
    assert ("likely by" in beans["reason"]) is waits
    assert (beans["minutes"] == 0) is waits


def test_a_zone_on_hold_stays_dry_and_says_so(grower: Grower) -> None:
    dry_week(grower)
    assert grower("hold", "beans", "until", "2015-07-05").status == 0
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert zone(page, "beans")["state"] == "on hold"
    assert "beans" not in {run["zone"] for run in page["runs"]}
    page = grower("day", "--date", "2015-07-05", "--json").json
    assert zone(page, "beans")["state"] != "on hold"
    assert zone(page, "beans")["wanted_minutes"] > 0


def test_zones_on_one_valve_open_together_for_the_longest(grower: Grower) -> None:
    text = grower.garden.read_text()
    head, beans = text.split("  beans:")
    beans, rest = beans.split("  lettuce:")
    lettuce, squash = rest.split("  squash:")
    same = "valve: {gpio: 17}"
    grower.garden.write_text(
        f"{head}  beans:{beans.replace('valve: {by_hand: true}', same)}"
        f"  lettuce:{lettuce.replace('valve: {by_hand: true}', same)}  squash:{squash}"
    )
    dry_week(grower)
    runs = {run["zone"]: run for run in grower("day", "--date", "2015-07-02", "--json").json["runs"]}
    assert (runs["beans"]["start"], runs["beans"]["stop"]) == (
        runs["lettuce"]["start"],
        runs["lettuce"]["stop"],
    )
    assert runs["beans"]["net_mm"] != runs["lettuce"]["net_mm"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("days: all", "days: [mon]", "not a watering day: the next is Mon 2015-07-06"),
        ("days: all", "days: odd", "not a watering day: the next is Fri 2015-07-03"),
        ("days: all", "days: all\n  daily_cap: 100 gal", "the daily cap on water"),
        ('until: "10:00"', 'until: "04:30"', "the watering hours"),
        ("volume: 5 gal, time: 40 s", "volume: 5 gal, time: 300 s", "the supply can feed"),
    ],
)
def test_what_does_not_fit_is_carried_over_and_said(grower: Grower, old: str, new: str, words: str) -> None:
    grower.edit(old, new)
    dry_week(grower)
    said = grower("day", "--date", "2015-07-02", "--json")
    assert said.status == 3
    page = said.json
    assert page["unmet"]
    assert any(words in unmet["why"] for unmet in page["unmet"])
    assert all(unmet["net_mm"] > 0 for unmet in page["unmet"])
    usable_lpm = page["runs"] and 5 * 3.785411784 / (300 if "300 s" in new else 40) * 60 * 0.9
    for run in page["runs"]:
        together = sum(r["flow_lpm"] for r in page["runs"] if r["start"] <= run["start"] < r["stop"])
        assert together <= usable_lpm + 1e-6
        assert page["window"]["from"] <= run["start"] < run["stop"] <= page["window"]["until"]


class Service:
    """A stand-in for the forecast service on loopback: answers with `body` and `status`."""

    def __init__(self) -> None:
        self.status, self.body, self.asked = 200, b"", []  # type: ignore[var-annotated]
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                service.asked.append(self.path)
                self.send_response(service.status)
                self.send_header("Content-Length", str(len(service.body)))
                self.end_headers()
                self.wfile.write(service.body)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/v1/forecast"


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    thread = threading.Thread(target=made.server.serve_forever)
    thread.start()
    yield made
    made.server.shutdown()
    thread.join()
    made.server.server_close()


def test_the_forecast_service_feeds_the_day(
    grower: Grower, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A documented answer (hourly, m/s); its place and dates are those of the sample."""
    sample = json.loads((SAMPLES / "openmeteo_forecast_good.json").read_text())
    grower.edit("- file: {path: weather.csv}", "- service: open-meteo")
    grower.edit(
        "latitude: 47.44, longitude: -122.31",
        f"latitude: {sample['latitude']}, longitude: {sample['longitude']}",
    )
    grower.edit("America/Los_Angeles", "America/New_York")
    grower.edit(
        "planted: 2015-05-20, by: seed, seed_depth: 1 1/2 in, pulled: 2015-08-12", "planted: 2026-05-20"
    )
    grower.edit("- {crop: broccoli, planted: 2015-08-15", "# - {crop: broccoli, planted: 2015-08-15")
    monkeypatch.setenv("ROWWATER_OPENMETEO_URL", service.url)
    service.body = json.dumps(sample).encode()
    said = grower("day", "--date", "2026-06-14", "--json")
    assert said.status in (0, 3), said.err
    page = said.json
    assert page["weather"]["yesterday"]["et0_method"] == "penman-monteith"
    assert page["weather"]["yesterday"]["came_from"]["tmax_c"] == "open-meteo (model)"
    assert page["sources"]["credits"] == ["Weather data by Open-Meteo.com (CC BY 4.0)"]
    assert zone(page, "beans")["day"] == 26
    # the service's own daily ET0 comes from an hourly formula: formats agree within a few tenths of a mm
    own = dict(zip(sample["daily"]["time"], sample["daily"]["et0_fao_evapotranspiration"], strict=True))
    assert page["weather"]["yesterday"]["et0_mm"] == pytest.approx(own["2026-06-13"], abs=0.5)

    service.status, service.body = 500, b'{"error": true, "reason": "Something went wrong."}'
    monkeypatch.setattr("time.sleep", lambda _: None)
    page = grower("day", "--date", "2026-06-15", "--json").json
    assert page["weather"]["yesterday"]["et0_mm"] > 0  # yesterday's forecast stands in
    (text,) = [n["text"] for n in page["notices"] if n["text"].startswith("weather: open-meteo")]
    assert text.endswith("; used instead: yesterday and today by its earlier answer")
