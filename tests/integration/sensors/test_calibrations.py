"""Work on sensors in PostgreSQL: append-only, corrected by superseding, and known as it was at any moment."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from uuid import uuid4

import pytest
from sqlalchemy import Engine

from service.domain.cores.core import Calibration, CalibrationKind
from service.errors import InputError
from service.storage.blanket.recompute import claim_due
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.history import recorded_calibrations
from service.storage.sensors.calibrations import (
    CalibrationRecord,
    calibration_history,
    correct_calibration,
    current_calibrations,
    find_calibration,
    insert_calibration,
    withdraw_calibration,
)
from tests.support.plant import NIGHT, describe

HOUR = timedelta(hours=1)


def record(ids: SiteIds, offset: float = 0.1, tag: str = "LT-E", hours: float = 0.0) -> CalibrationRecord:
    done = Calibration(
        tag=tag,
        at=NIGHT + hours * HOUR,
        kind=CalibrationKind.CALIBRATION,
        done_by="M. Lindqvist",
        reason="yearly",
        as_found_offset=offset,
        as_left_offset=0.0,
    )
    return CalibrationRecord(
        id=uuid4(), calibration=done, signal_id=ids.signals[tag], recorded_at=NIGHT + hours * HOUR, note="dry"
    )


def test_a_calibration_comes_back_and_marks_its_tank(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        given = record(ids)
        assert insert_calibration(conn, given)
        assert not insert_calibration(conn, given)
        assert current_calibrations(conn, [given.signal_id]) == [given]
        assert current_calibrations(conn, [given.signal_id], NIGHT + HOUR) == []
        assert current_calibrations(conn, [given.signal_id], NIGHT, NIGHT) == []
        assert [(d.tank_id, d.dirty_from) for d in claim_due(conn)] == [(ids.tanks["east"], NIGHT)]
        with pytest.raises(InputError, match="different work"):
            insert_calibration(conn, replace(record(ids, 0.2), id=given.id))
        with pytest.raises(InputError, match="correct_calibration"):
            insert_calibration(conn, replace(record(ids), supersedes=given.id))


def test_a_correction_may_move_it_to_another_sensor_and_the_past_stays_knowable(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        first, second = record(ids, hours=1), record(ids, 0.3, tag="LT-W", hours=2)
        insert_calibration(conn, first)
        assert correct_calibration(conn, first.id, second, "it was the west sensor")
        assert not correct_calibration(conn, first.id, second, "it was the west sensor"), "sent twice"
        both = list(ids.signals.values())
        [now] = current_calibrations(conn, both)
        assert (now.calibration.tag, now.correction_reason) == ("LT-W", "it was the west sensor")
        assert [r.came for r in recorded_calibrations(conn, both, NIGHT + 1.5 * HOUR)] == [first.calibration]
        assert recorded_calibrations(conn, both, NIGHT) == []
        assert [r.id for r in calibration_history(conn, second.id)] == [first.id, second.id]
        assert {d.tank_id: d.dirty_from for d in claim_due(conn)} == {
            ids.tanks["east"]: NIGHT + HOUR,
            ids.tanks["west"]: NIGHT + 2 * HOUR,
        }
        with pytest.raises(InputError, match="corrected already"):
            correct_calibration(conn, first.id, record(ids), "again")
        with pytest.raises(InputError, match="reason"):
            correct_calibration(conn, second.id, record(ids), "")
        with pytest.raises(InputError, match="no calibration"):
            correct_calibration(conn, uuid4(), record(ids), "lost")


def test_a_withdrawn_calibration_counts_no_longer(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        given = record(ids)
        insert_calibration(conn, given)
        taken_back = uuid4()
        assert withdraw_calibration(conn, given.id, id=taken_back, at=NIGHT + HOUR, reason="not done after all")
        assert not withdraw_calibration(conn, given.id, id=taken_back, at=NIGHT + HOUR, reason="not done after all")
        assert current_calibrations(conn, [given.signal_id]) == []
        found = find_calibration(conn, taken_back)
        assert found is not None
        assert found.withdrawn
        with pytest.raises(InputError, match="withdrawn"):
            correct_calibration(conn, taken_back, record(ids), "it was done")
        with pytest.raises(InputError, match="no calibration"):
            withdraw_calibration(conn, uuid4(), id=uuid4(), at=NIGHT, reason="lost")
