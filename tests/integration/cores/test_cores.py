"""Hand cores in PostgreSQL: append-only, corrected by superseding, and known as they were at any moment."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from uuid import UUID, uuid4

import pytest
from sqlalchemy import Connection, Engine, text

from service.domain.cores.core import Core, Surface
from service.errors import InputError, StorageError
from service.storage.blanket.recompute import claim_due
from service.storage.cores.cores import (
    CoreRecord,
    core_history,
    correct_core,
    current_cores,
    insert_core,
    last_cores,
    latest_core_times,
    newest_cores,
    withdraw_core,
)
from service.storage.database.session import transaction
from service.storage.readings.history import recorded_cores
from tests.support.plant import NIGHT, core_record, describe

HOUR = timedelta(hours=1)


def cores_known(conn: Connection, tank_id: int, at: datetime) -> list[Core]:
    """What a replay knows of a tank's cores at a time."""
    known: dict[UUID, Core] = {}
    for change in recorded_cores(conn, tank_id, at):
        if isinstance(change.gone, Core):
            del known[change.gone.id]
        if isinstance(change.came, Core):
            known[change.came.id] = change.came
    return list(known.values())


def test_a_core_comes_back_as_it_was_typed(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        record = core_record(ids)
        core = replace(
            record.core, fluff=0.3, surface=(Surface.PIN_FLOC, Surface.BUBBLES), arm_position=120.0, note="windy"
        )
        record = replace(record, core=core, typed_value=3.937, typed_unit="ft", warnings=("far from the estimate",))
        assert insert_core(conn, record)
    with transaction(engine) as conn:
        assert current_cores(conn, [ids.tanks["east"]]) == [record]
        assert current_cores(conn, [ids.tanks["west"]]) == []


def test_the_same_core_again_changes_nothing_and_a_reused_id_is_refused(engine: Engine) -> None:
    with transaction(engine) as conn:
        record = core_record(describe(conn))
        assert insert_core(conn, record)
        assert not insert_core(conn, replace(record, core=replace(record.core, note="sent twice")))
        with pytest.raises(InputError, match="different core"):
            insert_core(conn, replace(record, core=replace(record.core, thickness=2.0)))
        assert [r.core.note for r in current_cores(conn, [record.tank_id])] == [""]


def test_a_correction_supersedes_and_the_past_stays_knowable(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        first = core_record(ids, 3.9, recorded_at=NIGHT)
        insert_core(conn, first)
        second = core_record(ids, 1.19, recorded_at=NIGHT + HOUR)
        assert correct_core(conn, first.core.id, second, "typed feet as metres")
        assert not correct_core(conn, first.core.id, second, "typed feet as metres"), "sent twice"
        third = core_record(ids, 1.25, tank="west", taken_at=NIGHT - HOUR, recorded_at=NIGHT + 2 * HOUR)
        correct_core(conn, second.core.id, third, "wrong tank")
    with transaction(engine) as conn:
        both = list(ids.tanks.values())

        def known(at: timedelta) -> list[float]:
            return [core.thickness for tank_id in both for core in cores_known(conn, tank_id, NIGHT + at)]

        assert known(-HOUR) == []
        assert known(HOUR / 2) == [3.9]
        assert known(HOUR) == [1.19]
        assert known(3 * HOUR) == [1.25]
        assert [r.core.tank for r in current_cores(conn, both)] == ["west"]
        assert current_cores(conn, [ids.tanks["east"]]) == []
        for version in (first, second, third):
            history = core_history(conn, version.core.id)
            assert [r.core.id for r in history] == [first.core.id, second.core.id, third.core.id]
        assert [r.correction_reason for r in history] == ["", "typed feet as metres", "wrong tank"]
        assert core_history(conn, uuid4()) == []
        # Both places in time are estimated again: where the core was, and where it is now.
        assert {d.tank_id: d.dirty_from for d in claim_due(conn)} == {
            ids.tanks["east"]: NIGHT,
            ids.tanks["west"]: NIGHT - HOUR,
        }


def test_a_withdrawn_core_counts_no_longer_but_is_kept(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        record = core_record(ids)
        insert_core(conn, record)
        assert latest_core_times(conn, [record.tank_id]) == {record.tank_id: NIGHT}
        taken_back = uuid4()
        later = NIGHT + HOUR
        assert withdraw_core(conn, record.core.id, id=taken_back, at=later, reason="sampler leaked", by="R. Okafor")
        assert not withdraw_core(conn, record.core.id, id=taken_back, at=later, reason="sampler leaked", by="R. Okafor")
        assert current_cores(conn, [record.tank_id]) == []
        assert latest_core_times(conn, [record.tank_id]) == {}
        assert [core.id for core in cores_known(conn, record.tank_id, NIGHT)] == [record.core.id]
        assert [r.withdrawn for r in core_history(conn, record.core.id)] == [False, True]
        with pytest.raises(InputError, match="withdrawn"):
            correct_core(conn, taken_back, core_record(ids, 1.0), "no, it was right")


def test_only_the_newest_version_may_be_corrected_and_only_with_a_reason(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        first = core_record(ids, 3.9)
        insert_core(conn, first)
        with pytest.raises(InputError, match="reason"):
            correct_core(conn, first.core.id, core_record(ids, 1.0), "  ")
        with pytest.raises(InputError, match="no core"):
            correct_core(conn, uuid4(), core_record(ids, 1.0), "misread")
        correct_core(conn, first.core.id, core_record(ids, 1.2), "misread")
        with pytest.raises(InputError, match="corrected already"):
            correct_core(conn, first.core.id, core_record(ids, 1.1), "misread")


def test_of_two_corrections_at_once_one_goes_through(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        first = core_record(ids, 3.9)
        insert_core(conn, first)

    def correct(thickness: float) -> str:
        try:
            with transaction(engine) as conn:
                correct_core(conn, first.core.id, core_record(ids, thickness), "misread")
                conn.execute(text("SELECT pg_sleep(0.2)"))
        except InputError as refused:
            return str(refused)
        return "stored"

    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(correct, [1.0, 1.1, 1.2, 1.3]))
    assert outcomes.count("stored") == 1
    assert sum("corrected already" in outcome for outcome in outcomes) == 3
    with transaction(engine) as conn:
        assert len(current_cores(conn, [first.tank_id])) == 1


def test_cores_are_never_changed_in_place(engine: Engine) -> None:
    with transaction(engine) as conn:
        insert_core(conn, core_record(describe(conn)))
    for statement in ("UPDATE hand_core SET thickness = 0", "DELETE FROM hand_core"):
        with pytest.raises(StorageError, match="append-only"), transaction(engine) as conn:
            conn.execute(text(statement))


def test_cores_are_selected_by_when_they_were_taken(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        for hours in (0, 1, 2):
            insert_core(conn, core_record(ids, 1.0 + hours, taken_at=NIGHT + hours * HOUR))
        found = current_cores(conn, [ids.tanks["east"]], NIGHT + HOUR, NIGHT + 2 * HOUR)
        assert [r.core.thickness for r in found] == [2.0], "from inclusive, to exclusive"


def test_a_record_that_claims_to_correct_is_not_a_new_core(engine: Engine) -> None:
    with transaction(engine) as conn:
        record: CoreRecord = replace(core_record(describe(conn)), supersedes=UUID(int=1))
        with pytest.raises(InputError, match="correct_core"):
            insert_core(conn, record)


def test_of_many_cores_no_more_are_read_than_are_shown(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        both = list(ids.tanks.values())
        first = [core_record(ids, 1.0 + i / 100, taken_at=NIGHT + i * HOUR) for i in range(5)]
        again = core_record(ids, 2.0, taken_at=NIGHT + HOUR)
        again = replace(again, core=replace(again.core, replicate=2))
        west = core_record(ids, 0.5, tank="west", taken_at=NIGHT)
        for record in (*first, again, west):
            insert_core(conn, record)
        withdraw_core(conn, first[4].core.id, id=uuid4(), reason="a slip", by="Chief", at=NIGHT)

        def thick(records: list[CoreRecord]) -> list[float]:
            return [record.core.thickness for record in records]

        east = [ids.tanks["east"]]
        assert thick(current_cores(conn, east, limit=2)) == [1.0, 1.01, 2.0], "those of one moment stay together"
        assert thick(current_cores(conn, east, limit=4)) == [1.0, 1.01, 2.0, 1.02]
        assert thick(current_cores(conn, east, limit=99)) == [1.0, 1.01, 2.0, 1.02, 1.03]
        assert thick(newest_cores(conn, east, NIGHT, limit=2)) == [1.03, 1.02]
        newest = last_cores(conn, both, NIGHT, NIGHT + 9 * HOUR)
        assert {tank: record.core.thickness for tank, record in newest.items()} == {"east": 1.03, "west": 0.5}
        before = last_cores(conn, both, NIGHT, NIGHT + 2 * HOUR)
        assert before["east"].core.thickness == 2.0, "of one moment the last replicate"
