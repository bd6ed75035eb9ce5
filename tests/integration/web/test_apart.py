"""What somebody does with the pages stays with the pages: a cancelled download, a flood of requests, a range of centuries."""

from __future__ import annotations

import math
import socket
import threading
import time
from collections.abc import Callable
from contextlib import closing
from urllib.parse import urlsplit

import httpx
import pytest
from sqlalchemy import Engine, text

from service.domain.plant.role import Role, Scope
from service.storage.database.partitions import ensure_months
from service.storage.database.session import transaction
from service.web.base import request_limit
from service.web.blanket.board import Board
from service.web.operations import system_pages as shell
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite

#: So long a test waits for what has to happen.
PATIENCE_S = 120.0


def waited(seen: Callable[[], bool], what: str) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + PATIENCE_S
    while not seen():
        assert time.monotonic() < deadline, what
        time.sleep(0.1)


def exports(engine: Engine, condition: str = "true") -> int:
    """How many connections hand something out."""
    asked = f"SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = 'underweir export' AND {condition}"
    with transaction(engine) as conn:
        return int(conn.execute(text(asked)).scalar_one())


def held(engine: Engine) -> int:
    """How many of them the server holds in the midst of COPY: it has rows to send, and the client takes none."""
    return exports(engine, "state = 'active' AND query LIKE 'COPY %' AND wait_event = 'ClientWrite'")


@pytest.fixture
def many_readings(site: WebSite, engine: Engine) -> int:
    """Far more readings than fit between database, service and client: a download is in the midst of COPY till its end."""
    rows = 500_000  # some 30 MB: sockets on one machine take up to ten
    with transaction(engine) as conn:
        first, last = conn.execute(
            text("SELECT timestamptz '2026-01-01 00:00Z', timestamptz '2026-01-01 00:00Z' + :n * interval '1 second'"),
            {"n": rows},
        ).one()
        ensure_months(conn, "reading", first, last)
        conn.execute(text("INSERT INTO batch (connector, origin, received_at) VALUES ('drop', 'x', now())"))
        conn.execute(
            text(
                "INSERT INTO reading (signal_id, time, value, quality, reason, batch_id)"
                " SELECT :signal, :first + n * interval '1 second', 1.0, 0, 0, (SELECT max(id) FROM batch)"
                " FROM generate_series(0, :rows - 1) AS n"
            ),
            {"signal": min(site.web.ids.signals.values()), "first": first, "rows": rows},
        )
    return rows


EXPORT = "/api/v1/exports/readings.csv?start=2026-01-01T00:00:00Z&end=2026-02-01T00:00:00Z"


def begun(site: WebSite, token: dict[str, str]) -> socket.socket:
    """A client that has taken the first bytes of a download, and then takes no more."""
    at = urlsplit(site.url)
    line = socket.create_connection((str(at.hostname), at.port or 80), timeout=PATIENCE_S)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    head = f"GET {EXPORT} HTTP/1.1\r\nHost: x\r\nAuthorization: {token['Authorization']}\r\n\r\n"
    line.sendall(head.encode())
    assert line.recv(2000).startswith(b"HTTP/1.1 200")
    return line


def test_a_cancelled_download_ends_on_the_server_and_every_page_goes_on(
    site: WebSite, engine: Engine, many_readings: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "service.web.api.export.CLIENT_WAIT_S", math.inf
    )  # it ends because the client goes, not with time
    token, client = site.token(Role.VIEWER, Scope.READ), site.client(Role.VIEWER)
    for _ in range(4):  # more than there are turns: each has to come back
        with closing(begun(site, token)):
            waited(lambda: held(engine) == 1, "the download is not in the midst of COPY")
        waited(lambda: exports(engine) == 0, "the cancelled download still holds a connection")
        assert client.get("/").status_code == 200
        assert client.get("/readyz").text == "ready\n"
    whole = httpx.get(f"{site.url}{EXPORT}", headers=token, timeout=PATIENCE_S)
    assert whole.text.count("\n") == many_readings + 1


def test_a_client_that_stops_reading_is_let_go(
    site: WebSite, engine: Engine, many_readings: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.web.api.export.CLIENT_WAIT_S", 1.0)
    with closing(begun(site, site.token(Role.VIEWER, Scope.READ))):
        waited(lambda: held(engine) == 1, "the download is not in the midst of COPY")
        waited(lambda: exports(engine) == 0, "a client that takes nothing holds a connection for ever")


def test_pages_have_connections_of_their_own(site: WebSite, engine: Engine) -> None:
    """With every connection of the pages taken, those of the watch are free, and whoever asks is told so soon."""
    pool = site.web.engine
    assert pool.pool is not engine.pool
    held = []
    try:
        while True:
            held.append(pool.connect())
            if len(held) == 16:
                break
        answer = site.client().get("/readyz")
        assert answer.status_code == 503
        with transaction(engine) as conn:
            assert conn.execute(text("SELECT 1")).scalar_one() == 1
    finally:
        for one in held:
            one.close()
    with transaction(pool) as conn:
        assert conn.execute(text("SHOW statement_timeout")).scalar_one() == "30s"
        # Pages that hang in the midst of a change must not keep its rows from the watch.
        assert conn.execute(text("SHOW idle_in_transaction_session_timeout")).scalar_one() == "10s"
    with transaction(engine) as conn:
        assert conn.execute(text("SHOW statement_timeout")).scalar_one() == "10min"


@pytest.mark.parametrize(
    "path", ["/api/v1/tanks/east/estimates", "/api/v1/exports/estimates.csv", "/api/v1/exports/journal.csv"]
)
def test_centuries_without_data_cost_one_question(site: WebSite, engine: Engine, path: str) -> None:
    site.plant.believe(NIGHT, 1.0)
    asked = 0

    def counted(*_: object) -> None:
        nonlocal asked
        asked += 1

    from sqlalchemy import event

    event.listen(Engine, "before_cursor_execute", counted)
    try:
        answer = httpx.get(
            f"{site.url}{path}?start=1970-01-01T00:00:00Z&end=2200-01-01T00:00:00Z",
            headers=site.token(Role.VIEWER, Scope.READ),
            timeout=PATIENCE_S,
        )
    finally:
        event.remove(Engine, "before_cursor_execute", counted)
    assert answer.status_code == 200
    assert asked < 25
    if "tanks" in path:
        assert len(answer.json()["estimates"]) == 1
        assert answer.json()["next"] is None


def test_sixty_requests_of_one_viewer_leave_room_for_everybody_else(
    site: WebSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    gate = threading.Event()
    usual = Board.view

    def slow(self: Board, **given: object) -> object:
        if not gate.is_set() and threading.current_thread().name != "MainThread":
            gate.wait(PATIENCE_S)
        return usual(self)

    greedy, other = site.token(Role.VIEWER, Scope.READ), site.client(Role.OPERATOR)
    monkeypatch.setattr(Board, "view", slow)
    answers: list[int] = []

    def ask() -> None:
        answers.append(
            httpx.get(f"{site.url}/api/v1/tanks", headers=greedy, timeout=PATIENCE_S, verify=False).status_code
        )

    threads = [threading.Thread(target=ask) for _ in range(60)]
    for thread in threads:
        thread.start()
    try:
        waited(lambda: answers.count(429) == 60 - request_limit.MOST_AT_ONCE, f"too many are let in: {answers}")
        assert other.get("/account").status_code == 200
        assert other.get("/livez").status_code == 200
    finally:
        gate.set()
        for thread in threads:
            thread.join()
    assert sorted(set(answers)) == [200, 429]


def test_the_service_is_not_ready_while_the_overview_hangs(site: WebSite, monkeypatch: pytest.MonkeyPatch) -> None:
    client = site.client()
    assert client.get("/readyz").status_code == 200
    monkeypatch.setattr(shell, "OVERVIEW_WITHIN_S", 0.05)
    board: Board = site.app.state.board
    with board._lock:
        assert client.get("/readyz").status_code == 503
    assert client.get("/livez").status_code == 200


@pytest.mark.parametrize("path", ["/tanks/%00", "/api/v1/tanks/a%00b", "/cores?tank=%00", "/static/%00"])
def test_a_nul_in_an_address_is_nobodys_defect(site: WebSite, path: str) -> None:
    answer = site.client(Role.VIEWER).get(path)
    assert answer.status_code == 400
    assert answer.headers["content-security-policy"]
