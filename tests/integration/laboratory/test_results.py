"""Laboratory results in PostgreSQL: append-only, corrected by superseding, one however many doors it comes through."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Engine, text

from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.plant.units import to_si
from service.errors import InputError, StorageError
from service.jobs.accounts.actor import Actor, Door
from service.jobs.laboratory.result import LaboratoryDraft, submit_result, withdraw_result
from service.storage.database.session import transaction
from service.storage.laboratory.results import laboratory_results, result_history, results_changed
from tests.support.alarm_plant import AlarmPlant
from tests.support.plant import NIGHT, NOON

BY = Actor(name="Kim", via=Door.PAGE)


def draft(
    kind: LaboratoryKind, typed: float, unit: str, at: datetime = NIGHT, tank: str | None = None, **more: Any
) -> LaboratoryDraft:
    result = LaboratoryResult(
        id=uuid4(),
        kind=kind,
        tank=tank,
        taken_at=at,
        recorded_at=NOON,
        value=to_si(typed, unit),
        taken_by="Kim",
        **more,
    )
    return LaboratoryDraft(result=result, typed_value=typed, typed_unit=unit)


SOLIDS = draft(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2600, "mg/L")


def test_a_value_comes_back_as_typed_for_the_tank_or_the_plant_it_is_of(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    east = draft(LaboratoryKind.SETTLED_VOLUME, 240, "mL/L", tank="east", minute=30, dilution=2.0)
    with transaction(engine) as conn:
        for one in (SOLIDS, east):
            assert submit_result(conn, plant, one, BY, now=NOON).stored
        found = laboratory_results(conn)
        assert [r.result for r in found] == [SOLIDS.result, east.result] or [r.result for r in found] == [
            east.result,
            SOLIDS.result,
        ]
        [of_east] = laboratory_results(conn, tank_ids=[plant.ids.tanks["east"]])
        assert (of_east.result, of_east.typed_value, of_east.typed_unit) == (east.result, 240.0, "mL/L")
        assert of_east.source == "page, Kim"
        [of_plant] = laboratory_results(conn, tank_ids=[None])
        assert of_plant.result == SOLIDS.result
        assert laboratory_results(conn, [LaboratoryKind.NITRATE]) == []
        assert laboratory_results(conn, until=NIGHT) == []
        actions = conn.execute(text("SELECT action, actor FROM audit_event")).all()
        assert [tuple(a) for a in actions] == [("laboratory result entered", "Kim")] * 2


def test_a_correction_counts_and_the_first_version_stays(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    right = draft(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2900, "mg/L")
    with transaction(engine) as conn:
        submit_result(conn, plant, SOLIDS, BY, now=NOON)
        mended = replace(right, supersedes=SOLIDS.result.id, reason="crucible mixed up")
        submit_result(conn, plant, mended, BY, now=NOON)
        assert [r.result.value for r in laboratory_results(conn)] == [right.result.value]
        assert [r.correction_reason for r in result_history(conn, SOLIDS.result.id)] == ["", "crucible mixed up"]
        again = replace(
            draft(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 3000, "mg/L"), supersedes=SOLIDS.result.id, reason="x"
        )
        with pytest.raises(InputError, match="corrected already"):
            submit_result(conn, plant, again, BY, now=NOON)
        with pytest.raises(InputError, match="needs a reason"):
            withdraw_result(conn, right.result.id, BY, reason=" ", now=NOON)
        withdraw_result(conn, right.result.id, BY, reason="never measured", now=NOON + timedelta(hours=1))
        assert laboratory_results(conn) == []
        assert [r.withdrawn for r in results_changed(conn, NIGHT, NOON)] == [False, True]


def test_nobody_changes_a_row(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    with transaction(engine) as conn:
        submit_result(conn, plant, SOLIDS, BY, now=NOON)
    for statement in ("UPDATE laboratory_result SET value = 1", "DELETE FROM laboratory_result"):
        with pytest.raises(StorageError, match="append-only"), transaction(engine) as conn:
            conn.execute(text(statement))


def test_a_value_typed_and_written_into_the_sheet_is_one_value(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    sheet = Actor(name="lab", via=Door.SHEET, address="lab.csv")
    twice = replace(SOLIDS, result=replace(SOLIDS.result, id=uuid4(), taken_at=NIGHT + timedelta(seconds=20)))
    later = replace(SOLIDS, result=replace(SOLIDS.result, id=uuid4(), taken_at=NIGHT + timedelta(hours=3)))
    with transaction(engine) as conn:
        submit_result(conn, plant, SOLIDS, BY, now=NOON)
        again = submit_result(conn, plant, twice, sheet, now=NOON)
        assert again.stored
        assert again.already
        assert again.known is not None
        assert again.known.result.id == SOLIDS.result.id
        assert not submit_result(conn, plant, later, sheet, now=NOON).already
        assert len(laboratory_results(conn)) == 2


def test_a_doubtful_value_is_stored_only_when_confirmed_and_keeps_its_doubt(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    slip = draft(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2.6, "mg/L")
    with transaction(engine) as conn:
        asked = submit_result(conn, plant, slip, BY, now=NOON)
        assert not asked.stored
        assert "2.60 g/L" in asked.findings[0].sentence
        assert laboratory_results(conn) == []
        assert submit_result(conn, plant, replace(slip, confirmed=True), BY, now=NOON).stored
        assert laboratory_results(conn)[0].warnings == ("unit slip suspected",)
        with pytest.raises(InputError, match="no tank 'north'"):
            submit_result(conn, plant, draft(LaboratoryKind.NITRATE, 8, "mg/L", tank="north"), BY, now=NOON)
