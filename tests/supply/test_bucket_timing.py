"""`rowwater bucket`: flow of a timed bucket and the tape it feeds."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from supply.plots import plot_text

from scheduler.cli.bucket import command
from scheduler.errors import BadInput
from scheduler.pages.bucket import bucket_page

GALLON_L = 3.785411784  # NIST SP 811 (2008), appendix B.8
FOOT_M = 0.3048


@pytest.fixture(autouse=True)
def _nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ROWWATER_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))


def bucket(*args: str, config: Path | None = None) -> Result:
    return CliRunner().invoke(command, list(args), obj={"config": config and str(config), "data": None})


def said(*args: str, config: Path | None = None) -> Any:
    answer = bucket(*args, "--json", config=config)
    assert answer.exit_code in (0, 3), answer.output
    return json.loads(answer.output)


@pytest.fixture
def garden_file(tmp_path: Path) -> Path:
    path = tmp_path / "plot.yaml"
    path.write_text(plot_text())
    return path


@pytest.mark.parametrize(
    ("gallons", "seconds", "gpm"),
    [
        # public drip-design slides: 5 gallons in 45 s, printed 6.66 (cut, not rounded), 400 gal/h
        (5, 45, 400 / 60),
        (5, 60, 5.0),  # by definition of the minute
    ],
)
def test_flow_of_published_bucket(gallons: float, seconds: float, gpm: float) -> None:
    page = said("--volume", f"{gallons}gal", "--time", f"{seconds}s")
    assert page["flow_lpm"] == pytest.approx(gpm * GALLON_L, abs=1e-4)


@pytest.mark.parametrize(("gpm", "feet"), [(5.0, 1250), (2.0, 500), (4.0, 1000), (6.4, 1600), (8.0, 2000)])
def test_tape_that_a_supply_feeds_in_proportion(gpm: float, feet: float) -> None:
    """5 gpm feeds 1,250 ft at 0.40 gpm per 100 ft, in proportion (common practice, no source)."""
    page = said("--volume", f"{gpm}gal", "--time", "1min", "--tape-flow", "0.40gpm/100ft")
    (meters,) = page["longest_tape_m"].values()
    assert meters == pytest.approx(feet * FOOT_M, abs=0.01)


def test_json_has_its_four_keys_and_no_tape_without_one_to_reckon_with() -> None:
    page = said("--volume", "5gal", "--time", "58s")
    assert page.keys() == {"flow_lpm", "usable_lpm", "longest_tape_m", "timings"}
    assert page["longest_tape_m"] == {}
    assert page["usable_lpm"] == page["flow_lpm"]
    assert page["timings"] == {
        "seconds": [58.0], "mean_seconds": 58.0, "spread_seconds": 0.0, "variation": 0.0, "agree": True,
    }  # fmt: skip


def test_garden_gives_keep_back_and_every_tape(garden_file: Path) -> None:
    page = said("--volume", "5gal", "--time", "60s", config=garden_file)
    assert page["usable_lpm"] == pytest.approx(4 * GALLON_L, abs=1e-4)  # 5 gpm less 20 %
    # 4 gpm at 0.40 and at 0.50 gpm per 100 ft
    assert page["longest_tape_m"] == pytest.approx({"thin": 1000 * FOOT_M, "thick": 800 * FOOT_M}, abs=0.01)
    assert said("--volume", "5gal", "--time", "60s", "--tape", "thick", config=garden_file)[
        "longest_tape_m"
    ] == pytest.approx({"thick": 800 * FOOT_M}, abs=0.01)


def test_several_timings_are_averaged_and_their_spread_told() -> None:
    """57, 58, 62: mean 59, sample standard deviation sqrt((4 + 1 + 9) / 2) = 2.6458, which is 4.5 %."""
    answer = bucket("--volume", "5gal", "--time", "57s", "--time", "58s", "--time", "62s")
    assert answer.exit_code == 0
    assert "3 timings: mean 59.0 s, spread 2.6 s (4.5%)" in answer.output
    page = said("--volume", "5gal", "--time", "57s", "--time", "58s", "--time", "62s")
    assert page["timings"]["spread_seconds"] == 2.6458
    assert page["flow_lpm"] == pytest.approx(5 * 60 / 59 * GALLON_L, abs=1e-4)


def test_timings_that_disagree_ask_for_another() -> None:
    """56 and 62: standard deviation 4.243 of 59, 7.2 %."""
    answer = bucket("--volume", "5gal", "--time", "56s", "--time", "62s")
    assert answer.exit_code == 3
    assert "time it again" in answer.output


def test_no_back_pressure_is_said() -> None:
    assert "no back pressure" in bucket("--volume", "5gal", "--time", "58s").output


@pytest.mark.parametrize(
    ("volume", "tape_flow", "flow", "length"),
    [
        ("5gal", "0.40gpm/100ft", "flow 5.00 gpm", "1,250 ft of 0.40gpm/100ft"),
        ("20L", "5 L/h/m", "flow 20.0 L/min", "240 m of 5 L/h/m"),  # 1200 L/h over 5 L/h per m
        ("20 L", "0.1 L/min/m", "flow 20.0 L/min", "200 m of"),
    ],
)
def test_units_as_typed_without_a_garden(volume: str, tape_flow: str, flow: str, length: str) -> None:
    output = bucket("--volume", volume, "--time", "1min", "--tape-flow", tape_flow).output
    assert flow in output
    assert length in output


def test_units_of_the_garden_win(tmp_path: Path) -> None:
    path = tmp_path / "metric.yaml"
    path.write_text(plot_text(display="metric"))
    output = bucket("--volume", "5gal", "--time", "60s", config=path).output
    assert "flow 18.9 L/min" in output
    assert "304.8 m of thin" in output
    # a bare volume is litres there
    assert said("--volume", "10", "--time", "60s", config=path)["flow_lpm"] == 10.0


def test_a_flow_that_has_moved_is_told(garden_file: Path) -> None:
    moved = bucket("--volume", "5gal", "--time", "50s", config=garden_file)
    assert "garden.yaml reckons with 5.00 gpm" in moved.output
    assert "reckons" not in bucket("--volume", "5gal", "--time", "61s", config=garden_file).output


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--volume", "0gal", "--time", "58s"), '--volume: "0gal" must be more than 0'),
        (("--volume", "-5gal", "--time", "58s"), "--volume: .*cannot be negative"),
        (("--volume", "nan", "--time", "58s"), '--volume: "nan" is not a volume'),
        (("--volume", "nan gal", "--time", "58s"), "--volume: .* is not a volume"),
        (("--volume", "5gal", "--time", "0s"), '--time: "0s" must be more than 0'),
        (("--volume", "5gal", "--time", "58s", "--time", "-1s"), "--time: .*cannot be negative"),
        (("--volume", "5gal", "--time", "nan"), '--time: "nan" is not a duration'),
        (("--volume", "5gal", "--time", "58"), '--time: "58" has no unit'),
        (("--volume", "5", "--time", "58s"), '--volume: "5" has no unit'),
        (("--volume", "5gal", "--time", "58s", "--tape-flow", "0gpm/100ft"), "--tape-flow: .*more than 0"),
        (("--volume", "5gal", "--time", "58s", "--tape", "thin"), "no garden.yaml"),
    ],
)
def test_wrong_figures_are_refused_with_status_2(args: tuple[str, ...], message: str) -> None:
    error = bucket(*args).exception
    assert isinstance(error, BadInput)
    assert error.exit_status == 2
    with pytest.raises(BadInput, match=message):
        raise error


def test_tape_without_a_garden_gets_a_hint() -> None:
    error = bucket("--volume", "5gal", "--time", "58s", "--tape", "thin").exception
    assert isinstance(error, BadInput)
    assert "--tape-flow" in str(error.hint)


def test_unknown_tape_gets_the_nearest_name(garden_file: Path) -> None:
    error = bucket("--volume", "5gal", "--time", "58s", "--tape", "thinn", config=garden_file).exception
    assert isinstance(error, BadInput)
    assert error.hint == 'did you mean "thin"?'


def test_a_garden_that_was_named_must_exist(tmp_path: Path) -> None:
    error = bucket("--volume", "5gal", "--time", "58s", config=tmp_path / "none.yaml").exception
    assert isinstance(error, BadInput)


def test_both_tape_options_are_one_too_many(garden_file: Path) -> None:
    answer = bucket(
        "--volume", "5gal", "--time", "58s", "--tape", "thin", "--tape-flow", "5L/h/m", config=garden_file
    )
    assert answer.exit_code == 2


def test_one_slow_trial_does_not_hide_among_many() -> None:
    """60 five times and 72: mean 62, sd sqrt((5 x 4 + 100) / 5) = 4.899, which is 7.9 %."""
    page = bucket_page(20.0, [60.0] * 5 + [72.0], keep_back=0.0, tapes={})
    assert page["timings"]["variation"] == pytest.approx(4.898979 / 62, abs=1e-4)
    assert not page["timings"]["agree"]
