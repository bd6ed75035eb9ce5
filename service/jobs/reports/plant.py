"""The plant as shift logs and reports see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from service.calls.hand_over import WorkedShift, shift_after, shift_at, shift_before
from service.domain.blanket.estimate import TankSetup
from service.jobs.alarms.setup import AlarmSetup
from service.storage.plant.site_tables import SiteIds


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPlant:
    """Its database, alarms and tanks."""

    engine: Engine
    alarms: AlarmSetup
    setups: Sequence[TankSetup]
    ids: SiteIds

    @property
    def zone(self) -> ZoneInfo:
        """The plant's time zone."""
        return self.alarms.site.zone

    def shift(self, at: datetime) -> WorkedShift:
        """The shift that holds a moment."""
        return shift_at(self.alarms.rotas, self.zone, at)

    def next(self, shift: WorkedShift) -> WorkedShift:
        """The shift after that one."""
        return shift_after(self.alarms.rotas, self.zone, shift)

    def before(self, shift: WorkedShift) -> WorkedShift:
        """The shift before that one."""
        return shift_before(self.alarms.rotas, self.zone, shift)
