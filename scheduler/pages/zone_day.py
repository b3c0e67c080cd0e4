"""One zone on one day, as the balance laid it out: where its figures stand in the arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.core.arrays import FloatArray
from scheduler.core.balance.crop import STAGES
from scheduler.core.balance.ground import Ground
from scheduler.core.balance.stands import Stand
from scheduler.model import Crop, Planting, Zone
from scheduler.planning.live import Live


@dataclass(frozen=True, slots=True)
class ZoneDay:
    """A zone and a day on which a planting stands; d: index of the day in (day, zone) arrays."""

    live: Live
    zone: Zone
    z: int
    d: int

    @property
    def day(self) -> date:
        return self.live.start + timedelta(days=self.d)

    @property
    def stand_no(self) -> int:
        """Index into `Terms.stands`."""
        return int(self.live.terms.stand[self.d, self.z])

    @property
    def stand(self) -> Stand:
        return self.live.terms.stands[self.stand_no]

    @property
    def planting(self) -> Planting:
        return self.stand.planting

    @property
    def crop(self) -> Crop:
        return self.stand.planting.crop

    @property
    def number(self) -> int:
        """Day number of the crop, 1 on the planting date."""
        return self.stand.day_no + self.d - self.stand.begin

    @property
    def at(self) -> int:
        """Where the day lies on the long axis of standing zone-days."""
        return int(self.live.terms.flat.stand_at[self.stand_no]) + self.d - self.stand.begin

    @property
    def stage(self) -> str:
        return STAGES[int(self.live.terms.flat.stage[self.at])]

    @property
    def ground(self) -> Ground | None:
        """None where one coefficient serves."""
        return self.live.terms.ground

    def flat(self, values: FloatArray) -> float:
        """This day's figure of a flat array."""
        return float(values[..., self.at])

    @property
    def et0(self) -> float:
        """ET0 over this zone, mm: the site's, less what a shelter keeps off."""
        return self.flat(self.live.terms.flat.et0)

    @property
    def kc(self) -> float:
        """ETc / ET0 without stress: of one coefficient, or of crop and soil together."""
        apart = self.live.balance.apart
        if self.ground is None or apart is None:
            return self.flat(self.live.terms.flat.kc)
        return float(apart.kc[self.d, self.z])
