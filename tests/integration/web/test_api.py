"""The programs' interface: whole, paged, honest about problems, and harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine

from service.domain.plant.role import Role, Scope
from service.domain.plant.units import UnitSystem
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.flowing_plant import TANKS as FLOWING_TANKS
from tests.support.flowing_plant import store_day
from tests.support.plant import columns
from tests.support.web_plant import WebSite, served

ALL = (Scope.READ, Scope.CORES, Scope.ALARMS)


@pytest.fixture
def api(site: WebSite) -> httpx.Client:
    """A program with a token that may do what an operator may."""
    client = site.client()
    client.headers.update(site.token(Role.OPERATOR, *ALL) | {"Accept": "application/json"})
    return client


def entry(**changes: Any) -> dict[str, Any]:
    return {
        "id": str(uuid.uuid4()),
        "tank": "east",
        "taken_at": NIGHT.isoformat(),
        "value": "3.6",
        "unit": "ft",
    } | changes


def test_a_core_is_kept_once_under_its_id(site: WebSite, api: httpx.Client) -> None:
    one = entry()
    assert api.post("/api/v1/cores", json=one).status_code == 201
    again = api.post("/api/v1/cores", json=one)
    assert (again.status_code, again.json()["state"]) == (200, "already")
    with transaction(site.web.engine) as conn:
        [record] = current_cores(conn, [site.plant.ids.tanks["east"]])
    assert record.core.thickness == pytest.approx(3.6 * 0.3048)
    assert record.core.taken_at == NIGHT


def test_an_id_is_not_taken_for_two_cores(api: httpx.Client) -> None:
    one = entry()
    assert api.post("/api/v1/cores", json=one).status_code == 201
    other = api.post("/api/v1/cores", json=one | {"value": "3.9"})
    assert other.status_code == 422
    assert "already used by a different core" in other.json()["detail"]


def test_a_doubtful_core_is_asked_about(site: WebSite, api: httpx.Client) -> None:
    site.plant.believe(NIGHT - MINUTE, 2.9)
    one = entry(value="9.5")
    asked = api.post("/api/v1/cores", json=one)
    assert asked.status_code == 409
    assert asked.headers["content-type"] == "application/problem+json"
    assert asked.json()["findings"][0]["severity"] == "confirm"
    assert api.post("/api/v1/cores", json=one | {"confirmed": True}).status_code == 201


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"value": "99"}, 422),  # deeper than the tank
        ({"value": "three"}, 422),
        ({"value": ""}, 422),
        ({"value": "-1"}, 422),
        ({"value": "1e3"}, 422),
        ({"unit": "furlong"}, 422),
        ({"tank": "nowhere"}, 422),
        ({"taken_at": "2026-01-14T08:00:00"}, 422),  # whose time?
        ({"taken_at": (NIGHT + timedelta(days=1)).isoformat()}, 422),
        ({"surface": ["lava"]}, 422),
        ({"unit": "ft in", "value": "3", "inches": "13"}, 422),
        ({"extra": 1}, 422),
        ({"replicate": 0}, 422),
        ({"note": "x" * 2000}, 422),
        ({"unit": "ft in", "value": "3", "inches": "6"}, 201),
        ({"unit": "cm", "value": "110"}, 201),
        ({"value": "3,6"}, 201),
    ],
)
def test_what_is_wrong_with_a_core_is_said(api: httpx.Client, change: dict[str, Any], status: int) -> None:
    answer = api.post("/api/v1/cores", json=entry(**change))
    assert answer.status_code == status, answer.text
    if status != 201:
        problem = answer.json()
        # RFC 9457: type, title, status, detail
        assert {"type", "title", "status", "detail"} <= set(problem)
        assert problem["status"] == status
        assert problem["detail"]


@pytest.mark.parametrize("kind", ["text/plain", "application/xml", ""])
def test_a_core_that_is_not_sent_as_json_is_refused_by_its_type(api: httpx.Client, kind: str) -> None:
    answer = api.post("/api/v1/cores", content=b'{"tank": "east"}', headers={"Content-Type": kind} if kind else {})
    assert (answer.status_code, "application/json" in answer.json()["detail"]) == (415, True)


def test_the_tank_as_it_stands(site: WebSite, api: httpx.Client) -> None:
    site.plant.believe(NIGHT, 0.5, rate=0.1)
    site.plant.core(NIGHT - MINUTE, 3.4)
    [east] = [t for t in api.get("/api/v1/tanks").json()["tanks"] if t["tank"] == "east"]
    assert east["last_core"]["thickness_m"] == 3.4
    assert api.get("/api/v1/tanks/east").json()["label"] == "East clarifier"
    assert api.get("/api/v1/tanks/nowhere").status_code == 404


def test_pages_of_estimates_leave_nothing_out_and_repeat_nothing(site: WebSite, api: httpx.Client) -> None:
    times = [NIGHT + n * MINUTE for n in range(25)]
    site.plant.believe_all(dict.fromkeys(times, 2.0))
    start, seen = (NIGHT - timedelta(hours=1)).isoformat(), []
    end = (NIGHT + timedelta(hours=1)).isoformat()
    for _ in range(10):
        page = api.get("/api/v1/tanks/east/estimates", params={"start": start, "end": end, "limit": 10}).json()
        seen += [datetime.fromisoformat(e["time"]) for e in page["estimates"]]
        if page["next"] is None:
            break
        start = page["next"]
    assert seen == times


def test_a_spike_of_one_reading_shows_however_wide_the_stretch(site: WebSite, api: httpx.Client) -> None:
    """Ten thousand readings on ten pixels: least and greatest survive, an average would not."""
    values = [1.0] * 10_000
    values[5_432] = 3.9
    signal = site.plant.ids.signals["east.blanket"]
    with transaction(site.web.engine) as conn:
        ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT)).store(columns(signal, values, start=NIGHT))
    end = NIGHT + 10_000 * MINUTE
    answer = api.get(
        "/api/v1/signals/east.blanket/readings",
        params={"start": NIGHT.isoformat(), "end": end.isoformat(), "width": 10},
    ).json()
    assert len(answer["buckets"]) == 10
    assert max(b["high"] for b in answer["buckets"]) == 3.9
    assert min(b["low"] for b in answer["buckets"]) == 1.0
    assert sum(b["count"] for b in answer["buckets"]) == 10_000
    assert [b["high"] for b in answer["buckets"]].index(3.9) == 5


def test_exports_are_whole_in_both_forms(site: WebSite, api: httpx.Client) -> None:
    times = [NIGHT + n * MINUTE for n in range(25)]
    site.plant.believe_all(dict.fromkeys(times, 2.0))
    stretch = {"start": (NIGHT - timedelta(days=1)).isoformat(), "end": (NIGHT + timedelta(days=1)).isoformat()}
    sheet = api.get("/api/v1/exports/estimates.csv", params=stretch)
    rows = list(csv.DictReader(io.StringIO(sheet.text)))
    table = pq.read_table(io.BytesIO(api.get("/api/v1/exports/estimates.parquet", params=stretch).content)).to_pylist()
    assert [datetime.fromisoformat(row["time"]) for row in rows] == times
    assert [row["time"].astimezone(UTC) for row in table] == times
    assert [float(row["height_m"]) for row in rows] == [row["height_m"] for row in table] == [2.0] * 25
    assert "attachment" in sheet.headers["content-disposition"]


@pytest.mark.parametrize("words", ['=HYPERLINK("http://example.com")', "+1", "-1+1", "@SUM(A1)", "\t=1", " =1+1"])
def test_no_note_becomes_a_formula(api: httpx.Client, words: str) -> None:
    """OWASP, "CSV Injection": cells that begin with = + - @ tab or return are taken for formulas."""
    assert api.post("/api/v1/cores", json=entry(note=words, taken_by=words)).status_code == 201
    sheet = api.get("/api/v1/exports/cores.csv", params={"end": (NIGHT + timedelta(days=1)).isoformat()}).text
    [row] = list(csv.DictReader(io.StringIO(sheet)))
    assert row["note"].startswith("'")
    assert row["taken_by"].startswith("'")


@pytest.mark.parametrize(
    "address",
    [
        "/api/v1/tanks/east/series?start=yesterday",
        "/api/v1/tanks/east/series?start=2026-01-02T00:00:00Z&end=2026-01-01T00:00:00Z",
        "/api/v1/tanks/east/series?start=0001-01-01T00:00:00Z",
        "/api/v1/tanks/east/series?width=0",
        "/api/v1/tanks/east/series?end=9999-12-31T23:59:59Z",
        "/api/v1/exports/secrets.csv",
        "/api/v1/exports/cores.xls",
        "/api/v1/cores?limit=99999999",
        "/api/v1/nothing",
        "/api/v1/tanks?limit=3",
        "/api/v1/exports/cores.csv?form=1900",
    ],
)
def test_nonsense_is_a_problem_not_a_failure(api: httpx.Client, address: str) -> None:
    answer = api.get(address)
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.headers["content-type"] == "application/problem+json"


def test_the_interface_describes_itself(api: httpx.Client) -> None:
    found = api.get("/api/v1/openapi.json").json()
    assert found["openapi"].startswith("3.")
    assert "/api/v1/cores" in found["paths"]
    assert all(path.startswith("/api/v1/") for path in found["paths"])


@pytest.mark.parametrize("filled_by", [None])  # another plant than usual
@pytest.mark.parametrize("units", ["us", "si"])
def test_a_flow_or_loading_goes_with_the_trend_where_it_is_measured(engine: Engine, units: UnitSystem) -> None:
    with served(engine, units=units, setups=tuple(FLOWING_TANKS)) as site:
        start = store_day(engine, site.plant.ids)
        client = site.client()
        client.headers.update(site.token(Role.VIEWER, Scope.READ))
        stretch: dict[str, str | int] = {"start": start.isoformat(), "end": NIGHT.isoformat(), "width": 300}
        told = client.get("/api/v1/tanks/east/series", params={**stretch, "under": "solids_loading"}).json()["under"]
        # (500 + 250) m3/h of 3.2 kg/m3 on 706.9 m2 in calm, (1000 + 250) in the storm.
        assert told["last"][0] == pytest.approx(3.395, rel=0.02)
        assert max(told["high"]) == pytest.approx(5.659, rel=0.03)
        assert told["unit"] == {"us": "lb/d.ft2", "si": "kg/m2.h"}[units]
        assert told["last"][0] * told["per_si"] == pytest.approx({"us": 16.69, "si": 3.395}[units], rel=0.02)
        assert told["limit_si"] == pytest.approx(8.137379)
        flow = client.get("/api/v1/tanks/east/series", params={**stretch, "under": "flow"}).json()["under"]
        assert max(flow["high"]) == pytest.approx(1000.0 / 3600.0, rel=0.03)
        assert flow["limit_si"] is None
        for key, lane in (("east", None), ("west", "solids_loading")):
            asked = stretch if lane is None else {**stretch, "under": lane}
            assert client.get(f"/api/v1/tanks/{key}/series", params=asked).json()["under"] is None
        assert client.get("/api/v1/tanks/east/series", params={"under": "colour"}).status_code == 422


def test_a_stranger_learns_no_parameters(site: WebSite) -> None:
    answer = site.client().get("/api/v1/cores?tnak=east", headers={"Accept": "application/json"})
    assert answer.status_code == 401
    assert "tnak" not in answer.text


def test_a_mistyped_parameter_is_refused_with_what_the_route_takes(api: httpx.Client) -> None:
    answer = api.get("/api/v1/cores?tnak=east")
    assert answer.status_code == 400
    assert answer.json()["detail"].startswith("Unknown query parameter: tnak. It takes: ")
    assert "tank" in answer.json()["detail"]
    assert api.get("/api/v1/cores?tank=east").status_code == 200
