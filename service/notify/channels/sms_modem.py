"""Sends and receives SMS through a GSM modem on a serial line (AT commands of 3GPP TS 27.005), for plants without internet."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
from dataclasses import dataclass
from datetime import datetime

import serial

from service.calls.retry import Failure
from service.notify.channels import gsm7
from service.notify.channels.base import Message, Receipt
from service.notify.channels.sms_pdu import deliver, submit

_CTRL_Z, _ESC = b"\x1a", b"\x1b"
#: One look at the line [s].
_READ_WITHIN = 0.2
_FINAL = re.compile(rb"(?:^|\r\n)(OK|ERROR|\+CM[ES] ERROR: [^\r\n]*)\r\n")

# Cause values of TS 24.011 annex E-2 and TS 27.005 section 3.2.5 (from memory): what will be the same tomorrow.
_NEVER = frozenset({1, 8, 10, 28, 29, 30, 50, 69, 96, 305})
#: The SIM card is missing, locked or dead: a person must come.
_SIM = frozenset({310, 311, 312, 313, 315, 316, 317, 318})


@dataclass(frozen=True, slots=True, kw_only=True)
class GsmModem:
    """Where the modem is. ``timeout`` is for a plain command, ``network_timeout`` for handing a message to the network [s]."""

    port: str
    baud: int = 115_200
    pin: str | None = None
    timeout: float = 5.0
    network_timeout: float = 60.0

    def __repr__(self) -> str:
        return f"GsmModem({self.port}, {self.baud})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """A message stored in the modem."""

    index: int
    id: str
    sender: str
    text: str


class ModemNotifier:
    """Sends and reads messages; the serial line stays open for a batch."""

    channel = "sms"

    def __init__(self, modem: GsmModem) -> None:
        self._modem = modem
        self._line: serial.Serial | None = None

    def send(self, message: Message, now: datetime) -> Receipt:
        """Hand one message to the network."""
        text = gsm7.shorten(gsm7.plain(message.text))
        try:
            unit = submit(message.recipient, text)
        except ValueError as error:
            return Receipt(failure=Failure.UNUSABLE_ADDRESS, answer=str(error))
        handed = False
        try:
            line = self._opened()
            line.write(f"AT+CMGS={unit.length}\r".encode())
            prompt = self._until(line, re.compile(rb"> |" + _FINAL.pattern), self._modem.timeout)
            if not prompt.endswith(b"> "):
                return self._classified(prompt)
            handed = True
            line.write(unit.pdu.encode() + _CTRL_Z)
            return self._classified(self._until(line, _FINAL, self._modem.network_timeout))
        except _Refused as refused:
            self.close()
            return self._classified(refused.answer)
        except _Silent as error:
            self._abandon()
            return Receipt(failure=Failure.BROKE_OFF if handed else Failure.TIMED_OUT, answer=str(error))
        except (serial.SerialException, OSError) as error:
            self.close()
            return Receipt(failure=Failure.BROKE_OFF if handed else Failure.UNREACHABLE, answer=str(error))

    def incoming(self) -> list[Incoming]:
        """Messages stored in the modem; empty when it does not answer. Messages that are not text are left out."""
        try:
            listed = self._ask(self._opened(), "AT+CMGL=4")
        except (_Refused, _Silent, serial.SerialException, OSError):
            self.close()
            return []
        found = []
        for index, pdu in re.findall(rb"\+CMGL: (\d+),[^\r\n]*\r\n([0-9A-Fa-f]+)\r\n", listed):
            try:
                received = deliver(pdu.decode())
            except ValueError:
                continue
            # The unit carries the service centre's time stamp, so the same words sent twice differ, and read twice do not.
            name = hashlib.sha256(pdu).hexdigest()[:24]
            found.append(Incoming(index=int(index), id=name, sender=received.sender, text=received.text))
        return found

    def forget(self, message: Incoming) -> None:
        """Delete a handled message; if that fails it is read again and recognized by its id."""
        try:
            self._ask(self._opened(), f"AT+CMGD={message.index}")
        except (_Refused, _Silent, serial.SerialException, OSError):
            self.close()

    def greet(self) -> Receipt:
        """Test that the device exists and may be opened; does not open it, as the running service may hold it."""
        port = self._modem.port
        if not os.path.exists(port):
            return Receipt(failure=Failure.UNREACHABLE, answer=f"{port} is not there")
        if not os.access(port, os.R_OK | os.W_OK):
            return Receipt(failure=Failure.UNREACHABLE, answer=f"{port} may not be used by this account")
        return Receipt(answer=f"{port} is there")

    def close(self) -> None:
        """Release the line."""
        line, self._line = self._line, None
        if line is not None:
            with contextlib.suppress(serial.SerialException, OSError):
                line.close()

    def _opened(self) -> serial.Serial:
        if self._line is not None:
            return self._line
        line = serial.Serial(
            self._modem.port, self._modem.baud, timeout=_READ_WITHIN, write_timeout=self._modem.timeout
        )
        try:
            line.write(_ESC + b"\r")  # out of a message somebody left half written
            self._ask(line, "AT")
            self._ask(line, "ATE0")
            if self._modem.pin is not None and b"SIM PIN" in self._ask(line, "AT+CPIN?"):
                self._ask(line, f'AT+CPIN="{self._modem.pin}"')
            self._ask(line, "AT+CMGF=0")
        except BaseException:
            line.close()
            raise
        self._line = line
        return line

    def _ask(self, line: serial.Serial, command: str) -> bytes:
        line.reset_input_buffer()
        line.write(f"{command}\r".encode())
        answer = self._until(line, _FINAL, self._modem.timeout)
        if not answer.endswith(b"OK\r\n"):
            raise _Refused(answer)
        return answer

    def _until(self, line: serial.Serial, wanted: re.Pattern[bytes], timeout: float) -> bytes:
        """Read up to a final response, within the timeout and 64 KiB."""
        heard = b""
        waits = math.ceil(timeout / _READ_WITHIN)
        while waits > 0 and len(heard) < 65_536:
            byte = line.read(max(1, line.in_waiting))
            heard += byte
            if wanted.search(heard):
                return heard
            waits -= not byte
        shown = heard[-100:].decode("ascii", "replace")
        raise _Silent(f"modem on {self._modem.port} gave no answer" + (f", only {shown!r}" if heard else ""))

    def _abandon(self) -> None:
        if self._line is not None:
            with contextlib.suppress(serial.SerialException, OSError):
                self._line.write(_ESC)
        self.close()

    @staticmethod
    def _classified(answer: bytes) -> Receipt:
        said = " ".join(answer.decode("ascii", "replace").split())
        if answer.endswith(b"OK\r\n"):
            return Receipt(answer=said)
        found = re.search(rb"\+CMS ERROR: (\d+)", answer)
        cause = int(found[1]) if found else None
        if cause in _NEVER:
            return Receipt(failure=Failure.RECIPIENT_REFUSED, answer=said)
        if cause in _SIM or b"CME ERROR: 1" in answer:
            return Receipt(failure=Failure.SIGN_IN, answer=said)
        if cause in (42, 47):
            return Receipt(failure=Failure.RATE_LIMITED, answer=said)
        return Receipt(failure=Failure.TEMPORARY, answer=said)


class _Refused(Exception):
    """The modem said ERROR to a command."""

    def __init__(self, answer: bytes) -> None:
        self.answer = answer
        super().__init__(answer.decode("ascii", "replace"))


class _Silent(Exception):
    """The modem did not answer in time."""
