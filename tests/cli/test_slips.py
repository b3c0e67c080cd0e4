"""Mistyped settings from seed to lifting: every one is told at once by line, and nothing is lost by them."""

from __future__ import annotations

from cli.conftest import Grower

SLIPS = (
    ("by: seed, seed_depth: 1 1/2 in", "by: seed, seed_depth: 0.5", 'seed_depth: "0.5" has no unit'),
    ("mulch: straw", "mulch: straw, cover: 140%", "100% is the most"),
    ("pulled: 2015-09-12}",
     "pulled: 2015-09-12, observed: {late season: 2015-07-20, mid-season: 2015-07-28}}",
     "observed.late season: 2015-07-20 is not after that of mid-season, 2015-07-28"),
    ("tape_depth: 1 in", "tape_depth: 1 in\n    wet_band: 20 in",
     'wet_band: "20 in" is wider than a row, "18 in"'),
    ("harvest: 2015-08-05", "harvest: 2015-03-05", "harvest: 2015-03-05 is not after 2015-04-05"),
    ("crop: broccoli,", "crop: broccoli, shelter: {row covr: 0.8},", 'did you mean "row cover"?'),
)  # fmt: skip
CROPS = """\
onion:
  kcb: {mid-season: 1.45}
  heat: {stages: [200, 700, 600, 1400]}
"""


def test_all_slips_are_told_at_once_and_yesterdays_plan_stays(grower: Grower) -> None:
    assert grower("day", "--date", "2015-07-01").status in (0, 3)
    before = (grower.data / "today.json").read_bytes()
    text = grower.garden.read_text()
    for old, new, _ in SLIPS:
        grower.edit(old, new)
    (grower.folder / "crops.yaml").write_text(CROPS)
    said = grower("check", "--date", "2015-07-02", "--offline")
    assert (said.status, said.out) == (2, "")
    for _, _, words in SLIPS:
        assert words in said.err
    assert 'crops.yaml:2: onion.kcb.mid-season: "1.45" must be at most 1.4' in said.err
    assert 'crops.yaml:3: onion.heat.stages: sums count from planting on: "600" is less' in said.err
    assert len(said.err.splitlines()) == len(SLIPS) + 2, said.err
    assert grower("day", "--date", "2015-07-02").status == 2
    assert (grower.data / "today.json").read_bytes() == before
    grower.garden.write_text(text)
    (grower.folder / "crops.yaml").unlink()
    assert grower("day", "--date", "2015-07-02").status in (0, 3)
