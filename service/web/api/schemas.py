"""Response models of the REST API."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import BaseModel, Field

from service.alarms.definition import AlarmKind, Priority
from service.alarms.machine import AlarmState
from service.domain.blanket.estimate import EstimateReason, Trust
from service.domain.cores.core import CalibrationKind, Surface
from service.domain.plant.signal import SignalKind
from service.web.blanket.flow_series import Lane


class Problem(BaseModel):
    """What went wrong (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str


#: The same wherever something can go wrong.
PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"description": words, "content": {"application/problem+json": {"schema": Problem.model_json_schema()}}}
    for status, words in {
        400: "A time or a number makes no sense here.",
        401: "Sign in, or send a token.",
        403: "Not allowed to this person or token.",
        404: "Not found.",
        409: "Nothing was changed; says why.",
        413: "Too much at once.",
        415: "Unsupported content type.",
        422: "Cannot be read or stored; says why.",
        503: "Busy, or the database cannot be reached; try again.",
    }.items()
}


class AlarmNow(BaseModel):
    """An alarm that is not normal."""

    alarm: str
    kind: AlarmKind
    priority: Priority
    tank: str | None
    state: AlarmState
    active: bool
    code: str | None
    occurred_at: datetime | None
    returned_at: datetime | None
    actor: str | None
    value: float | None
    reason: str | None


class CoreKept(BaseModel):
    """A hand core, corrections applied."""

    id: UUID
    tank: str
    taken_at: datetime
    recorded_at: datetime
    thickness_m: float
    distance_from_wall_m: float
    arm_position_deg: float | None
    replicate: int
    fluff_m: float | None
    surface: tuple[Surface, ...]
    taken_by: str
    note: str
    typed_value: float
    typed_unit: str
    supersedes: UUID | None
    correction_reason: str | None


class RivalStory(BaseModel):
    """One of several rival explanations of what was heard: its chance, and the blanket if it is true."""

    chance: float
    height_m: float
    sd_m: float


class TankNow(BaseModel):
    """A tank now; numbers are null where unknown."""

    tank: str
    label: str
    level: Literal["normal", "unknown", "warning", "danger"]
    height_m: float | None
    sd_m: float | None
    low_m: float | None
    high_m: float | None
    stories: list[RivalStory]
    rate_m_per_h: float | None
    clearance_m: float | None
    hours_to_danger: float | None
    trust: Trust
    standing_observation: Annotated[
        str | None,
        Field(description="A manual observation beyond a limit that is still in force; null where there is none."),
    ]
    reason: EstimateReason
    last_reading_at: datetime | None
    readings_late: bool
    last_core: CoreKept | None
    alarms: list[AlarmNow]


class Tanks(BaseModel):
    """Every tank, the worst first."""

    at: datetime
    tanks: list[TankNow]


class EstimateAt(BaseModel):
    """An estimate."""

    time: datetime
    height_m: float | None
    sd_m: float | None
    low_m: float | None
    high_m: float | None
    stories: list[RivalStory]
    rate_m_per_h: float | None
    trust: Trust
    reason: EstimateReason


class Estimates(BaseModel):
    """A page of estimates."""

    estimates: list[EstimateAt]
    as_known: Annotated[
        Literal["now"],
        Field(
            description="The past is what is believed of it now, with cores and readings that came later; "
            "`underweir estimate --as-known-then` prints what was believed at the time."
        ),
    ] = "now"
    next: Annotated[datetime | None, Field(description="Start of the next page; null on the last.")]


class TrendLine(BaseModel):
    """A line of a chart: lists of equal length, one entry per pixel with readings."""

    time: list[datetime]
    low: list[float]
    high: list[float]
    last: list[float]


class SensorLines(BaseModel):
    """A sensor as it reads, and as corrected."""

    raw: TrendLine
    corrected: TrendLine


class LimitDrawn(BaseModel):
    """An alarm's limit as a height."""

    name: Literal["warning", "danger"]
    height_m: float


class CoreDrawn(BaseModel):
    """A core in a picture."""

    id: UUID
    time: datetime
    height_m: float
    thickness_m: float
    by: str


class AlarmDrawn(BaseModel):
    """An alarm that occurred."""

    time: datetime
    alarm: str
    kind: AlarmKind


class WorkDrawn(BaseModel):
    """Work on a sensor."""

    time: datetime
    tag: str
    kind: CalibrationKind


class LaneDrawn(TrendLine):
    """A flow or loading under the trend, in SI; ``per_si`` turns it into ``unit``."""

    lane: Lane
    name: str
    unit: str
    per_si: float
    limit_si: float | None


class TrendSeries(BaseModel):
    """Series for a tank's trend."""

    tank: str
    start: datetime
    end: datetime
    depth_m: float
    limits: list[LimitDrawn]
    believed: TrendLine
    band: TrendLine
    sensors: dict[str, SensorLines]
    cores: list[CoreDrawn]
    alarms: list[AlarmDrawn]
    under: LaneDrawn | None
    calibrations: list[WorkDrawn]


class SignalDescribed(BaseModel):
    """A signal of the site file."""

    tag: str
    kind: SignalKind
    tank: str | None
    unit: str


class Signals(BaseModel):
    """Every signal."""

    signals: list[SignalDescribed]


class ReadingsBucket(BaseModel):
    """Readings within one pixel."""

    time: datetime
    low: float
    high: float
    last: float
    count: int


class Readings(BaseModel):
    """Readings of a signal in SI."""

    tag: str
    start: datetime
    end: datetime
    buckets: list[ReadingsBucket]


class Cores(BaseModel):
    """A page of hand cores."""

    cores: list[CoreKept]
    next: Annotated[datetime | None, Field(description="Start of the next page; null on the last.")]


class CoreVerdict(BaseModel):
    """Result of logging a core."""

    id: UUID
    state: Literal["stored", "already"]
    height_m: float
    clearance_m: float
    sentence: str
    sensor_minus_core_m: float | None
    sensor_agrees: bool
    sensor_sentence: str


class Alarms(BaseModel):
    """Every alarm that is not normal, the worst first."""

    at: datetime
    alarms: list[AlarmNow]


class Acknowledged(BaseModel):
    """An acknowledged alarm."""

    alarm: str
    code: str
    state: AlarmState
    told: Annotated[int, Field(description="How many other people are notified.")]


class JournalEntry(BaseModel):
    """A journal line, with who was notified and who was not, and why."""

    id: int
    at: datetime
    alarm: str
    tank: str | None
    event: str
    from_state: str
    to_state: str
    reason: str
    actor: str
    told: list[dict[str, Any]]
    silent: list[dict[str, Any]]


class Journal(BaseModel):
    """A page of the journal."""

    journal: list[JournalEntry]
    next: Annotated[datetime | None, Field(description="End of the next page; null on the last.")]


class RowTaken(BaseModel):
    """Result of one row."""

    row: int
    verdict: str
    reason: str | None = None


class Taken(BaseModel):
    """Result of a batch of readings."""

    stored: int
    duplicate: int
    revised: int
    rejected: int
    rows: list[RowTaken]
