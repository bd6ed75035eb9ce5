"""The journal as it is read: the lines of the time and the alarm asked for, and no others."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Connection, Engine, text

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import AlarmState, Event, Machine, MachineReason, Transition
from service.calls.routing import MessageKind
from service.storage.alarms import alarms as stored
from service.storage.calls.outbox import OutboxMessage, enqueue
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, alarm_setup

HIGH, DANGER = "east.high", "east.high-high"


def happened(minute: int, event: Event = Event.OCCURRED, **more: object) -> Transition:
    state = AlarmState.UNACKNOWLEDGED if event is Event.OCCURRED else AlarmState.ACKNOWLEDGED
    given = {
        "at": NIGHT + minute * MINUTE,
        "event": event,
        "from_state": AlarmState.NORMAL,
        "to_state": state,
        "reason": MachineReason.BY_PERSON,
    }
    return Transition(**given | more)  # type: ignore[arg-type]


@pytest.fixture
def ids(engine: Engine) -> dict[str, int]:
    """Row numbers of two alarms, whose definitions were journalled long before the night."""
    AlarmPlant.build(engine, now=NIGHT - timedelta(days=9))
    with transaction(engine) as conn:
        return {key: record.id for key, record in stored.lock_alarms(conn, [HIGH, DANGER]).items()}


def append(
    conn: Connection, alarm: int, *lines: Transition, recorded_at: datetime = NIGHT, **detail: object
) -> list[int]:
    return stored.append_events(conn, [(alarm, line, detail) for line in lines], recorded_at=recorded_at)


def test_lines_of_a_time_are_those_from_its_beginning_to_before_its_end(engine: Engine, ids: dict[str, int]) -> None:
    with transaction(engine) as conn:
        assert append(conn, ids[HIGH]) == []
        append(conn, ids[HIGH], happened(0), happened(2, Event.ACKNOWLEDGED, actor="Sam", note="going", value=0.5))
        append(conn, ids[DANGER], happened(1))
        of_the_night = stored.journal(conn, start=NIGHT, end=NIGHT + 2 * MINUTE)
        assert [(line.key, line.at) for line in of_the_night] == [
            (DANGER, NIGHT + MINUTE),
            (HIGH, NIGHT),
        ]
        assert [line.at for line in stored.journal(conn, key=HIGH, start=NIGHT)] == [NIGHT + 2 * MINUTE, NIGHT]
        assert [line.at for line in stored.journal(conn, limit=1)] == [NIGHT + 2 * MINUTE]
        assert stored.journal_span(conn) == (NIGHT - timedelta(days=9), NIGHT + 2 * MINUTE)
        told = stored.transitions_between(conn, NIGHT, NIGHT + 2 * MINUTE)
        assert [(line.key, line.at) for line in told] == [(HIGH, NIGHT), (DANGER, NIGHT + MINUTE)]
        whole = stored.transitions_between(conn, NIGHT, NIGHT + 3 * MINUTE)
        assert [line.at for line in whole] == [NIGHT, NIGHT + MINUTE, NIGHT + 2 * MINUTE], (
            "as it happened, not as it was written"
        )
        [taken] = stored.transitions_between(conn, NIGHT + 2 * MINUTE, NIGHT + 3 * MINUTE)
        assert (taken.actor, taken.note, taken.value) == ("Sam", "going", 0.5)
        [defined] = [
            line for line in stored.transitions_between(conn, NIGHT - timedelta(days=9), NIGHT) if line.key == HIGH
        ]
        assert (defined.event, defined.note) == (Event.DEFINED, "")


def test_an_empty_journal_has_no_span(engine: Engine) -> None:
    with transaction(engine) as conn:
        assert stored.journal_span(conn) is None


def test_the_alarm_of_a_line_is_its_own(engine: Engine, ids: dict[str, int]) -> None:
    with transaction(engine) as conn:
        [line] = append(conn, ids[DANGER], happened(0))
        found = stored.alarm_of_event(conn, line)
        assert found is not None
        assert (found.key, found.tank) == (DANGER, "east")
        assert stored.alarm_of_event(conn, line + 1) is None


def test_an_alarm_is_found_by_its_key_or_the_code_of_its_last_occurrence(engine: Engine, ids: dict[str, int]) -> None:
    with transaction(engine) as conn:
        stored.save_alarms(
            conn,
            [
                (ids[HIGH], Machine(since=NIGHT, code="K7QDHM")),
                (ids[DANGER], Machine(since=NIGHT, data_to=NIGHT, code="TJHCWK")),
            ],
        )
        stored.save_alarms(conn, [])
        for meant, keys in ((HIGH, [HIGH]), (" k7qdhm ", [HIGH]), ("TJHCWK", [DANGER]), ("nothing", [])):
            assert [record.key for record in stored.find_alarms(conn, meant)] == keys
        assert list(stored.lock_alarms(conn, [DANGER])) == [DANGER]
        kept = conn.execute(text("SELECT since, evaluated_to FROM alarm WHERE id = :id"), {"id": ids[HIGH]}).one()
        assert tuple(kept) == (NIGHT, None)


def test_an_alarm_is_grouped_as_its_last_occurrence_was(engine: Engine, ids: dict[str, int]) -> None:
    """As the one before was, its danger would be taken for one that its cause had called for."""
    with transaction(engine) as conn:
        append(conn, ids[HIGH], happened(0))
        append(conn, ids[HIGH], happened(1), folded_under="system.filling")
        append(conn, ids[HIGH], happened(2, Event.ACKNOWLEDGED))
        append(conn, ids[DANGER], happened(0), folded_under="system.filling")
        append(conn, ids[DANGER], happened(1))
        assert stored.grouped_alarms(conn, list(ids.values())) == {ids[HIGH]}
        assert stored.grouped_alarms(conn, [ids[DANGER]]) == set()
        assert stored.grouped_alarms(conn, []) == set()


def test_what_was_sent_about_an_alarm_since_a_time_is_its_own_and_was_not_taken_back(
    engine: Engine, ids: dict[str, int]
) -> None:
    with transaction(engine) as conn:
        [before] = append(conn, ids[HIGH], happened(0), recorded_at=NIGHT - MINUTE)
        [line] = append(conn, ids[HIGH], happened(0))
        [other] = append(conn, ids[DANGER], happened(0))
        for key, event, minute in (
            ("late", line, 2),
            ("early", line, 1),
            ("old", before, 0),
            ("taken back", line, 0),
            ("other", other, 0),
        ):
            payload = {"kind": "alarm", "contact": "Sam", "occurred_at": NIGHT.isoformat() if key != "early" else None}
            at = NIGHT + minute * MINUTE
            enqueue(
                conn,
                [
                    OutboxMessage(
                        key=key, alarm_event_id=event, channel="sms", recipient="x", payload=payload, created_at=at
                    )
                ],
            )
        conn.execute(text("UPDATE outbox SET status = 'cancelled' WHERE key = 'taken back'"))
        conn.execute(text("UPDATE outbox SET status = 'failed' WHERE key = 'late'"))
        found = stored.sent_messages(conn, [ids[HIGH]], NIGHT)
        assert list(found) == [ids[HIGH]]
        early, late = found[ids[HIGH]]
        assert (early.key, early.failed, early.occurred_at, early.at) == ("early", False, None, NIGHT + MINUTE)
        assert (late.key, late.failed, late.occurred_at, late.kind) == ("late", True, NIGHT, MessageKind.ALARM)


def test_a_memory_that_cannot_be_read_is_an_alarm_looked_at_anew(engine: Engine, ids: dict[str, int]) -> None:
    with transaction(engine) as conn:
        conn.execute(text('UPDATE alarm SET machine = \'{"since": "yesterday"}\' WHERE id = :id'), {"id": ids[HIGH]})
        assert stored.lock_alarms(conn, [HIGH])[HIGH].machine == Machine()


def test_a_changed_definition_is_journalled_with_what_it_was_before(engine: Engine) -> None:
    """Who made a limit looser, and from what, is asked after every overflow."""
    high = AlarmDefinition(key=HIGH, kind=AlarmKind.HIGH, tank="east", limit=1.2)
    AlarmPlant.build(engine, alarm_setup(alarms=(high,)))
    with transaction(engine) as conn:
        stored.sync_alarms(conn, [replace(high, limit=0.9)], NIGHT + MINUTE, by="Sam", why="too often")
        [line] = stored.journal(conn, key=HIGH, limit=1)
        assert (line.event, line.actor, line.detail["changed"], line.detail["why"]) == (
            Event.REDEFINED, "Sam", {"limit": [1.2, 0.9]}, "too often",
        )  # fmt: skip
