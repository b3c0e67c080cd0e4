"""Model M8: what a supply feeds (the published bucket and tape figures are in test_cases)."""

from __future__ import annotations

import pytest

from scheduler.core.supply import fits, flow_from_bucket, longest_tape, usable_flow


def test_usable_flow_keeps_some_back() -> None:
    assert usable_flow(20.0, 0.1) == pytest.approx(18.0)
    assert usable_flow(20.0) == 20.0
    for share in (-0.1, 1.0):
        with pytest.raises(ValueError, match="kept back"):
            usable_flow(20.0, share)


def test_a_sum_that_just_fits() -> None:
    assert fits([0.1, 0.2], 0.3)
    assert not fits([0.1, 0.2001], 0.3)
    assert fits([], 0.0)


@pytest.mark.parametrize(("volume", "seconds"), [(0.0, 10.0), (10.0, 0.0), (-1.0, 5.0)])
def test_a_bucket_needs_volume_and_time(volume: float, seconds: float) -> None:
    with pytest.raises(ValueError, match="bucket"):
        flow_from_bucket(volume, seconds)


def test_a_tape_needs_a_flow() -> None:
    with pytest.raises(ValueError, match="tape"):
        longest_tape(10.0, 0.0)
