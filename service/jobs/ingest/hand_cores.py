"""Hand cores that came in a file or through a gateway: into SI, checked, recognised when they came before, kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from uuid import UUID, uuid5

from sqlalchemy import Connection

from connectors.base import HandCore, Reject
from service.domain.core import Core, Surface
from service.domain.core_check import check_core, refused
from service.domain.units import UNITS, Dimension, to_si
from service.jobs.core import expected_height
from service.jobs.ingest.plant import Plant
from service.storage.cores import CoreRecord, correct_core, current_cores, find_core, insert_core
from service.storage.moments import to_us

#: Namespace of the ids of cores that came without one: the same core in another file has the same id.
DELIVERED_CORES = UUID("6f0c7f4e-0d0b-5a86-9c3c-5d4c1a4b7e21")


@dataclass(slots=True)
class CoreOutcome:
    """What became of the cores of one delivery; every core counts once."""

    accepted: int = 0
    duplicate: int = 0
    corrected: int = 0
    rejects: list[Reject] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def add(self, other: CoreOutcome) -> None:
        """Count the cores of a further part in."""
        self.accepted += other.accepted
        self.duplicate += other.duplicate
        self.corrected += other.corrected
        self.rejects += other.rejects
        self.warnings += other.warnings


def store_cores(
    conn: Connection,
    plant: Plant,
    cores: Sequence[HandCore],
    *,
    batch_id: int,
    source: str,
    now: datetime,
) -> CoreOutcome:
    """Check and store delivered cores.

    Notes
    -----
    A core that came before (same tank, time, replicate, thickness and place) is a duplicate. One that differs only in
    thickness from the single core an earlier delivery brought for that tank, time, replicate and place corrects it.
    Nobody is there to confirm what a file says: a doubtful core is kept with its warning.
    """
    outcome = CoreOutcome()
    records: list[tuple[HandCore, CoreRecord]] = []
    for core in cores:
        record = _record(core, plant, batch_id, source, now)
        if isinstance(record, Reject):
            outcome.rejects.append(record)
        else:
            records.append((core, record))
    delivered = {record.core.id for _, record in records}
    # In the order of tanks, so that two deliveries at once wait for each other instead of deadlocking.
    for typed, record in sorted(records, key=lambda pair: (pair[1].tank_id, pair[1].core.taken_at)):
        if find_core(conn, record.core.id) is not None:
            outcome.duplicate += 1
            continue
        tank = plant.tanks[record.core.tank]
        findings = check_core(
            record.core,
            tank,
            now=now,
            units=plant.units,
            typed_unit=record.typed_unit,
            expected=expected_height(conn, tank, record.tank_id, record.core.taken_at),
        )
        sentences = tuple(finding.sentence for finding in findings)
        if refused(findings):
            outcome.rejects.append(_reject(typed, "thickness", _typed(typed), " ".join(sentences)))
            continue
        outcome.warnings += [_where(typed, sentence) for sentence in sentences]
        kept = replace(record, warnings=sentences)
        before = _delivered_before(conn, kept, delivered)
        if before is None:
            insert_core(conn, kept)
            outcome.accepted += 1
        else:
            correct_core(conn, before, kept, f"{source} brought another thickness for the same core")
            outcome.corrected += 1
    return outcome


def delivered_core_id(core: Core) -> UUID:
    """The id of a core that came without one, from what was measured, to 0.1 mm."""
    return uuid5(
        DELIVERED_CORES,
        f"{core.tank}|{to_us(core.taken_at)}|{core.replicate}|{core.thickness:.4f}|{core.distance_from_wall:.4f}",
    )


def _record(core: HandCore, plant: Plant, batch_id: int, source: str, now: datetime) -> CoreRecord | Reject:
    tank = plant.find_tank(core.tank)
    if tank is None:
        known = ", ".join(plant.tanks)
        return _reject(core, "tank", core.tank, f"no tank of this name is in the site file; there are {known}")
    distance_unit = core.distance_unit or core.unit
    for name, symbol in (("unit", core.unit), ("distance_unit", distance_unit)):
        if symbol not in UNITS or UNITS[symbol].dimension is not Dimension.LENGTH:
            return _reject(core, name, symbol, "this is not a unit of length; write m, cm, ft or in")
    note = core.note
    seen: list[Surface] = []
    for word in core.surface:
        try:
            seen.append(Surface(" ".join(word.replace("_", " ").split()).casefold()))
        except ValueError:
            # Not one of the trade's words: kept as the person wrote it.
            note = f"{note}; surface: {word}" if note else f"surface: {word}"
    without_id = Core(
        id=DELIVERED_CORES,
        tank=tank.key,
        taken_at=core.time,
        recorded_at=now,
        thickness=to_si(core.thickness, core.unit),
        distance_from_wall=(
            tank.core_distance_from_wall
            if core.distance_from_wall is None
            else to_si(core.distance_from_wall, distance_unit)
        ),
        arm_position=core.arm_position,
        replicate=core.replicate,
        fluff=None if core.fluff is None else to_si(core.fluff, core.unit),
        surface=tuple(seen),
        taken_by=core.taken_by,
        note=note,
    )
    return CoreRecord(
        core=replace(without_id, id=delivered_core_id(without_id)),
        tank_id=plant.ids.tanks[tank.key],
        typed_value=core.thickness,
        typed_unit=core.unit,
        source=source,
        batch_id=batch_id,
    )


def _delivered_before(conn: Connection, record: CoreRecord, delivered: set[UUID]) -> UUID | None:
    """The one core of an earlier delivery that this one can only mean to correct; None when there is none, or several."""
    core = record.core
    same = [
        other.core.id
        for other in current_cores(conn, [record.tank_id], core.taken_at, core.taken_at + timedelta.resolution)
        if other.batch_id not in (None, record.batch_id)
        and other.core.id not in delivered
        and (other.core.replicate, other.core.distance_from_wall) == (core.replicate, core.distance_from_wall)
    ]
    return same[0] if len(same) == 1 else None


def _reject(core: HandCore, name: str, text: str, reason: str) -> Reject:
    return Reject(line=core.line, field=name, text=text, reason=reason)


def _typed(core: HandCore) -> str:
    return f"{core.thickness:g} {core.unit}"


def _where(core: HandCore, sentence: str) -> str:
    return f"line {core.line}: {sentence}" if core.line else f"{core.tank}: {sentence}"
