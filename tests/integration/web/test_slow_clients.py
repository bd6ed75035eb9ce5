"""Clients that hold a connection without using it are let go; others, and pages that stay open, are not disturbed."""

from __future__ import annotations

import socket
import time
from contextlib import closing
from urllib.parse import urlsplit

import pytest

from service.domain.plant.role import Role, Scope
from service.web.base import request_timeout as patience
from tests.support.web_plant import WebSite

#: So long a test waits for what has to happen.
PATIENCE_S = 300.0


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("HEAD_S", 0.5), ("BODY_S", 0.5), ("CHECK_S", 0.1)):
        monkeypatch.setattr(patience, name, value)


def connected(site: WebSite) -> socket.socket:
    at = urlsplit(site.url)
    assert at.hostname is not None
    return socket.create_connection((at.hostname, at.port or 80), timeout=PATIENCE_S)


def dripped(line: socket.socket, letters: bytes) -> bool:
    """Send a letter now and then; True when the server had enough of it before the end."""
    line.setblocking(False)
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        try:
            line.send(letters)
            if line.recv(1000) == b"":
                return True
        except BlockingIOError:
            time.sleep(0.05)
        except OSError:  # reset
            return True
    return False


def test_whoever_says_nothing_is_let_go(site: WebSite) -> None:
    with closing(connected(site)) as line:
        assert line.recv(100) == b""


def test_a_head_that_drips_is_cut_off(site: WebSite) -> None:
    with closing(connected(site)) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n")
        assert dripped(line, b"X")


def test_a_body_that_drips_is_cut_off(site: WebSite) -> None:
    token = site.token(Role.OPERATOR, Scope.PUSH)
    with closing(connected(site)) as line:
        head = (
            "POST /api/v1/readings HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
            f"Authorization: {token['Authorization']}\r\nContent-Length: 100000\r\n\r\n["
        )
        line.sendall(head.encode())
        assert dripped(line, b" ")


def test_many_who_drip_keep_nobody_out(site: WebSite) -> None:
    held = [connected(site) for _ in range(50)]
    try:
        for line in held:
            line.sendall(b"GET / HTTP/1.1\r\n")
        assert site.client().get("/livez").status_code == 200
        for line in held:
            assert line.recv(100) == b""
        assert site.client().get("/livez").status_code == 200
    finally:
        for line in held:
            line.close()


def test_an_open_page_stays_open(site: WebSite) -> None:
    client = site.client(Role.VIEWER)
    with client.stream("GET", "/live") as news:
        assert news.status_code == 200
        until = time.monotonic() + 1.5  # longer than any of the limits here
        pieces = news.iter_raw()
        while time.monotonic() < until:
            assert next(pieces)


def test_a_kept_connection_serves_several_requests(site: WebSite) -> None:
    client = site.client()
    for _ in range(3):
        assert client.get("/livez").status_code == 200
        time.sleep(0.2)
