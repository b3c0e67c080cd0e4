"""The garden as it is in use, and the newest plan as openings of its valves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from scheduler.service.actions import DayPlan, Rules
from scheduler.service.brief import Brief
from scheduler.service.dayplan import Rate, plan_from_page


@dataclass(slots=True)
class Planned:
    """Pure. A plan is worked out anew only where its page, the garden or the rates are others."""

    brief: Brief
    plan: DayPlan | None = None
    _rates: dict[str, Rate] = field(default_factory=dict)  # of the last daily job
    _made_of: tuple[Any, ...] = (None, None, None)

    def use(self, brief: Brief) -> None:
        """Another version of garden.yaml."""
        self.brief, self._rates = brief, {}

    def use_rates(self, rates: Mapping[str, Rate]) -> None:
        """What the daily job worked out for today."""
        self._rates = dict(rates)

    @property
    def rates(self) -> dict[str, Rate]:
        return {**self.brief.rates, **self._rates}

    def rules(self) -> Rules:
        return self.brief.rules(self._rates)

    def read(self, page: Mapping[str, Any] | None) -> None:
        """The page of the newest plan."""
        made_of = (page, self.brief, self._rates)
        if all(new is old for new, old in zip(made_of, self._made_of, strict=True)):
            return
        self._made_of = made_of
        self.plan = (
            plan_from_page(page, self.brief.valve_of, self.rates) if page and page.get("window") else None
        )

    def on(self, day: date) -> DayPlan | None:
        return self.plan if self.plan is not None and self.plan.day == day else None
