"""Joins the laboratory's values with what the signals of a tank said last: the one place where either stands in for the other.

A value of the laboratory becomes the newest value of a signal of its own, so that whatever reads the latest values (loading, diagnosis)
sees it with its age. A signal that is fresh goes before it, but for the settling test, which is made by hand on both ways: there
the newer one counts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.domain.blanket.estimate import TankSetup
from service.domain.forecast.tracker import Heading
from service.domain.laboratory.day import IndexKind, SludgeIndex, index_kind, sludge_indices
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.loading.inputs import LABORATORY
from service.domain.plant.signal import Signal, SignalKind
from service.storage.laboratory.results import laboratory_results
from service.storage.plant.site_tables import SiteIds

#: A day with two hours of grace.
_DAY = timedelta(hours=26)
#: Which signal a value stands in for, its unit, and for how long: an effluent changes within hours, a sludge over days (common practice, no
#: source).
_STANDS_FOR: dict[LaboratoryKind, tuple[SignalKind, str, timedelta]] = {
    LaboratoryKind.MIXED_LIQUOR_SOLIDS: (SignalKind.FEED_SOLIDS, "mg/L", _DAY),
    LaboratoryKind.RETURN_SOLIDS: (SignalKind.RETURN_SOLIDS, "mg/L", _DAY),
    LaboratoryKind.SETTLED_VOLUME: (SignalKind.SETTLED_VOLUME, "mL/L", _DAY),
    LaboratoryKind.NITRATE: (SignalKind.NITRATE, "mg/L", _DAY),
    LaboratoryKind.TEMPERATURE: (SignalKind.TEMPERATURE, "degC", _DAY),
    LaboratoryKind.EFFLUENT_SOLIDS: (SignalKind.EFFLUENT_SOLIDS, "mg/L", timedelta(hours=4)),
    LaboratoryKind.TURBIDITY: (SignalKind.TURBIDITY, "NTU", timedelta(hours=4)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A tank's signals and their latest values with the laboratory's among them; its indices of the day, oldest first."""

    setup: TankSetup
    heading: Heading
    indices: tuple[SludgeIndex, ...] = ()

    def index(self, kind: IndexKind) -> SludgeIndex | None:
        """The newest index of a kind."""
        return next((i for i in reversed(self.indices) if i.kind is kind), None)


def with_laboratory(conn: Connection, setup: TankSetup, ids: SiteIds, heading: Heading, now: datetime) -> Joined:
    """The tank's latest values with the laboratory's of the tank and of the plant."""
    records = laboratory_results(
        conn,
        tuple(_STANDS_FOR),
        now - _DAY,
        now + timedelta.resolution,
        [None, ids.tanks[setup.tank.key]],
        limit=500,
    )
    return join(setup, heading, [record.result for record in records], now)


def join(setup: TankSetup, heading: Heading, results: list[LaboratoryResult], now: datetime) -> Joined:
    """Put the results, oldest first, among the latest values. Pure; *heading* is left as it was."""
    latest, others = dict(heading.latest), list(setup.others)
    newest: dict[tuple[SignalKind, str | None], LaboratoryResult] = {}
    for result in results:
        settling = result.kind is LaboratoryKind.SETTLED_VOLUME
        # Loading goes by the plain cylinder after half an hour; no other test stands in for it.
        if settling and (result.minute != 30 or index_kind(result) is not IndexKind.PLAIN):
            continue
        newest[_STANDS_FOR[result.kind][0], result.tank] = result
    for (kind, tank), result in newest.items():
        usable_for = _STANDS_FOR[result.kind][2]
        same = [s for s in setup.others if s.kind is kind and s.tag in latest]
        taken = result.taken_at.timestamp()
        by_hand = kind is SignalKind.SETTLED_VOLUME
        if any(_fresh(s, latest[s.tag][0], now) and not (by_hand and latest[s.tag][0] < taken) for s in same):
            continue
        for signal in same:
            del latest[signal.tag]
        tag = f"{LABORATORY} {kind.value}{'' if tank is None else f' of {tank}'}"
        others.append(Signal(tag=tag, kind=kind, tank=tank, unit=_STANDS_FOR[result.kind][1], stale_after=usable_for))
        latest[tag] = (taken, result.value)
    return Joined(
        setup=replace(setup, others=tuple(others)),
        heading=Heading(heading.memory, latest),
        indices=sludge_indices(results),
    )


def _fresh(signal: Signal, seconds: float, now: datetime) -> bool:
    return timedelta(seconds=now.timestamp() - seconds) <= signal.stale_after
