"""What the service's starter is told, over a real datagram socket."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import readiness


@pytest.fixture
def starter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind(str(tmp_path / "notify"))
        channel.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield channel


def test_each_state_is_one_datagram(starter: socket.socket) -> None:
    assert readiness.notify(readiness.READY, "watching Alder Creek\nWATCHDOG=1")
    assert starter.recv(4096) == b"READY=1\nSTATUS=watching Alder Creek WATCHDOG=1"
    assert readiness.notify(readiness.ALIVE)
    assert starter.recv(4096) == b"WATCHDOG=1"


def test_an_abstract_address_is_understood(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    name = f"underweir-test-{tmp_path}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind("\0" + name)
        channel.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", "@" + name)
        assert readiness.notify(readiness.STOPPING)
        assert channel.recv(4096) == b"STOPPING=1"


@pytest.mark.parametrize("address", ["", "vsock:2:1234", "/nowhere/notify"])
def test_where_nobody_listens_nothing_happens(monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert not readiness.notify(readiness.READY)
