"""Inputs of alarm rules, read for many tanks in a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.types import DateTime, Integer

from service.domain.blanket.estimate import Assessment, Estimate
from service.domain.cores.core import Surface
from service.storage.blanket.estimates import assessment_of, estimate_of


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCore:
    """The part of a hand core that alarm rules use. Lengths [m]."""

    taken_at: datetime
    thickness: float
    distance_from_wall: float
    taken_by: str
    fluff: float | None = None
    surface: tuple[Surface, ...] = ()


def new_estimates(conn: Connection, after: Mapping[int, datetime | None], until: datetime) -> dict[int, list[Estimate]]:
    """Estimates of each tank (by row number) after its own time, up to *until*, oldest first.

    A tank without a time, or with nothing new, gets its newest estimate only.
    """
    found: dict[int, list[Estimate]] = {tank_id: [] for tank_id in after}
    started = {tank_id: time for tank_id, time in after.items() if time is not None}
    for row in _rows(conn, _NEW_ESTIMATES, started, until):
        found[row.id].append(estimate_of(row))
    rest = {tank_id: until for tank_id, estimates in found.items() if not estimates}
    for row in _rows(conn, _NEWEST_ESTIMATE, rest, until):
        found[row.id].append(estimate_of(row))
    return found


def samples(conn: Connection, after: Mapping[int, datetime], until: datetime) -> dict[int, list[Assessment]]:
    """Assessments of each signal (by row number) after its own time, and the last one before, oldest first."""
    return _with_last_before(conn, after, until, _NEW_SAMPLES, _LAST_SAMPLE, assessment_of)


def cores(conn: Connection, after: Mapping[int, datetime], until: datetime) -> dict[int, list[StoredCore]]:
    """Hand cores of each tank (by row number) as they stand after corrections, after its own time and the last before."""
    return _with_last_before(conn, after, until, _NEW_CORES, _LAST_CORE, _core)


def samples_since_core(conn: Connection, since: Mapping[int, datetime], until: datetime) -> dict[int, list[Assessment]]:
    """Sound assessments of each signal (by row number) since its own time, the last of every five minutes, oldest first."""
    found: dict[int, list[Assessment]] = {key: [] for key in since}
    for row in _rows(conn, _SINCE_CORE, since, until):
        found[row.id].append(assessment_of(row))
    return found


def first_sound_after(
    conn: Connection, moments: Sequence[tuple[int, datetime]], until: datetime
) -> list[datetime | None]:
    """For each (signal row number, time) when the signal was first assessed as sound after that; None where it was not."""
    if not moments:
        return []
    asked = {"ids": [number for number, _ in moments], "times": [time for _, time in moments], "until": until}
    found = {row.ordinal: row.time for row in conn.execute(_HEARD_AFTER, asked)}
    return [found.get(ordinal) for ordinal in range(1, len(moments) + 1)]


def good_readings(
    conn: Connection, after: Mapping[int, datetime], until: datetime
) -> dict[int, list[tuple[datetime, float]]]:
    """Times and values [SI] of each signal (by row number) that are not bad, after its own time and the last before."""
    return _with_last_before(conn, after, until, _NEW_GOOD, _LAST_GOOD, lambda row: (row.time, row.value))


def first_defined_at(conn: Connection, tank_ids: Sequence[int]) -> dict[int, datetime]:
    """When the service first knew each tank (by row number): its alarms were defined then, and the journal says so."""
    if not tank_ids:
        return {}
    rows = conn.execute(_FIRST_KNOWN, {"ids": list(tank_ids)})
    return {row.tank_id: row.first for row in rows if row.first is not None}


def nearest_samples(
    conn: Connection, moments: Sequence[tuple[int, datetime]], within: timedelta, until: datetime
) -> list[Assessment | None]:
    """For each (signal row number, time) the assessment with a number nearest in time, or None."""
    if not moments:
        return []
    rows = conn.execute(
        _BESIDE,
        {
            "ids": [signal_id for signal_id, _ in moments],
            "times": [time for _, time in moments],
            "within": within,
            "until": until,
        },
    )
    found = {row.ordinal: assessment_of(row) for row in rows}
    return [found.get(ordinal) for ordinal in range(1, len(moments) + 1)]


def _with_last_before(
    conn: Connection, after: Mapping[int, datetime], until: datetime, new: Any, last: Any, made: Any
) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {key: [] for key in after}
    for statement in (last, new):
        for row in _rows(conn, statement, after, until):
            found[row.id].append(made(row))
    return found


def _rows(conn: Connection, statement: Any, after: Mapping[int, datetime], until: datetime) -> Iterable[Any]:
    if not after:
        return ()
    return conn.execute(statement, {"ids": list(after), "times": list(after.values()), "until": until})


def _core(row: Any) -> StoredCore:
    return StoredCore(
        taken_at=row.taken_at,
        thickness=row.thickness,
        distance_from_wall=row.distance_from_wall,
        taken_by=row.taken_by,
        fluff=row.fluff,
        surface=tuple(Surface(seen) for seen in row.surface),
    )


_ASKED = (
    "FROM unnest(CAST(:ids AS integer[]), CAST(:times AS timestamptz[])) WITH ORDINALITY AS asked(id, after, ordinal)"
)
# Corrections supersede, withdrawals take back: neither old versions nor withdrawn cores count.
_STANDING_CORE = "NOT c.withdrawn AND NOT EXISTS (SELECT 1 FROM hand_core AS later WHERE later.supersedes = c.id)"


def _sql(statement: str) -> Any:
    return text(statement).bindparams(
        bindparam("ids", type_=ARRAY(Integer)), bindparam("times", type_=ARRAY(DateTime(timezone=True)))
    )


_FIRST_KNOWN = text(
    "SELECT a.tank_id, min(e.at) AS first FROM alarm AS a CROSS JOIN LATERAL ("
    "SELECT at FROM alarm_event WHERE alarm_id = a.id ORDER BY at LIMIT 1) AS e "
    "WHERE a.tank_id = ANY(:ids) GROUP BY a.tank_id"
).bindparams(bindparam("ids", type_=ARRAY(Integer)))
_NEW_ESTIMATES = _sql(
    f"SELECT asked.id, t.key, e.* {_ASKED} JOIN tank AS t ON t.id = asked.id CROSS JOIN LATERAL ("
    "SELECT time, height, sd, rate, trust, reason, stories FROM estimate "
    "WHERE tank_id = asked.id AND time > asked.after AND time <= :until ORDER BY time) AS e"
)
_NEWEST_ESTIMATE = _sql(
    f"SELECT asked.id, t.key, e.* {_ASKED} JOIN tank AS t ON t.id = asked.id CROSS JOIN LATERAL ("
    "SELECT time, height, sd, rate, trust, reason, stories FROM estimate "
    "WHERE tank_id = asked.id AND time <= :until ORDER BY time DESC LIMIT 1) AS e"
)
_NEW_SAMPLES = _sql(
    f"SELECT asked.id, s.tag, a.* {_ASKED} JOIN signal AS s ON s.id = asked.id CROSS JOIN LATERAL ("
    "SELECT time, height, corrected, verdict FROM assessment "
    "WHERE signal_id = asked.id AND time > asked.after AND time <= :until ORDER BY time) AS a"
)
_LAST_SAMPLE = _sql(
    f"SELECT asked.id, s.tag, a.* {_ASKED} JOIN signal AS s ON s.id = asked.id CROSS JOIN LATERAL ("
    "SELECT time, height, corrected, verdict FROM assessment "
    "WHERE signal_id = asked.id AND time <= LEAST(asked.after, :until) ORDER BY time DESC LIMIT 1) AS a"
)
_CORE = "SELECT taken_at, thickness, distance_from_wall, taken_by, fluff, surface FROM hand_core AS c"
_NEW_CORES = _sql(
    f"SELECT asked.id, c.* {_ASKED} CROSS JOIN LATERAL ("
    f"{_CORE} WHERE tank_id = asked.id AND taken_at > asked.after AND taken_at <= :until AND {_STANDING_CORE} "
    "ORDER BY taken_at) AS c"
)
_BEFORE = f"WHERE tank_id = asked.id AND taken_at <= LEAST(asked.after, :until) AND {_STANDING_CORE}"
# All of the newest moment, and the newest that says anything of the surface: no later core may have done so.
_LAST_CORE = _sql(
    f"SELECT asked.id, c.* {_ASKED} CROSS JOIN LATERAL ("
    f"({_CORE} {_BEFORE} ORDER BY taken_at DESC FETCH FIRST 1 ROW WITH TIES) UNION "
    f"({_CORE} {_BEFORE} AND surface <> '{{}}' ORDER BY taken_at DESC FETCH FIRST 1 ROW WITH TIES) "
    "ORDER BY taken_at) AS c"
)
_SINCE_CORE = _sql(
    f"SELECT asked.id, s.tag, a.* {_ASKED} JOIN signal AS s ON s.id = asked.id CROSS JOIN LATERAL ("
    "SELECT DISTINCT ON (slot) date_bin(interval '5 minutes', time, timestamptz 'epoch') AS slot, time, height, corrected, verdict "
    "FROM assessment WHERE signal_id = asked.id AND time > asked.after AND time <= :until AND verdict = 0 "
    "ORDER BY slot, time DESC) AS a ORDER BY asked.id, a.time"
)
_HEARD_AFTER = _sql(
    f"SELECT asked.ordinal, a.time {_ASKED} CROSS JOIN LATERAL ("
    "SELECT time FROM assessment WHERE signal_id = asked.id AND time > asked.after AND time <= :until AND verdict = 0 "
    "ORDER BY time LIMIT 1) AS a"
)
_NEW_GOOD = _sql(
    f"SELECT asked.id, r.* {_ASKED} CROSS JOIN LATERAL ("
    "SELECT time, value FROM reading WHERE signal_id = asked.id AND time > asked.after AND time <= :until "
    "AND quality <> 2 AND value <> 'NaN' ORDER BY time) AS r"
)
_LAST_GOOD = _sql(
    f"SELECT asked.id, r.* {_ASKED} CROSS JOIN LATERAL ("
    "SELECT time, value FROM reading WHERE signal_id = asked.id AND time <= LEAST(asked.after, :until) "
    "AND quality <> 2 AND value <> 'NaN' ORDER BY time DESC LIMIT 1) AS r"
)
_BESIDE = _sql(
    f"SELECT asked.ordinal, s.tag, a.* {_ASKED} JOIN signal AS s ON s.id = asked.id CROSS JOIN LATERAL ("
    "SELECT time, height, corrected, verdict FROM assessment "
    "WHERE signal_id = asked.id AND time BETWEEN asked.after - CAST(:within AS interval) "
    "AND LEAST(asked.after + CAST(:within AS interval), :until) AND height <> 'NaN' "
    "ORDER BY abs(extract(epoch FROM time - asked.after)) LIMIT 1) AS a"
)
