"""A laboratory sheet that is dropped: good rows go in, each other one comes back with its line, field and reason."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Engine

from connectors.base import LaboratoryValue
from service.domain.laboratory.result import LaboratoryKind
from service.jobs.ingest.laboratory_values import store_laboratory
from service.storage.database.session import transaction
from service.storage.laboratory.results import laboratory_results
from tests.support.alarm_plant import AlarmPlant
from tests.support.plant import NIGHT, NOON


def value(kind: str, number: float, unit: str = "mg/L", **more: Any) -> LaboratoryValue:
    return LaboratoryValue(kind=kind, time=NIGHT, value=number, unit=unit, taken_by="Kim", **more)


def test_good_rows_go_in_and_bad_ones_come_back_with_line_field_and_reason(engine: Engine) -> None:
    plant = AlarmPlant.build(engine).model
    sheet = (
        value("MLSS", 2400, line=2),
        value("SSV30", 240, "", tank="East Clarifier", line=3),
        value("RAS", 0.8, "% TS", line=4),
        value("colour", 3, line=5),
        value("MLSS", 2400, "furlong", line=6),
        value("MLSS", 2400, "", line=7),
        value("nitrate", 8, tank="north", line=8),
        value("settled volume", 240, "mL/L", line=9),
        value("SSV30", 1200, "mL/L", line=10),
        value("WAS", 0.8, "mg/L", line=11),  # doubtful: kept, with its warning
    )
    with transaction(engine) as conn:
        outcome = store_laboratory(conn, plant, sheet, "lab", "day.csv", NOON)
        assert [(r.line, r.field) for r in outcome.rejects] == [
            (5, "kind"), (6, "unit"), (7, "unit"), (8, "tank"), (9, "value"), (10, "value"),
        ]  # fmt: skip
        assert "write mg/L or g/L or %solids" in outcome.rejects[1].reason
        assert "is read after 5, 10" in outcome.rejects[4].reason
        assert (outcome.accepted, outcome.duplicate) == (4, 0)
        assert len(outcome.warnings) == 1
        assert outcome.warnings[0].startswith("line 11: 0.800 mg/L of waste solids")
        again = store_laboratory(conn, plant, sheet[:3], "lab", "again.csv", NOON)
        assert (again.accepted, again.duplicate) == (0, 3)
        found = {r.result.kind: r for r in laboratory_results(conn)}
    assert found[LaboratoryKind.SETTLED_VOLUME].result.tank == "east"
    assert found[LaboratoryKind.SETTLED_VOLUME].result.minute == 30
    assert found[LaboratoryKind.RETURN_SOLIDS].result.value == 8.0
    assert {r.source for r in found.values()} == {"day.csv"}
    assert found[LaboratoryKind.WASTE_SOLIDS].warnings == ("unit slip suspected",)
