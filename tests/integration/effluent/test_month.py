"""A month of effluent as report, CSV, page and interface; signed, and every later change told."""

from __future__ import annotations

import csv
import io
import re
import uuid
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import Engine

from service.domain.effluent.daily import DayOrigin, DayValue
from service.domain.effluent.permit import Measure
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.plant.period import PeriodKind, month_of, period_of
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.effluent.report import effluent_of
from service.jobs.effluent.signing import sign_month
from service.jobs.plant.plant import Plant
from service.jobs.reports.report import read_period
from service.jobs.reports.shift import write_note
from service.reports.effluent_document import CSV_COLUMNS, effluent_csv, effluent_document
from service.reports.period_document import period_document
from service.reports.rendering.document import Document
from service.storage.cores.cores import correct_core, insert_core
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, correct_result, insert_result
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support import plant as plants
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, by
from tests.support.effluent_plant import (
    BAD,
    PERMIT,
    SOLIDS,
    STEP,
    TANKS,
    ZONE,
    effluent_plant,
    store_low_blankets,
    store_month,
)
from tests.support.web_plant import WebSite, form_token, served, settle

HOUR = timedelta(hours=1)
JANUARY = month_of(date(2026, 1, 1), ZONE)
FEBRUARY = datetime(2026, 2, 2, 15, 0, tzinfo=UTC)


@pytest.fixture
def plant(engine: Engine) -> Plant:
    made = effluent_plant(engine)
    store_month(engine, made, until=JANUARY.end)
    return made


def _words(document: Document) -> str:
    rows = [str(getattr(cell, "text", cell)) for table in document.tables for row in table.rows for cell in row]
    return "\n".join([*(f"{name}: {value}" for name, value in document.facts), *rows])


def _document(engine: Engine, plant: Plant, now: datetime) -> Document:
    report = effluent_of(engine, plant, JANUARY, now)
    return effluent_document(report, JANUARY, site="Alder Creek", units="us", zone=ZONE, now=now)


def test_reports_begin_with_the_effluent_and_say_what_went_before_and_what_was_done(
    engine: Engine, plant: Plant
) -> None:
    east = AlarmPlant(engine, plant.alarms, plant.ids, TANKS)
    times = [BAD[0].astimezone(UTC) + minute * MINUTE for minute in range(-180, 30, 5)]
    east.believe_all({at: 1.1 if at > times[0] + 2 * HOUR else 3.0 for at in times}, tank=TANKS[0])
    east.believe_all(dict.fromkeys(times, 3.4), tank=TANKS[1])
    actor = by("Sam")
    write_note(
        engine,
        plant,
        "opened gate C, took flow off east",
        actor,
        id=uuid.uuid4(),
        now=BAD[0].astimezone(UTC) + 40 * MINUTE,
    )
    report = read_period(engine, plant, JANUARY, FEBRUARY)
    document = period_document(report, site="Alder Creek", units="us", zone=ZONE, now=FEBRUARY)
    assert [name for name, _ in document.facts][:3] == ["Period", "Effluent", "Beyond the limit"]
    assert document.tables[0].title.startswith("Effluent beyond its limit")
    said = _words(document)
    assert "31 days within the daily limit on solids, 0 over" in said
    # 6 h; (200 - 60) g/m³ × 18 927 m³/d ÷ 4 = 662 kg = 1460 lb.
    assert "6 h by the meters; 662 kg (1,460 lb) of solids lost above it" in said
    assert "East clarifier: 9.5 ft (72 % of the depth)" in said
    assert "Sam Mon 12 Jan 20:40 EST: opened gate C" in said
    # The months' mean of solids: (29 × 20 + 50 + 35) / 31 = 21.45 mg/L.
    assert "monthly average of solids 21.5 mg/L, limit 30.0 mg/L: within" in said


def test_a_plant_without_a_meter_and_a_permit_reports_as_before(engine: Engine) -> None:
    made = AlarmPlant.build(engine).model
    report = read_period(engine, made, JANUARY, FEBRUARY)
    assert report.effluent is None
    assert period_document(report, site="x", units="us", zone=ZONE, now=FEBRUARY).tables[0].title == "Blanket"


def test_a_day_s_report_tells_of_its_own_day(engine: Engine, plant: Plant) -> None:
    day = period_of(PeriodKind.DAILY, date(2026, 1, 12), ZONE)
    effluent = effluent_of(engine, plant, day, FEBRUARY)
    assert {d.day for d in effluent.month.days} == {date(2026, 1, 12)}
    assert effluent.month.hours_beyond == timedelta(hours=4)
    assert effluent.exceedances[0].beyond.start == BAD[0]


def test_the_csv_has_a_row_for_every_day_with_value_verdict_and_completeness(engine: Engine, plant: Plant) -> None:
    report = effluent_of(engine, plant, JANUARY, FEBRUARY)
    rows = list(csv.DictReader(io.StringIO(effluent_csv(report, "us", ZONE))))
    assert tuple(rows[0]) == CSV_COLUMNS
    solids = {row["day"]: row for row in rows if row["measure"] == "effluent solids"}
    assert len(solids) == 31
    bad = solids["2026-01-12"]
    assert (bad["value"], bad["unit"], bad["verdict"], bad["complete"]) == ("50.000", "mg/L", "within", "yes")
    assert (bad["hours_beyond"], bad["solids_lost_kg"]) == ("4.00", "441.6")
    assert [row["value"] for row in rows if row["measure"] == "effluent solids, monthly average"] == ["21.452"]


def test_a_signature_needs_a_month_that_is_over_and_a_reason(engine: Engine, plant: Plant) -> None:
    with pytest.raises(InputError, match="not over yet"):
        sign_month(engine, plant, JANUARY, "reviewed", by("Pat"), id=uuid.uuid4(), now=NIGHT)
    with pytest.raises(InputError, match="reason is missing"):
        sign_month(engine, plant, JANUARY, "  ", by("Pat"), id=uuid.uuid4(), now=FEBRUARY)


def test_every_change_after_the_signature_is_told_with_what_was_signed(engine: Engine, plant: Plant) -> None:
    core = plants.core_record(plant.ids, 0.9, taken_at=BAD[0].astimezone(UTC))
    with transaction(engine) as conn:
        insert_core(conn, core)
    one = uuid.uuid4()
    for _ in range(2):  # sent twice, it is one
        sign_month(engine, plant, JANUARY, "reviewed for the report", by("Pat"), id=one, now=FEBRUARY)
    report = effluent_of(engine, plant, JANUARY, FEBRUARY)
    assert [(s.by, s.reason) for s in report.signatures] == [("Pat", "reviewed for the report")]
    assert report.changes == ()

    later = FEBRUARY + timedelta(days=1)
    with transaction(engine) as conn:
        # A meter's values of the 20th come again, three times as high.
        writer = ReadingWriter(conn, open_batch(conn, "test", "late", later))
        start = datetime(2026, 1, 20, 0, 0, tzinfo=ZONE)
        writer.store(plants.columns(plant.ids.signals[SOLIDS.tag], [0.070] * 48, start=start, step=STEP))
        mended = replace(
            core, core=replace(core.core, id=uuid.uuid4(), thickness=1.4, recorded_at=later, taken_by="Lee")
        )
        correct_core(conn, core.core.id, mended, "misread by half a metre")
    changed = effluent_of(engine, plant, JANUARY, later)
    told = {c.what: (c.was, c.now) for c in changed.changes}
    assert told["effluent solids of 2026-01-20"] == ("20.0 mg/L", "70.0 mg/L")
    assert "monthly average of effluent solids, from 2026-01-01" in told
    [cored] = [c for c in changed.changes if c.what.startswith("hand core")]
    assert (cored.was, cored.now, cored.by, cored.why) == ("3.0 ft", "4.6 ft", "Lee", "misread by half a metre")
    row = next(r for r in csv.DictReader(io.StringIO(effluent_csv(changed, "us", ZONE))) if r["day"] == "2026-01-20")
    assert (row["signed_by"], row["changed_since_signed"], row["verdict"]) == ("Pat", "yes", "OVER")
    sign_month(engine, plant, JANUARY, "after the meter's values came again", by("Pat"), id=uuid.uuid4(), now=later)
    again = effluent_of(engine, plant, JANUARY, later)
    assert len(again.signatures) == 2
    assert {change.what for change in again.changes} == {change.what for change in changed.changes}
    assert all(change.signed_again for change in again.changes)
    rows = csv.DictReader(io.StringIO(effluent_csv(again, "us", ZONE)))
    assert {row["changed_since_signed"] for row in rows} == {"no"}


def _sample(value: float, at: datetime, *, tank_id: int | None = None, by: str = "Lab") -> LaboratoryRecord:
    kind = LaboratoryKind.EFFLUENT_SOLIDS
    result = LaboratoryResult(
        id=uuid.uuid4(), kind=kind, tank=None, taken_at=at, recorded_at=at, value=value, taken_by=by
    )
    return LaboratoryRecord(
        result=result, tank_id=tank_id, typed_value=1000.0 * value, typed_unit="mg/L", source="test"
    )


def test_the_laboratory_s_value_counts_before_the_meter_s_and_its_correction_is_told(
    engine: Engine, plant: Plant
) -> None:
    at = datetime(2026, 1, 20, 8, 0, tzinfo=ZONE)
    sample = _sample(0.040, at)
    with transaction(engine) as conn:
        insert_result(conn, sample)
        insert_result(conn, _sample(0.050, at + 2 * HOUR))
        insert_result(conn, _sample(0.900, at, tank_id=plant.ids.tanks["east"]))  # of one tank: not the permit's
    day = next(d for d in _solids(engine, plant, FEBRUARY) if d.day == date(2026, 1, 20))
    assert (day.origin, day.samples, day.verdict) == (DayOrigin.LABORATORY, 2, "within")
    assert day.value == pytest.approx(0.045)
    assert day.online == pytest.approx(0.020)
    sign_month(engine, plant, JANUARY, "reviewed", by("Pat"), id=uuid.uuid4(), now=FEBRUARY)
    later = FEBRUARY + HOUR
    right = _sample(0.140, at, by="Kim")
    mended = replace(right, result=replace(right.result, recorded_at=later))
    with transaction(engine) as conn:
        correct_result(conn, sample.result.id, mended, "a digit was lost")
    told = {c.what: c for c in effluent_of(engine, plant, JANUARY, later).changes}
    change = told["laboratory value of effluent solids, 2026-01-20 08:00"]
    assert (change.was, change.now, change.by, change.why) == ("40.0 mg/L", "140 mg/L", "Kim", "a digit was lost")
    assert told["effluent solids of 2026-01-20"].now == "95.0 mg/L"


def _solids(engine: Engine, plant: Plant, now: datetime) -> tuple[DayValue, ...]:
    return effluent_of(engine, plant, JANUARY, now).month.of(Measure.SOLIDS)


def test_a_permit_that_is_changed_after_the_signature_is_a_change(engine: Engine, plant: Plant) -> None:
    sign_month(engine, plant, JANUARY, "reviewed", by("Pat"), id=uuid.uuid4(), now=FEBRUARY)
    limits = tuple(
        replace(one, value=2.0 * one.value) if one.measure is Measure.SOLIDS else one for one in PERMIT.limits
    )
    other = replace(plant, permit=replace(PERMIT, limits=limits))
    told = [change.what for change in effluent_of(engine, other, JANUARY, FEBRUARY).changes]
    assert "the permit's daily maximum of effluent solids" in told


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    settle(engine, TANKS)
    with served(engine, setups=TANKS, permit=PERMIT) as found:
        store_month(engine, found.plant.model, until=JANUARY.end)
        found.clock.now = FEBRUARY
        yield found


def test_a_supervisor_signs_on_the_page_and_takes_it_away_as_pdf_and_csv(site: WebSite) -> None:
    client = site.client(Role.SUPERVISOR)
    page = client.get("/permit?date=2026-01").text
    assert "Effluent against the permit, 2026-01" in page
    assert "Not signed yet." in page
    number = re.search(r'name="id" value="([^"]+)"', page)
    assert number is not None
    form = {"form_token": form_token(page), "id": number[1], "month": "2026-01"}
    refused = client.post("/permit/sign", data=form | {"reason": " "})
    assert refused.status_code == 400
    assert "The reason is missing" in refused.text
    assert client.post("/permit/sign", data=form | {"reason": "reviewed <b>"}).status_code == 303
    page = client.get("/permit?date=2026-01").text
    assert "reviewed &lt;b&gt;" in page
    assert "Supervisor Person" in page
    assert client.get("/permit.pdf?date=2026-01").content.startswith(b"%PDF")
    sheet = client.get("/permit.csv?date=2026-01")
    assert sheet.headers["content-type"].startswith("text/csv")
    assert "Supervisor Person" in sheet.text
    assert client.get("/permit.xls?date=2026-01").status_code == 404
    told = client.get("/api/v1/effluent?month=2026-01").json()
    assert (len(told["days"]), told["signatures"][0]["by"]) == (62, "Supervisor Person")
    assert told["beyond"][0]["lost_kg"] == pytest.approx(662.4, rel=1e-3)


def test_an_operator_sees_the_month_and_does_not_sign_it(site: WebSite) -> None:
    page = site.client(Role.OPERATOR).get("/permit?date=2026-01").text
    assert "Sign this month" not in page
    assert "31 days within the daily limit on solids" in page


def test_a_running_month_says_so_and_has_no_form(site: WebSite) -> None:
    page = site.client(Role.SUPERVISOR).get("/permit?date=2026-02").text
    assert "still running" in page
    assert "can be signed when it is over" in page


def test_nothing_about_a_tank_reads_well_while_the_effluent_is_over_its_limit(engine: Engine) -> None:
    """At one in the morning of the bad night: both tanks stand low, and solids get out all the same."""
    bad = BAD[1].astimezone(UTC) - HOUR
    settle(engine, TANKS)
    with served(engine, setups=TANKS, permit=PERMIT) as site:
        store_month(engine, site.plant.model, until=bad)
        store_low_blankets(engine, site.plant.model, bad)
        client = site.client(Role.VIEWER)
        site.clock.now = bad
        board, tank = client.get("/").text, client.get("/tanks/east").text
        assert "Effluent over its limit by effluent.solids" in board
        assert "East clarifier: effluent over its limit" in board
        assert "Effluent over its limit: effluent solids 200 mg/L by effluent.solids, limit 60.0 mg/L" in tank
        assert "The blanket is within its limits.</p>" not in tank
        loading = client.get("/api/v1/tanks/east/loading").json()
        assert loading["effluent_beyond_limit"] == ["effluent solids 200 mg/L by effluent.solids, limit 60.0 mg/L"]
        under = client.get("/api/v1/tanks/east/series?under=effluent_solids").json()["under"]
        assert (under["name"], under["unit"], under["limit_si"]) == ("effluent solids", "mg/L", 0.06)
        assert max(under["high"]) == pytest.approx(0.2)


def test_it_is_said_again_once_the_effluent_is_back(engine: Engine) -> None:
    settle(engine, TANKS)
    with served(engine, setups=TANKS, permit=PERMIT) as site:
        store_month(engine, site.plant.model)
        store_low_blankets(engine, site.plant.model, NIGHT)
        page = site.client(Role.VIEWER).get("/tanks/east").text
        assert "Effluent over its limit" not in page
