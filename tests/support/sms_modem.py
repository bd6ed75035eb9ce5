"""A simulated GSM modem on a pseudo-terminal that can be told to misbehave."""

from __future__ import annotations

import contextlib
import os
import pty
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass
class Modem:
    """What the modem was told, and how it is to behave."""

    port: str = ""
    sent: list[str] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    #: Answers to handing a message over, used up from the front; when empty the network takes it.
    answers: list[bytes] = field(default_factory=list)
    #: Says nothing at all, or nothing any more once it has a message.
    dead: bool = False
    silent_after_message: bool = False
    babbles: bool = False
    locked: bool = False
    inbox: dict[int, str] = field(default_factory=dict)


class _Line:
    def __init__(self, modem: Modem, descriptor: int) -> None:
        self.modem, self.descriptor = modem, descriptor
        self.echo = True
        self.stopped = threading.Event()

    def say(self, text: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self.descriptor, text)

    def run(self) -> None:
        heard = b""
        expecting = False
        while not self.stopped.is_set():
            try:
                byte = os.read(self.descriptor, 1)
            except OSError:
                return
            if not byte:
                return
            if self.modem.dead:
                continue
            if self.modem.babbles:
                self.say(b"\x00\xff~~ NO CARRIER ~~" * 20)
                continue
            if expecting:
                if byte == b"\x1b":
                    expecting, heard = False, b""
                    self.say(b"\r\nOK\r\n")
                elif byte == b"\x1a":
                    expecting = False
                    self.taken(heard.decode())
                    heard = b""
                else:
                    heard += byte
                continue
            if byte == b"\x1b":
                continue
            if self.echo:
                self.say(byte)
            if byte != b"\r":
                heard += byte
                continue
            command, heard = heard.decode(), b""
            expecting = self.obey(command)

    def obey(self, command: str) -> bool:
        modem = self.modem
        if not command:
            return False
        modem.commands.append(command)
        if command == "ATE0":
            self.echo = False
        if command == "AT+CPIN?":
            self.say(b"\r\n+CPIN: " + (b"SIM PIN" if modem.locked else b"READY") + b"\r\n")
        elif command.startswith("AT+CPIN="):
            modem.locked = False
        elif command.startswith("AT+CMGS="):
            if modem.locked:
                self.say(b"\r\n+CMS ERROR: 311\r\n")
                return False
            self.say(b"\r\n> ")
            return True
        elif command == "AT+CMGL=4":
            for index, pdu in modem.inbox.items():
                self.say(f"\r\n+CMGL: {index},0,,24\r\n{pdu}\r\n".encode())
        elif command.startswith("AT+CMGD="):
            modem.inbox.pop(int(command.partition("=")[2]), None)
        self.say(b"\r\nOK\r\n")
        return False

    def taken(self, pdu: str) -> None:
        modem = self.modem
        if modem.answers:
            self.say(modem.answers.pop(0))
            return
        modem.sent.append(pdu)
        if not modem.silent_after_message:
            self.say(b"\r\n+CMGS: 17\r\n\r\nOK\r\n")


@contextmanager
def simulated_modem() -> Iterator[Modem]:
    """Run the modem; its ``port`` is what a program opens."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    modem = Modem(port=os.ttyname(theirs))
    line = _Line(modem, ours)
    thread = threading.Thread(target=line.run, daemon=True)
    thread.start()
    try:
        yield modem
    finally:
        line.stopped.set()
        with contextlib.suppress(OSError):
            os.write(theirs, b"\r")  # lets the reader look up
        thread.join(120)
        os.close(theirs)
        os.close(ours)
