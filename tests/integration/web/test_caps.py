"""Whatever is asked for, an answer ends: each page and each answer for programs, with the longest range and far more rows than it shows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import UUID

import httpx
import pytest
from fastapi.routing import APIRoute
from sqlalchemy import Connection, text

from service.alarms.machine import Event
from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.alarms.evaluate import evaluate
from service.reports.alarm_definitions import MOST_CHANGES
from service.storage.cores.cores import current_cores, insert_core
from service.storage.database.session import transaction
from service.storage.reports.shift_notes import MOST_LINES, NoteKind, NoteRecord, add_note
from service.web.api import export
from service.web.app import ROUTERS
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.plant import core_record
from tests.support.web_plant import WebSite

#: Of whatever grows there is so much: without a cap it would take more than any answer may.
ROWS = 6_000
#: Work on one sensor, each a visit with tools, is listed whole.
WORKS = 300
ALL_TIME = {"start": "1970-01-01T00:00:00Z", "end": "2200-01-01T00:00:00Z"}
#: The longest that may be asked for, by route; a route with a range or a number that is not here fails the test below.
LONGEST: dict[str, dict[str, str]] = {
    "/figures": {"months": "36"},
    "/sensors/{tag:path}": {"days": "36600"},
    "/tanks/{key}/what-if": {"hours": "72"},
    "/api/v1/tanks/{key}/estimates": {**ALL_TIME, "limit": "5000"},
    "/api/v1/tanks/{key}/series": {**ALL_TIME, "width": "4000"},
    "/api/v1/signals/{tag}/readings": {**ALL_TIME, "width": "4000"},
    "/api/v1/cores": {**ALL_TIME, "limit": "5000"},
    "/api/v1/rounds": {**ALL_TIME, "limit": "2000"},
    "/api/v1/laboratory": {**ALL_TIME, "limit": "2000"},
    "/laboratory/values.csv": {"days": "400"},
    "/api/v1/journal": {**ALL_TIME, "limit": "5000"},
}
#: What makes an answer longer.
RANGES = {"start", "end", "limit", "width", "days", "months", "hours", "count", "size"}
#: Pieces that end with the client, of tables that are handed out whole; their pieces have a test of their own.
WHOLE = {"/api/v1/exports/{what}.{form}"}
#: No answer of its own size: it never ends, or leads to a provider that is not there.
LEFT_OUT = {"/live", "/sign-in/single", "/sign-in/single/done"}
#: The longest are, of pages, a shift in which somebody logs a core every twenty seconds, and 5,000 cores for a program. [byte]
MOST_PAGE, MOST_ANSWER = 800_000, 2_000_000


def multiply(conn: Connection, table: str, count: int = ROWS, where: str = "true", **changed: str) -> None:
    """Write a row of a table so many times, with other values, in SQL, in the columns named; n counts."""
    named = conn.execute(
        text("SELECT column_name FROM information_schema.columns WHERE table_name = :table AND is_identity = 'NO'"),
        {"table": table},
    )
    columns = list(named.scalars())
    values = ", ".join(changed.get(column, f"one.{column}") for column in columns)
    conn.execute(
        text(
            f"INSERT INTO {table} ({', '.join(columns)}) SELECT {values}"
            f" FROM (SELECT * FROM {table} WHERE {where} LIMIT 1) AS one, generate_series(1, {count}) AS n"
        )
    )


def fill(site: WebSite) -> None:
    engine, ids = site.plant.engine, site.plant.ids
    for minute in range(4):
        now = NIGHT + minute * MINUTE
        site.plant.believe(now, 2.0 if minute == 0 else 0.3)
        evaluate(engine, site.plant.model, projected={}, now=now)
    site.token(Role.VIEWER, Scope.READ)
    site.client(Role.VIEWER)
    signal = ids.signals["east.blanket"]
    back = "one.{} - n * interval '20 seconds'"
    with transaction(engine) as conn:
        insert_core(conn, core_record(ids, taken_at=NIGHT))
        conn.execute(
            text(
                "INSERT INTO calibration (id, signal_id, at, recorded_at, kind, done_by, reason, note)"
                " VALUES (gen_random_uuid(), :signal, :at, :at, 'cleaning', 'R. Okafor', '', 'wiped the lens')"
            ),
            {"signal": signal, "at": NIGHT},
        )
        conn.execute(
            text(
                "INSERT INTO shift_note (id, shift_start, recorded_at, kind, author, note)"
                " VALUES (gen_random_uuid(), :at, :at, 'note', 'R. Okafor', 'scum on the east clarifier')"
            ),
            {"at": NIGHT.replace(minute=0)},
        )
        conn.execute(
            text(
                "INSERT INTO laboratory_result (id, kind, taken_at, recorded_at, value, taken_by, note, typed_value, typed_unit,"
                " source, warnings) VALUES (gen_random_uuid(), 'mixed_liquor_solids', :at, :at, 2.4, 'R. Okafor',"
                " 'second crucible', 2400, 'mg/L', 'page, okafor', '{}')"
            ),
            {"at": NIGHT},
        )
        conn.execute(
            text(
                "INSERT INTO surface_round (id, tank_id, taken_at, recorded_at, words, taken_by, note, source)"
                " VALUES (gen_random_uuid(), :tank, :at, :at, '{scum,algae}', 'R. Okafor', 'brushes worn', 'page, okafor')"
            ),
            {"tank": ids.tanks["east"], "at": NIGHT},
        )
        multiply(conn, "surface_round", id="gen_random_uuid()", taken_at=back.format("taken_at"))
        multiply(conn, "laboratory_result", id="gen_random_uuid()", taken_at=back.format("taken_at"))
        multiply(conn, "hand_core", id="gen_random_uuid()", taken_at=back.format("taken_at"))
        multiply(conn, "calibration", WORKS, id="gen_random_uuid()", at="one.at - n * interval '1 hour'")
        multiply(conn, "shift_note", MOST_LINES - 1, id="gen_random_uuid()")
        multiply(conn, "estimate", time=back.format("time"))
        multiply(conn, "alarm_event", at=back.format("at"), recorded_at=back.format("recorded_at"))
        multiply(conn, "alarm_event", event=f"'{Event.REDEFINED.value}'", at=back.format("at"))
        multiply(conn, "audit_event", at=back.format("at"))
        multiply(conn, "api_token", token_hash="'token ' || n")
        multiply(conn, "web_session", token_hash="'session ' || n")
        multiply(conn, "outbox", key="'message ' || n", created_at=back.format("created_at"))


def gets() -> list[APIRoute]:
    return [
        route
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute) and "GET" in (route.methods or ())
    ]


def address(path: str, core: str) -> str:
    named = {
        "key": "east",
        "tag": "east.blanket",
        "name": "east.high-high",
        "form": "xlsx",
        "span": "monthly",
        "core_id": core,
        "calibration_id": core,
    }
    return re.sub(r"\{(\w+)(?::path)?\}", lambda found: named.get(found[1], "x"), path)


def asked(client: httpx.Client, path: str, params: dict[str, str]) -> httpx.Response:
    """The answer; a page that had no time on a machine that is busy says so, and is asked again."""
    for _ in range(20):
        answer = client.get(path, params=params)
        if answer.status_code != 503:
            break
    return answer


def test_each_route_with_a_range_stands_in_the_table() -> None:
    ranged = {route.path for route in gets() if RANGES & {p.name for p in route.dependant.query_params}}
    assert ranged == LONGEST.keys() | WHOLE


@pytest.mark.slow
def test_every_answer_ends_whatever_there_is(site: WebSite) -> None:
    fill(site)
    people = {role: site.client(role) for role in (Role.VIEWER, Role.ADMINISTRATOR)}
    program = httpx.Client(base_url=site.url, headers=site.token(Role.VIEWER, Scope.READ, Scope.METRICS), timeout=300)
    site.clients.append(program)
    with transaction(site.plant.engine) as conn:
        core = conn.execute(text("SELECT id FROM hand_core LIMIT 1")).scalar_one()
    sizes: dict[str, int] = {}
    wrong: list[tuple[str, int, int]] = []
    for route in gets():
        if route.path in LEFT_OUT | WHOLE:
            continue
        api = route.path.startswith("/api/")
        for client in [program] if api else people.values():
            answer = asked(client, address(route.path, str(core)), LONGEST.get(route.path, {}))
            size = len(answer.content)
            sizes[route.path] = max(size, sizes.get(route.path, 0))
            told = api or route.path.endswith(".json")
            if size > (MOST_ANSWER if told else MOST_PAGE) or answer.status_code == 500:
                wrong.append((route.path, answer.status_code, size))
    assert wrong == []
    assert sizes["/api/v1/journal"] > 500_000, "the rows were there"


def test_what_changed_of_a_definition_is_told_so_often_and_said_to_go_on(site: WebSite) -> None:
    fill(site)
    client = site.client(Role.VIEWER)
    for path in ("/definitions", "/definitions.csv"):
        shown = client.get(path).text
        assert shown.count(f": {Event.REDEFINED.value}") == MOST_CHANGES
        assert shown.count(f"Only the newest {MOST_CHANGES} changes are listed") == 1


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_estimates_of_many_tanks_are_handed_out_whole_and_read_a_few_at_a_time(
    site: WebSite, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """A week of a hundred tanks is a million estimates, which no memory of ours has to hold at once."""
    monkeypatch.setattr(export, "ESTIMATES_AT_ONCE", 50)
    read = []
    usual = export._ROWS["estimates"]

    def noted(*given: object) -> Iterator[list[export.Row]]:
        for part in usual(*given):  # type: ignore[arg-type]
            read.append(len(part))
            yield part

    monkeypatch.setitem(export._ROWS, "estimates", noted)
    site.plant.believe(NIGHT, 1.0)
    with transaction(site.plant.engine) as conn:
        multiply(conn, "estimate", 777, time="one.time - n * interval '20 seconds'")
    answer = site.client(Role.VIEWER).get(f"/api/v1/exports/estimates.{form}", params=ALL_TIME)
    assert answer.status_code == 200
    if form == "csv":
        assert len(set(answer.text.splitlines())) == 778 + 1
    assert (sum(read), max(read)) == (778, 50)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_cores_are_handed_out_whole_and_read_a_few_at_a_time(
    site: WebSite, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    monkeypatch.setattr(export, "CORES_AT_ONCE", 2)
    read = []

    def noted(*given: object, **named: object) -> list[object]:
        read.append(current_cores(*given, **named))  # type: ignore[arg-type]
        return list(read[-1])

    monkeypatch.setattr(export, "current_cores", noted)
    times = [0, 1, 1, 1, 2, 3, 4]  # three of one moment are never parted, nor told twice
    with transaction(site.plant.engine) as conn:
        for hours in times:
            insert_core(conn, core_record(site.plant.ids, taken_at=NIGHT - timedelta(hours=hours)))
    answer = site.client(Role.VIEWER).get(f"/api/v1/exports/cores.{form}", params=ALL_TIME)
    assert answer.status_code == 200
    if form == "csv":
        assert len(set(answer.text.splitlines())) == len(times) + 1
    assert sorted(len(part) for part in read) == [0, 1, 2, 4]
    assert sum(len(part) for part in read) == len(times)


def test_a_shift_takes_so_many_lines_and_says_so(site: WebSite) -> None:
    def write(number: int, start: datetime = NIGHT) -> bool:
        record = NoteRecord(
            id=UUID(int=number + int(start.timestamp()) * 1000),
            shift_start=start,
            recorded_at=NIGHT,
            kind=NoteKind.NOTE,
            author="R. Okafor",
            note="scum",
        )
        with transaction(site.plant.engine) as conn:
            return add_note(conn, record)

    assert all(write(number) for number in range(MOST_LINES))
    with pytest.raises(InputError, match="takes no more"):
        write(MOST_LINES)
    assert not write(0), "sent a second time it is known, not refused"
    assert write(0, NIGHT + timedelta(hours=12))
