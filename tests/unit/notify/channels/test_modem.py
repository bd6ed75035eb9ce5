"""The dialogue with a modem, line by line (3GPP TS 27.005), and the address a webhook really connects to."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from service.calls.retry import Failure
from service.notify.channels.base import Message, Receipt
from service.notify.channels.sms_modem import GsmModem, Incoming, ModemNotifier
from service.notify.channels.sms_pdu import submit
from service.notify.channels.ssrf_guard import AddressRefused, _at_checked_address, checked_address, guarded_adapter

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)
OK = b"\r\nOK\r\n"


class Line:
    """A serial line with a modem at its end: what it answers to each command, and what it was told."""

    def __init__(self, answers: dict[bytes, bytes | Exception]) -> None:
        self.answers, self.told, self.heard, self.closed = answers, list[bytes](), b"", False
        self.silent = dict[bytes, int]()  #: to which command it says nothing at first, for so many looks
        self.waits = 0

    def write(self, data: bytes) -> None:
        self.told.append(data)
        self.waits = next((looks for begin, looks in self.silent.items() if data.startswith(begin)), 0)
        for begin, answer in self.answers.items():
            if data.startswith(begin):
                if isinstance(answer, Exception):
                    raise answer
                self.heard += answer
                return
        if data.startswith(b"AT"):
            self.heard += OK

    @property
    def in_waiting(self) -> int:
        return 0 if self.waits else len(self.heard)

    def read(self, size: int) -> bytes:
        if self.waits:
            self.waits -= 1
            return b""
        given, self.heard = self.heard[:size], self.heard[size:]
        return given

    def reset_input_buffer(self) -> None:
        self.heard = b""

    def close(self) -> None:
        self.closed = True


Plug = Callable[..., tuple[ModemNotifier, Line]]


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch) -> Plug:
    def plug(answers: dict[bytes, bytes | Exception] | None = None, **modem: Any) -> tuple[ModemNotifier, Line]:
        usual: dict[bytes, bytes | Exception] = {b"AT+CMGS": b"\r\n> ", b"00": b"\r\n+CMGS: 7\r\n" + OK}
        line = Line((answers or {}) | {k: v for k, v in usual.items() if k not in (answers or {})})
        opened = list[tuple[Any, ...]]()

        def open_line(*given: Any, **more: Any) -> Line:
            opened.append(given)
            assert (more["timeout"], more["write_timeout"]) == (0.2, 0.4)
            return line

        monkeypatch.setattr(serial, "Serial", open_line)
        notifier = ModemNotifier(GsmModem(port="/dev/x", **{"timeout": 0.4, "network_timeout": 0.6} | modem))
        line.opened = opened  # type: ignore[attr-defined]
        return notifier, line

    return plug


def send(notifier: ModemNotifier, text: str = "DANGER", to: str = "+15550100199") -> Receipt:
    return notifier.send(Message(key="k", recipient=to, subject="s", text=text, created_at=NOW), NOW)


def test_a_message_is_handed_over_in_pdu_mode_over_one_open_line(plugged: Plug) -> None:
    notifier, line = plugged()
    assert send(notifier).answer == "+CMGS: 7 OK"
    unit = submit("+15550100199", "DANGER")
    assert line.told == [
        b"\x1b\r", b"AT\r", b"ATE0\r", b"AT+CMGF=0\r", f"AT+CMGS={unit.length}\r".encode(), unit.pdu.encode() + b"\x1a"
    ]  # fmt: skip
    assert send(notifier).sent
    assert line.opened == [("/dev/x", 115_200)]  # type: ignore[attr-defined]
    notifier.close()
    assert line.closed
    notifier.close()


def test_a_locked_card_is_opened_with_its_pin_and_an_open_one_left_alone(plugged: Plug) -> None:
    notifier, line = plugged({b"AT+CPIN?": b"\r\n+CPIN: SIM PIN\r\n" + OK}, pin="1234")
    assert send(notifier).sent
    assert b'AT+CPIN="1234"\r' in line.told
    notifier, line = plugged({b"AT+CPIN?": b"\r\n+CPIN: READY\r\n" + OK}, pin="1234")
    assert send(notifier).sent
    assert not any(b"1234" in said for said in line.told)
    notifier, line = plugged(
        {b"AT+CPIN=": b"\r\n+CME ERROR: 16\r\n", b"AT+CPIN?": b"\r\n+CPIN: SIM PIN\r\n" + OK}, pin="1234"
    )
    assert send(notifier).failure is Failure.SIGN_IN
    assert line.closed


@pytest.mark.parametrize(
    ("answers", "failure"),
    [
        ({b"AT+CMGS": b"\r\n+CMS ERROR: 305\r\n"}, Failure.RECIPIENT_REFUSED),
        ({b"00": b"\r\n+CMS ERROR: 42\r\n"}, Failure.RATE_LIMITED),
        ({b"ATE0": b"\r\nERROR\r\n"}, Failure.TEMPORARY),
        ({b"AT\r": b""}, Failure.TIMED_OUT),
        ({b"AT+CMGS": b""}, Failure.TIMED_OUT),
        ({b"00": b""}, Failure.BROKE_OFF),
        ({b"00": b"noise" * 20_000}, Failure.BROKE_OFF),
        ({b"AT+CMGS": serial.SerialException("gone")}, Failure.UNREACHABLE),
        ({b"00": OSError("gone")}, Failure.BROKE_OFF),
    ],
)
def test_after_the_text_was_handed_over_nobody_knows_whether_it_was_taken(
    plugged: Plug, answers: dict[bytes, bytes | Exception], failure: Failure
) -> None:
    notifier, line = plugged(answers)
    assert send(notifier).failure is failure
    if failure in (Failure.TIMED_OUT, Failure.BROKE_OFF, Failure.UNREACHABLE):
        assert line.closed
        assert notifier._line is None


def test_a_slow_modem_has_its_whole_time_and_what_lay_in_the_line_is_no_answer(plugged: Plug) -> None:
    """Given up a moment too early, the message goes out, and again."""
    notifier, line = plugged()
    line.heard = b"\r\nERROR\r\n"
    line.silent = {b"AT\r": 1, b"00": 2}  # of two looks at the line, and of three
    assert send(notifier).sent
    notifier, line = plugged()
    line.silent = {b"AT\r": 2}
    assert send(notifier).failure is Failure.TIMED_OUT


def test_a_modem_that_was_pulled_out_is_let_go_of(plugged: Plug, monkeypatch: pytest.MonkeyPatch) -> None:
    notifier, line = plugged()
    assert send(notifier).sent

    def gone() -> None:
        raise OSError("gone")

    monkeypatch.setattr(line, "close", gone)
    notifier.close()
    assert notifier._line is None


def test_a_number_that_is_none_never_reaches_the_modem(plugged: Plug) -> None:
    notifier, line = plugged()
    assert send(notifier, to="nobody").failure is Failure.UNUSABLE_ADDRESS
    assert line.told == []
    assert send(notifier, text="x" * 500).sent  # cut to one part


DELIVER = b"07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37"


def test_what_lies_in_the_modem_is_read_once_known_by_its_unit_and_deleted_by_its_place(plugged: Plug) -> None:
    listed = b"\r\n+CMGL: 3,1,,28\r\n" + DELIVER + b"\r\n+CMGL: 4,1,,2\r\n00FF\r\n" + OK
    notifier, line = plugged({b"AT+CMGL": listed})
    [found] = notifier.incoming()
    assert (found.index, found.sender, found.text) == (3, "27838890001", "hellohello")
    assert found == notifier.incoming()[0]
    assert len(found.id) == 24
    notifier.forget(found)
    assert line.told[-1] == b"AT+CMGD=3\r"
    assert not line.closed


@pytest.mark.parametrize("answer", [b"\r\nERROR\r\n", b"", OSError("gone")])
def test_a_modem_that_does_not_list_or_delete_is_asked_anew_later(plugged: Plug, answer: bytes | Exception) -> None:
    notifier, line = plugged({b"AT+CMGL": answer, b"AT+CMGD": answer})
    assert notifier.incoming() == []
    assert line.closed
    notifier.forget(Incoming(index=1, id="x", sender="y", text="z"))
    assert notifier._line is None


def test_greeting_looks_whether_the_line_may_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "modem"
    notifier = ModemNotifier(GsmModem(port=str(port)))
    assert (notifier.greet().failure, notifier.greet().answer) == (Failure.UNREACHABLE, f"{port} is not there")
    port.touch()
    assert notifier.greet().sent
    asked = list[int]()
    monkeypatch.setattr(os, "access", lambda path, mode: asked.append(mode))
    assert notifier.greet().failure is Failure.UNREACHABLE
    assert asked == [os.R_OK | os.W_OK]


# --- where a webhook connects to --------------------------------------------------------------------------------------


def resolving(monkeypatch: pytest.MonkeyPatch, *addresses: str) -> list[tuple[Any, ...]]:
    asked = list[tuple[Any, ...]]()

    def look_up(host: str, port: int, type: socket.SocketKind) -> list[Any]:
        asked.append((host, port, type))
        return [(socket.AF_INET, type, 6, "", (address, port)) for address in addresses]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    return asked


def test_the_connection_goes_to_the_very_address_that_was_checked(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = resolving(monkeypatch, "93.184.215.14", "93.184.215.15")
    connection = SimpleNamespace(_dns_host="hook.example.org", port=443)
    assert _at_checked_address(connection, lambda: connection._dns_host, False) == "93.184.215.14"  # type: ignore[comparison-overlap]
    assert connection._dns_host == "hook.example.org"  # certificates are checked against the name
    assert asked == [("hook.example.org", 443, socket.SOCK_STREAM)]

    def fails() -> socket.socket:
        raise OSError

    with pytest.raises(OSError):  # noqa: PT011
        _at_checked_address(connection, fails, False)
    assert connection._dns_host == "hook.example.org"


def test_a_name_that_leads_to_both_kinds_of_addresses_is_a_trick(monkeypatch: pytest.MonkeyPatch) -> None:
    resolving(monkeypatch, "93.184.215.14", "169.254.169.254")
    with pytest.raises(AddressRefused, match=r"x leads to 169\.254\.169\.254, which is link-local"):
        checked_address("x", 80, private=True)
    resolving(monkeypatch, "10.0.0.1")
    assert checked_address("x", 80, private=True) == "10.0.0.1"
    with pytest.raises(AddressRefused):
        checked_address("x", 80, private=False)
    asked = resolving(monkeypatch, "fe80::1%eth0")
    with pytest.raises(AddressRefused):
        checked_address("[fe80::1]", 80, private=True)
    assert asked[0][0] == "fe80::1"


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_an_adapter_refuses_to_connect_where_messages_must_not_go(monkeypatch: pytest.MonkeyPatch, scheme: str) -> None:
    resolving(monkeypatch, "127.0.0.1")
    pool = guarded_adapter(private=False).poolmanager.connection_from_url(f"{scheme}://hook.example.org/")
    with pytest.raises(AddressRefused):
        pool._new_conn()._new_conn()
