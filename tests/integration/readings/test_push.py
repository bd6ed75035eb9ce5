"""Posting readings: tokens, JSON and CSV, a verdict on every row, nothing twice."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from requests import Response, Session
from sqlalchemy import Engine, text

from service.domain.plant.reading import Quality
from service.domain.plant.role import Role, Scope
from service.jobs.accounts.people import add, issue_token
from service.jobs.alarms.setup import AlarmSetup
from service.notify.messages.facts import SitePresentation
from service.notify.messages.links import AlarmLinks
from service.storage.database.session import transaction
from service.storage.readings.connector_state import connector_health
from service.storage.readings.readings import readings_between
from service.web.app import create_app
from service.web.base.plant import WebPlant
from service.web.server import WebServer, bind_socket
from tests.support.ingest_victim import plant as described_plant
from tests.support.plant import NIGHT, NOON, describe

SECRET = b"a secret for tests, and nothing else"
Post = Callable[..., Response]


@pytest.fixture
def url(engine: Engine) -> Iterator[str]:
    """Where a server of this test's own takes readings."""
    with transaction(engine) as conn:
        describe(conn)
    described = described_plant(engine)
    zone = ZoneInfo("America/New_York")
    plant = WebPlant(
        engine=engine,
        name="Invented",
        units="si",
        zone=zone,
        setups=described.setups,
        signals=described.signals,
        ids=described.ids,
        alarms=AlarmSetup(
            definitions=(),
            contacts=(),
            site=SitePresentation(name="Invented", zone=zone, public_url=None),
            units="si",
            channels=frozenset(),
        ),
        connectors=(),
        secret=SECRET,
        links=AlarmLinks(SECRET, None),
        clock=lambda: NOON,
    )
    server = WebServer(create_app(plant), bind_socket("127.0.0.1", 0))
    server.start()
    yield f"{server.address}/api/v1/readings"
    server.stop()


def token(engine: Engine, role: Role = Role.OPERATOR, *scopes: Scope, name: str = "gateway") -> str:
    add(engine, name=name, label="Gateway (invented)", role=role, password=None, now=NOON, actor="test")
    return issue_token(engine, name, purpose="test", scopes=scopes or (Scope.PUSH,), now=NOON, actor="test")


@pytest.fixture
def post(url: str, engine: Engine) -> Iterator[Post]:
    secret = token(engine)
    session = Session()

    def send(body: Any, kind: str = "application/json", status: int = 200) -> Response:
        content = body if isinstance(body, str | bytes) else json.dumps(body)
        answer = session.post(
            url, data=content, headers={"Authorization": f"Bearer {secret}", "Content-Type": kind}, timeout=30
        )
        assert answer.status_code == status, answer.text
        return answer

    yield send
    session.close()


def row(value: object = 1.5, minute: int = 0, tag: str = "LT-E", **more: object) -> dict[str, object]:
    return {"tag": tag, "time": (NIGHT + timedelta(minutes=minute)).isoformat(), "value": value, **more}


def stored(engine: Engine, tag: str = "LT-E") -> list[tuple[datetime, float, Quality]]:
    number = described_plant(engine).ids.signals[tag]
    with transaction(engine) as conn:
        found = readings_between(conn, [number], NIGHT, NOON)
    return [(r.time, r.value, r.quality) for r in found.readings({number: tag})]


def verdicts(answer: Response) -> list[str]:
    return [found["verdict"] for found in answer.json()["rows"]]


def test_stored_then_duplicate_then_revised(post: Post, engine: Engine) -> None:
    first = post({"readings": [row(1.5), row(1.6, 1)]}).json()
    assert (first["stored"], first["duplicate"], first["revised"], first["rejected"]) == (2, 0, 0, 0)
    assert verdicts(post({"readings": [row(1.5), row(1.6, 1)]})) == ["duplicate", "duplicate"]
    assert verdicts(post([row(1.5), row(1.7, 1), row(1.8, 2)])) == ["duplicate", "revised", "stored"]
    assert [v for _, v, _ in stored(engine)] == [1.5, 1.7, 1.8]
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT count(*) FROM reading_revision")).scalar_one() == 1


def test_units_and_qualities(post: Post, engine: Engine) -> None:
    answer = post([row(100.0, unit="cm"), row(None, 1, quality="bad"), row(2, 2, quality="Uncertain")])
    assert verdicts(answer) == ["stored"] * 3
    assert [q for *_, q in stored(engine)] == [Quality.GOOD, Quality.BAD, Quality.UNCERTAIN]
    assert stored(engine)[0][1] == pytest.approx(1.0)
    assert verdicts(post([row(None, 1, quality="bad")])) == ["duplicate"], "no number equals no number"


def test_a_signal_in_feet_is_kept_in_metres(post: Post, engine: Engine) -> None:
    post([row(10.0, tag="LT-W"), row(2.0, 1, tag="LT-W", unit="m")])
    assert [v for _, v, _ in stored(engine, "LT-W")] == pytest.approx([3.048, 2.0])


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (row(tag="LT-X"), "no signal of the site file is called 'LT-X'"),
        (row() | {"tag": None}, "no signal"),
        (row() | {"time": "2026-03-14T22:00:00"}, "no offset from UTC"),
        (row() | {"time": "yesterday"}, "no time"),
        (row() | {"time": 1773525600}, "write it as text"),
        (row() | {"time": "1999-12-31T00:00:00Z"}, "before 2000"),
        (row() | {"time": "2026-03-17T00:00:00Z"}, "more than a day ahead"),
        (row() | {"time": "0001-01-01T00:00:00+23:59"}, "beyond the calendar"),
        (row("1,5"), "decimals have a point"),
        (row(True), "no number"),
        (row([1]), "no number"),
        (row("NaN"), "set the quality to bad"),
        (row(None), "value is missing"),
        (row("1" * 400), "no number"),
        (row(unit="MGD"), "cannot convert"),
        (row(unit="furlong"), "unknown unit"),
        (row(quality="fine"), '"good", "uncertain" or "bad"'),
        (row(sensor=3), "no field 'sensor'"),
        ("not a row", "no object"),
    ],
)
def test_a_bad_row_is_rejected_with_its_reason_and_the_others_go_through(
    bad: object, said: str, post: Post, engine: Engine
) -> None:
    answer = post([row(1.0), bad, row(2.0, 1)])
    assert verdicts(answer) == ["stored", "rejected", "stored"]
    assert said in answer.json()["rows"][1]["reason"]
    assert len(stored(engine)) == 2
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT accepted, rejected FROM batch")).one() == (2, 1)


def test_the_same_key_twice_in_one_batch(post: Post, engine: Engine) -> None:
    assert verdicts(post([row(1.0), row(1.0), row(2.0)])) == ["stored", "duplicate", "revised"]
    assert [v for _, v, _ in stored(engine)] == [2.0]


def test_csv_with_its_header(post: Post, engine: Engine) -> None:
    sent = (
        "\ufeffTag,Time,Value,Unit,Quality\r\n"
        f"LT-E,{NIGHT.isoformat()},1.5,,\r\n"
        f"LT-E,{(NIGHT + timedelta(minutes=1)).isoformat()},,,bad\r\n"
        f"LT-E,{(NIGHT + timedelta(minutes=2)).isoformat()},abc,,\r\n"
        f"LT-E,{(NIGHT + timedelta(minutes=3)).isoformat()},1,,,surplus\r\n"
    )
    answer = post(sent, "text/csv; charset=utf-8")
    assert verdicts(answer) == ["stored", "stored", "rejected", "rejected"]
    assert stored(engine)[0][1] == 1.5


@pytest.mark.parametrize(
    ("body", "kind", "status", "said"),
    [
        ("{", "application/json", 422, "not JSON"),
        ('{"values": []}', "application/json", 422, "readings"),
        (b"\xff\xfe", "text/csv", 422, "UTF-8"),
        ("time,value\n", "text/csv", 422, "lacks tag"),
        ("", "text/csv", 422, "lacks tag, time, value"),
        ('tag,time,value\n"a', "text/csv", 422, "not CSV"),
        ("<xml/>", "application/xml", 415, "application/json or text/csv"),
        (json.dumps([{}] * 10_001), "application/json", 413, "At most 10000"),
        (b" " * (8 * 1024 * 1024 + 1), "application/json", 413, "MiB"),
        ("[" * 100_000, "application/json", 422, "not JSON"),
    ],
)
def test_what_cannot_be_read_at_all(body: str | bytes, kind: str, status: int, said: str, post: Post) -> None:
    answer = post(body, kind, status)
    assert said in answer.json()["detail"]


def test_an_empty_batch_is_no_mistake(post: Post) -> None:
    assert post({"readings": []}).json() == {"stored": 0, "duplicate": 0, "revised": 0, "rejected": 0, "rows": []}


@pytest.mark.parametrize(
    ("role", "scope", "status"),
    [
        (Role.OPERATOR, Scope.PUSH, 200),
        (Role.OPERATOR, Scope.READ, 403),
        (Role.VIEWER, Scope.PUSH, 403),
    ],
)
def test_only_tokens_for_pushing_open_it(role: Role, scope: Scope, status: int, url: str, engine: Engine) -> None:
    headers = {"Authorization": f"Bearer {token(engine, role, scope)}"}
    with Session() as session:
        assert session.post(url, json=[row()], headers=headers, timeout=300).status_code == status


@pytest.mark.parametrize("headers", [{}, {"Authorization": "Bearer uw_nonsense"}, {"Authorization": "Basic eDp5"}])
def test_strangers_stay_outside(headers: dict[str, str], url: str) -> None:
    with Session() as session:
        assert session.post(url, json=[row()], headers=headers, timeout=300).status_code == 401


def test_what_was_pushed_shows_in_the_health_of_sources(post: Post, engine: Engine) -> None:
    post([row(1.0), row(2.0, 1)])
    with transaction(engine) as conn:
        (health,) = connector_health(conn)
    assert (health.connector, health.delivered) == ("push", 2)
    assert health.last_good_at == NOON
    assert health.last_sample_at == NIGHT + timedelta(minutes=1)


def test_a_database_that_refuses_is_a_plain_500(post: Post, engine: Engine) -> None:
    post([row()])
    with transaction(engine) as conn:
        conn.execute(text("ALTER TABLE reading RENAME TO reading_gone"))
    answer = post([row(2.0)], status=500)
    assert answer.headers["content-type"] == "application/problem+json"
    assert "reading" not in answer.json()["detail"], "our inside stays inside"
