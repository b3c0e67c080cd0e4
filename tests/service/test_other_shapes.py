"""A plan and a summary of another shape, as another version or a failing card leaves them."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from service.shed import Shed

from scheduler.store.store import Store


@pytest.mark.parametrize("text", ['{"runs": [{}]}', '{"notices": [3], "open_now": 1}', "[[]]"])
def test_a_plan_and_a_summary_of_another_shape_stop_nothing(
    make_shed: Callable[..., Shed], text: str
) -> None:
    """The older plan of the day waters; the other one stays on record."""
    shed = make_shed()
    shed.plan([("a", 1, 8.0, 3.0)])
    now = datetime.now(ZoneInfo(shed.zone))
    with Store.open(shed.data / "rowwater.db", now=now) as store:
        store.add_plan(now.date(), now, "another", {"runs": [json.loads(text)]}, {})  # type: ignore[typeddict-item]
    (shed.data / "today.json").write_text(text)
    shed.start()
    shed.until(lambda: shed.is_open("a"), 25, "the run")
    shed.until(lambda: shed.rows("SELECT 1 FROM applied"), 15, "the books")
    assert shed.process is not None
    assert shed.process.poll() is None
    with closing(Store.open(shed.data / "rowwater.db", now=now)) as store:
        ((_, why),) = store.unusable_plans(now.date(), now.date())
    assert why.startswith("its run 1")
