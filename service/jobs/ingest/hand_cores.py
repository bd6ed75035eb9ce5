"""Store hand cores that came in a file or through a gateway: convert to SI, check, skip duplicates, correct."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from uuid import UUID, uuid5

from sqlalchemy import Connection

from connectors.base import HandCore, Reject
from connectors.csv.decoding.lines import Rejects
from service.domain.cores.core import Core, Surface, surface_of
from service.domain.plant.units import UNITS, Dimension, to_si
from service.jobs.accounts.actor import Actor, Door
from service.jobs.cores.core import CoreDraft, known_words, submit_core
from service.jobs.plant.plant import Plant
from service.storage.cores.cores import current_cores, find_core
from service.storage.database.epoch import to_us

#: Namespace of the ids of cores that came without one: the same core in another file has the same id.
DELIVERED_CORES = UUID("6f0c7f4e-0d0b-5a86-9c3c-5d4c1a4b7e21")
#: Warnings kept of one file at most.
MAX_WARNINGS = 1_000


@dataclass(slots=True)
class CoreOutcome:
    """What became of the cores of one delivery; every core counts once."""

    accepted: int = 0
    duplicate: int = 0
    corrected: int = 0
    rejects: Rejects = field(default_factory=Rejects)  #: so many as are listed, and the number of the others
    warnings: list[str] = field(default_factory=list)  #: the first of them

    def add(self, other: CoreOutcome) -> None:
        """Add the cores of a further part."""
        self.accepted += other.accepted
        self.duplicate += other.duplicate
        self.corrected += other.corrected
        self.rejects.extend(other.rejects)
        self.rejects.unlisted += other.rejects.unlisted
        self.warn(other.warnings)

    def warn(self, sentences: Iterable[str]) -> None:
        """Add warnings, up to the number that somebody will read."""
        self.warnings += list(sentences)[: MAX_WARNINGS - len(self.warnings)]

    @property
    def rejected(self) -> int:
        """How many cores were rejected."""
        return len(self.rejects) + self.rejects.unlisted


def store_cores(
    conn: Connection,
    plant: Plant,
    cores: Sequence[HandCore],
    *,
    connector: str,
    batch_id: int,
    source: str,
    now: datetime,
) -> CoreOutcome:
    """Check and store delivered cores.

    Notes
    -----
    A core that came before (same tank, time, replicate, thickness and place) is a duplicate, also where a person typed it. One that differs only in
    thickness from the single core an earlier delivery brought for that tank, time, replicate and place corrects it.
    Nobody is there to confirm what a file says: a doubtful core is kept with its warning.
    """
    outcome = CoreOutcome()
    actor = Actor(name=connector, via=Door.SHEET, address=source)
    read: list[tuple[HandCore, Core]] = []
    for typed in cores:
        core = _core(typed, plant, now)
        if isinstance(core, Reject):
            outcome.rejects.append(core)
        else:
            read.append((typed, core))
    delivered = {core.id for _, core in read}
    # In the order of tanks: two deliveries at once wait for each other and do not deadlock.
    for typed, core in sorted(read, key=lambda pair: (plant.ids.tanks[pair[1].tank], pair[1].taken_at)):
        if find_core(conn, core.id) is not None:
            outcome.duplicate += 1
            continue
        before = _delivered_before(conn, core, plant.ids.tanks[core.tank], batch_id, delivered)
        draft = CoreDraft(
            core=core,
            typed_value=typed.thickness,
            typed_unit=typed.unit,
            confirmed=True,
            supersedes=before,
            reason="" if before is None else f"{source} brought another thickness for the same core",
            batch_id=batch_id,
        )
        logged = submit_core(conn, plant, plant.tanks[core.tank], draft, actor, now=now)
        sentences = [finding.sentence for finding in logged.findings]
        if not logged.stored:
            outcome.rejects.append(_reject(typed, "thickness", _typed(typed), " ".join(sentences)))
            continue
        outcome.warn(_where(typed, sentence) for sentence in sentences)
        if logged.known is not None:
            outcome.warn([_where(typed, known_words(logged.known, plant.alarms))])
            outcome.duplicate += 1
            continue
        if before is None:
            outcome.accepted += 1
        else:
            outcome.corrected += 1
    return outcome


def delivered_core_id(core: Core) -> UUID:
    """The id of a core that came without one, from what was measured, to 0.1 mm."""
    return uuid5(
        DELIVERED_CORES,
        f"{core.tank}|{to_us(core.taken_at)}|{core.replicate}|{core.thickness:.4f}|{core.distance_from_wall:.4f}",
    )


def _core(core: HandCore, plant: Plant, now: datetime) -> Core | Reject:
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
        meant = surface_of(word)
        if meant is not None:
            seen.append(meant)
        else:
            # Not one of the known words: kept as written.
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
    return replace(without_id, id=delivered_core_id(without_id))


def _delivered_before(conn: Connection, core: Core, tank_id: int, batch_id: int, delivered: set[UUID]) -> UUID | None:
    """The one core of an earlier delivery that this one can only mean to correct; None when there is none, or several."""
    same = [
        other.core.id
        for other in current_cores(conn, [tank_id], core.taken_at, core.taken_at + timedelta.resolution)
        if other.batch_id not in (None, batch_id)
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
