"""What has to be known of a plant to take in its data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank
from service.jobs.alarms.setup import AlarmSetup
from service.storage.plant.site_tables import SiteIds


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Tanks by key and signals by tag as the site file describes them now, their row numbers, and its alarms."""

    tanks: Mapping[str, Tank]
    signals: Mapping[str, Signal]
    ids: SiteIds
    #: Who is told of hand cores, and in which units.
    alarms: AlarmSetup

    def find_tank(self, named: str) -> Tank | None:
        """The tank a file means: by key or label, whichever way it is capitalised."""
        wanted = " ".join(named.split()).casefold()
        for tank in self.tanks.values():
            if wanted in (tank.key.casefold(), tank.label.casefold()):
                return tank
        return None
