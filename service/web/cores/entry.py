"""Validates and stores a hand core from a form, a phone's queue or the API, and compares it with the sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal
from uuid import UUID

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.domain.cores.core import Core, Surface
from service.domain.plant.display import describe_clearance, format_length
from service.domain.plant.tank import Tank
from service.errors import InputError
from service.jobs.cores.core import CoreDraft, Logged, known_words, submit_core
from service.jobs.sensors.review import beside_core
from service.storage.database.session import transaction
from service.web.base.access import Principal
from service.web.base.lengths import length
from service.web.base.plant import WebPlant

Short = Annotated[str, Field(max_length=20)]


class CoreEntry(BaseModel):
    """A core as typed. The client makes the ``id``, so that sending twice stores once."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    id: UUID
    tank: Annotated[str, Field(max_length=100)]
    taken_at: AwareDatetime
    value: Short
    unit: Literal["ft", "ft in", "in", "m", "cm"]
    inches: Short = ""
    distance: Short = ""
    fluff: Short = ""
    arm: Annotated[float | None, Field(ge=0, le=360)] = None
    replicate: Annotated[int, Field(ge=1, le=20)] = 1
    surface: Annotated[tuple[Surface, ...], Field(max_length=len(Surface))] = ()
    taken_by: Annotated[str, Field(max_length=100)] = ""
    note: Annotated[str, Field(max_length=1000)] = ""
    confirmed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryVerdict:
    """Result of an entry. Lengths [m]; ``sensor`` is sensor minus core."""

    logged: Logged
    core: Core
    height: float
    clearance: float
    sentence: str
    sensor: float | None = None
    sensor_sentence: str = ""
    sensor_agrees: bool = True

    @property
    def state(self) -> str:
        """stored, already, confirm or refused."""
        if self.logged.stored:
            return "already" if self.logged.already else "stored"
        refuses = any(finding.severity.value == "refuse" for finding in self.logged.findings)
        return "refused" if refuses else "confirm"


def store_entry(
    plant: WebPlant, visitor: Principal, entry: CoreEntry, *, supersedes: UUID | None = None, reason: str = ""
) -> EntryVerdict:
    """Check an entry and store it, unless it has to be confirmed first.

    Raises
    ------
    InputError
        when it cannot be read, or the core it corrects is gone.
    """
    now = plant.clock()
    tank = plant.tanks.get(entry.tank)
    if tank is None:
        raise InputError(f"there is no tank {entry.tank!r}; there are: {', '.join(plant.tanks)}")
    metres, value, unit = length(entry.value, entry.unit, entry.inches)
    plain = "ft" if entry.unit == "ft in" else entry.unit
    core = Core(
        id=entry.id,
        tank=tank.key,
        taken_at=entry.taken_at,
        recorded_at=now,
        thickness=metres,
        distance_from_wall=length(entry.distance, plain)[0] if entry.distance else tank.core_distance_from_wall,
        arm_position=entry.arm,
        replicate=entry.replicate,
        fluff=length(entry.fluff, plain)[0] if entry.fluff else None,
        surface=entry.surface,
        taken_by=entry.taken_by or visitor.label,
        note=entry.note,
    )
    draft = CoreDraft(
        core=core,
        typed_value=value,
        typed_unit=unit,
        confirmed=entry.confirmed,
        supersedes=supersedes,
        reason=reason,
    )
    with transaction(plant.engine) as conn:
        logged = submit_core(conn, plant, tank, draft, visitor.actor, now=now, units=plant.units)
    return _verdict(plant, tank, core if logged.known is None else logged.known.core, logged)


def _verdict(plant: WebPlant, tank: Tank, core: Core, logged: Logged) -> EntryVerdict:
    height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
    clearance = tank.clearance(height)
    sentence = (
        f"{format_length(core.thickness, plant.units)} of sludge in {tank.label}"
        f" = {describe_clearance(clearance, plant.units, tank.side_water_depth)}."
    )
    if logged.known is not None:
        sentence += " " + known_words(logged.known, plant.alarms)
    setup = plant.setup(tank.key)
    beside = None
    if setup is not None and setup.blankets:
        with transaction(plant.engine) as conn:
            beside = beside_core(conn, plant, setup, core.taken_at, height, plant.clock())
    return EntryVerdict(
        logged=logged,
        core=core,
        height=height,
        clearance=clearance,
        sentence=sentence,
        sensor=None if beside is None else beside.difference,
        sensor_sentence="No sensor reading close enough in time to compare with."
        if beside is None
        else beside.sentence,
        sensor_agrees=beside is None or beside.agrees,
    )
