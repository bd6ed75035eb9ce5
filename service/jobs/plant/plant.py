"""The plant in force as jobs take it: tanks and signals, their row numbers, alarms and people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from service.calls.hand_over import WorkedShift, shift_after, shift_at, shift_before
from service.domain.blanket.estimate import TankSetup
from service.domain.effluent.permit import NO_PERMIT, Permit
from service.domain.laboratory.day import LaboratoryTerms
from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank
from service.jobs.alarms.setup import AlarmSetup
from service.storage.plant.site_tables import SiteIds


@dataclass(frozen=True, kw_only=True)
class Plant:
    """What the version of the site file in force describes, with the row numbers it has in the database.

    ``setups`` are the tanks with their signals; ``signals`` holds every signal by tag, those of no tank included.
    """

    setups: Sequence[TankSetup]
    signals: Mapping[str, Signal]
    ids: SiteIds
    alarms: AlarmSetup
    permit: Permit = NO_PERMIT
    laboratory: LaboratoryTerms = field(default_factory=LaboratoryTerms)
    round_words: tuple[str, ...] = ()

    @cached_property
    def tanks(self) -> Mapping[str, Tank]:
        """Every tank by its key."""
        return {setup.tank.key: setup.tank for setup in self.setups}

    def setup(self, key: str | None) -> TankSetup | None:
        """The tank of that key with its signals."""
        return next((setup for setup in self.setups if setup.tank.key == key), None)

    def find_tank(self, name: str) -> Tank | None:
        """The tank a file means: by key or label, in any case."""
        wanted = " ".join(name.split()).casefold()
        found = (t for t in self.tanks.values() if wanted in (t.key.casefold(), t.label.casefold()))
        return next(found, None)

    def shift(self, at: datetime) -> WorkedShift:
        """The shift that holds a moment."""
        return shift_at(self.alarms.rotas, self.alarms.site.zone, at)

    def shift_after(self, shift: WorkedShift) -> WorkedShift:
        """The shift after that one."""
        return shift_after(self.alarms.rotas, self.alarms.site.zone, shift)

    def shift_before(self, shift: WorkedShift) -> WorkedShift:
        """The shift before that one."""
        return shift_before(self.alarms.rotas, self.alarms.site.zone, shift)
