"""Explains why somebody was called or not: for a tank and minute, the chain from reading to message."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.rules import RuleInput, RuleResult, judge, standing
from service.domain.blanket.estimate import TankSetup
from service.domain.plant.display import (
    describe_clearance,
    describe_rate,
    format_clock,
    format_duration,
    format_length,
    format_local_time,
)
from service.domain.plant.reading import ReadingReason
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.alarms.situations import TankHistory, cores_taken_back, tank_histories
from service.jobs.blanket.estimate import standing_at
from service.jobs.forecast.ahead import Ahead, ahead_of, danger_height
from service.jobs.plant.plant import Plant
from service.notify.messages.wording import contradicting, stories_sentence, verdict_words
from service.storage.alarms.alarms import JournalLine, journal
from service.storage.calls.outbox import DeliveryTrace, traces
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds

#: Journal lines this long before the minute asked for are shown beside the last one.
LOOK_BACK = timedelta(hours=2)
#: Cores taken this long before it and logged after it are named.
LOGGED_LATE = timedelta(days=1)


#: A minute so short ago is the present: nothing can have come in since that the decision did not know.
PRESENT = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmAnswer:
    """One alarm at that minute: what its rule says of it as known now, how it stood as decided then, and who was told."""

    key: str
    verdict: RuleResult
    state: str
    since: datetime | None
    decided: JournalLine | None  #: the last that had been decided by then; its detail has value and reason
    lines: tuple[JournalLine, ...]
    messages: tuple[DeliveryTrace, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The chain for one tank at one minute, and the same in sentences."""

    tank: str
    at: datetime
    sentences: tuple[str, ...]
    alarms: tuple[AlarmAnswer, ...]


def explain(
    engine: Engine,
    plant: Plant,
    tank: TankSetup,
    *,
    at: datetime,
    now: datetime | None = None,
    alarm: str | None = None,
    out_of_service: bool = False,
) -> Explanation:
    """Answer for one tank at a time, for one of its alarms or all.

    Parameters
    ----------
    tank : with its part of the plant's flow as it was split then.
    at : the minute asked about.
    now : the present, where that is later: what is said is then told apart into as known now, and as decided then.
    alarm : key of the alarm; all of the tank's when None.
    out_of_service : whether the tank was out of service then.

    Notes
    -----
    The rules look at what a look at the alarms at that time looks at: the belief carried forward to it, the time to danger
    and the solids loading as forecast then. Readings, cores and belief are shown as they stand now, as what came in late, was
    corrected or withdrawn since has changed them. The journal is append-only: it has what was decided then, with the
    level or forecast it was decided by.
    """
    past = now is not None and now - at > PRESENT
    setup, ids = plant.alarms, plant.ids
    definitions = [d for d in setup.of_tank(tank.tank.key) if alarm is None or d.key == alarm]
    with transaction(engine) as conn:
        history = tank_histories(conn, [tank], ids, after={tank.tank.key: None}, now=at)[tank.tank.key]
        standing = standing_at(conn, tank, ids, at)
        newest = history.estimates[-1] if history.estimates else None
        believed, ahead = newest, Ahead()
        if standing is not None:
            believed, outlook = standing
            danger = danger_height(tank.tank, setup.of_tank(tank.tank.key))
            ahead = ahead_of(outlook.forecast, danger, outlook.solids_loading)
        situation = ahead.seen_in(history.at(at, believed, in_service=not out_of_service))
        answers = tuple(_answer(conn, definition, situation, at) for definition in definitions)
        later = _learned_later(conn, tank, ids, at, now, setup) if now is not None and past else []
    depth = tank.tank.side_water_depth
    knowledge = _knowledge(history, at, setup)
    sentences = [
        knowledge[0],
        *(["As known now, with whatever came in, was corrected or withdrawn since:"] if past else []),
        *knowledge[1:],
        *_ahead_words(ahead),
        *later,
        *(["As decided then, by the journal:"] if past else []),
        *(s for answer in answers for s in _alarm_sentences(answer, setup, depth, past=past)),
    ]
    return Explanation(tank=tank.tank.key, at=at, sentences=tuple(sentences), alarms=answers)


def _ahead_words(ahead: Ahead) -> list[str]:
    if ahead.time_to_danger is None:
        return []
    if not math.isfinite(ahead.time_to_danger):
        return ["Forecast: danger not in sight."]
    return [f"Forecast: danger in {format_duration(timedelta(hours=ahead.time_to_danger))}, or later."]


def _answer(conn: Connection, definition: AlarmDefinition, situation: RuleInput, at: datetime) -> AlarmAnswer:
    verdict = judge(definition, situation)
    lines = [
        line
        for line in journal(conn, key=definition.key, end=at + timedelta(microseconds=1), limit=200)
        if "definition" not in line.detail
    ]
    decided = next((line for line in lines if line.recorded_at <= at + PRESENT), None)
    last = lines[0] if lines else None
    shown = [line for line in lines if line is last or line.at >= at - LOOK_BACK]
    return AlarmAnswer(
        key=definition.key,
        verdict=verdict,
        state=decided.to_state if decided is not None else "never looked at",
        since=decided.at if decided is not None else None,
        decided=decided,
        lines=tuple(reversed(shown)),
        messages=tuple(traces(conn, [line.id for line in shown])),
    )


def _knowledge(history: TankHistory, at: datetime, setup: AlarmSetup) -> list[str]:
    """From readings and cores to what was believed."""
    zone, units, tank = setup.site.zone, setup.units, history.setup.tank
    newest = history.estimates[-1] if history.estimates else None
    known = history.at(at, newest)
    said = [f"{tank.label}, {format_local_time(at, zone)}"]
    for sensor in known.sensors:
        if sensor.last_sample_at is None:
            said.append(f"Sensor {sensor.tag}: nothing received up to then.")
            continue
        age = format_duration(at - sensor.last_sample_at)
        reading = "no usable number" if sensor.height is None else f"read {format_length(sensor.height, units)}"
        corrected = (
            ""
            if sensor.corrected is None or known.core is None
            else f", {format_length(sensor.corrected, units)} after correction"
        )
        doubt = f"; {verdict_words(sensor.verdict)}" if sensor.verdict is not ReadingReason.NONE else ""
        late = "; stale by then" if at - sensor.last_sample_at > sensor.stale_after else ""
        said.append(
            f"Sensor {sensor.tag}: {reading} above the floor at the wall{corrected}, {age} before{doubt}{late}."
        )
    if known.core is None:
        said.append("Hand core: none up to then.")
    else:
        below = describe_clearance(tank.clearance(known.core.height), units, tank.side_water_depth)
        said.append(f"Hand core: {below}, {format_duration(at - known.core.taken_at)} before.")
    limit = setup.widest_limit(tank.key)
    seen = None if limit is None else standing(known, limit)
    if seen is not None:
        words = contradicting(seen, known.clearance, units, zone, tank.side_water_depth)
        said.append(f"It stands: {words}.")
    if newest is None or not math.isfinite(newest.height):
        said.append("Belief: none yet.")
    else:
        where = describe_clearance(tank.clearance(newest.height), units, tank.side_water_depth)
        doubt = format_length(newest.spread, units) if math.isfinite(newest.sd) else "?"
        said.append(
            f"Belief at {format_clock(newest.time, zone)}: {where} (give or take {doubt}),"
            f" {describe_rate(newest.rate, units)}; {newest.trust.value}, from {newest.reason.value}."
        )
        either = stories_sentence(newest, tank.side_water_depth, units)
        if either is not None:
            said.append(either)
    return said


def _learned_later(
    conn: Connection, tank: TankSetup, ids: SiteIds, at: datetime, now: datetime, setup: AlarmSetup
) -> list[str]:
    """Cores of which something else was known then: logged later, corrected or withdrawn since."""
    zone, units = setup.site.zone, setup.units
    said = []
    for gone in cores_taken_back(conn, tank, ids, at, now):
        if gone.known_at <= at and gone.seen.taken_at <= at:
            how = "withdrawn" if gone.now_says is None else "corrected"
            said.append(
                f"The core of {format_clock(gone.seen.taken_at, zone)},"
                f" {format_length(gone.seen.thickness, units)} of sludge, counted then; it was {how} at"
                f" {format_local_time(gone.at, zone)} by {gone.by} ({gone.why})."
            )
    for record in current_cores(conn, [ids.tanks[tank.tank.key]], at - LOGGED_LATE, at + timedelta.resolution):
        if record.core.recorded_at > at and record.supersedes is None:
            said.append(
                f"The core of {format_clock(record.core.taken_at, zone)} was not known then; it was logged at"
                f" {format_local_time(record.core.recorded_at, zone)}."
            )
    return said


def _alarm_sentences(answer: AlarmAnswer, setup: AlarmSetup, depth: float, *, past: bool) -> list[str]:
    zone = setup.site.zone
    definition = setup.definition(answer.key)
    limit = "" if definition is None else _limit_words(definition, setup.units)
    since = "" if answer.since is None else f" since {format_local_time(answer.since, zone)}"
    rule = f"{answer.verdict.condition.value} ({answer.verdict.reason.value})"
    if past:
        said = [f"Alarm {answer.key}{limit}: it stood at {answer.state}{since}; as known now its rule says {rule}."]
    else:
        said = [f"Alarm {answer.key}{limit}: rule says {rule}; it stood at {answer.state}{since}."]
    for line in answer.lines:
        late = ""
        if line.recorded_at - line.at > timedelta(minutes=2):
            late = f" (decided at {format_clock(line.recorded_at, zone)}, when the data had come in)"
        who = f" by {line.actor}" if line.actor else ""
        by = _decided_by(definition, line.detail, setup.units, depth)
        said.append(f"  {format_clock(line.at, zone)} {line.event}{who}: {line.reason}{by}{late}.")
        said += [f"    {words}" for words in _told_words(line.detail, answer.messages, line.id, setup)]
    if not answer.lines:
        said.append("  Nothing happened to it up to then.")
    return said


def _told_words(
    detail: Mapping[str, Any], messages: Sequence[DeliveryTrace], event_id: int, setup: AlarmSetup
) -> list[str]:
    zone = setup.site.zone
    words = []
    for trace in messages:
        if trace.alarm_event_id != event_id:
            continue
        tries = "; ".join(
            f"{format_clock(a.at, zone)} {a.outcome}" + (f" ({a.reason}: {a.answer})" if a.reason else "")
            for a in trace.attempts
        )
        words.append(
            f"told {trace.contact} by {trace.channel}, {trace.reason}: {trace.fate}" + (f"; {tries}" if tries else "")
        )
    words += [f"{s['contact'] or 'nobody'} not told: {s['reason']}" for s in detail.get("silent", [])]
    return words


def _decided_by(definition: AlarmDefinition | None, detail: Mapping[str, Any], units: UnitSystem, depth: float) -> str:
    """The level or forecast that a line of the journal was decided by."""
    value, reason = detail.get("value"), detail.get("rule", "")
    if definition is None or value is None:
        return ""
    match definition.kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH | AlarmKind.READS_HIGH:
            seen = describe_clearance(value, units, depth)
        case AlarmKind.TIME_TO_DANGER:
            seen = f"danger in {format_duration(timedelta(hours=value))}"
        case AlarmKind.RATE:
            seen = describe_rate(value, units)
        case _:
            return ""
    return f"; by {seen} ({reason})" if reason else f"; by {seen}"


def _limit_words(definition: AlarmDefinition, units: UnitSystem) -> str:
    if definition.limit is None or definition.kind not in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH):
        return ""
    return f" (limit {format_length(definition.limit, units)} under the weir)"
