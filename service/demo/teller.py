"""Narrates the night to the person watching, and acknowledges alarms as the invented operator."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

from service.alarms.machine import Acknowledge
from service.bootstrap import Installation
from service.demo.mail_sink import MailSink
from service.demo.plant import OPERATOR, OPERATOR_MAIL
from service.domain.blanket.estimate import EstimateReason
from service.domain.plant.display import describe_clearance, describe_rate, format_clock, format_length
from service.errors import InputError
from service.jobs.accounts.actor import Actor, Door
from service.jobs.alarms.command import submit_command
from service.storage.alarms.alarms import alarms, journal
from service.storage.blanket.estimates import latest_estimates
from service.storage.database.session import transaction

#: How long the invented operator needs to read a message and say "I have it".
ANSWER_AFTER = timedelta(minutes=10)


class Teller:
    """Says what happens, in the plant's time, and answers alarms as the invented operator would."""

    def __init__(self, plant: Installation, sink: MailSink, folder: Path, say: Callable[[str], None]) -> None:
        self._plant, self._sink, self._folder, self._say = plant, sink, folder, say
        self._mails = 0
        self._lines: set[int] = set()
        self._shown_in_full = False

    def line(self, now: datetime, text: str) -> None:
        self._say(f"{format_clock(now, self._plant.site.time_zone)}  {text}")

    def standing(self, now: datetime) -> None:
        """Where every tank stands."""
        with transaction(self._plant.engine) as conn:
            newest = latest_estimates(conn, list(self._plant.ids.tanks.values()), now)
        for e in newest.values():
            tank, units = self._plant.tanks[e.tank], self._plant.site.units
            if e.reason is not EstimateReason.NO_DATA:
                self.line(
                    now,
                    f"{tank.label}: {describe_clearance(tank.clearance(e.height), units)}"
                    f" ± {format_length(e.spread, units)}, {describe_rate(e.rate, units)}",
                )

    def news(self, now: datetime) -> None:
        """New lines of the journal, and new mails; the first danger mail in full."""
        with transaction(self._plant.engine) as conn:
            lines = [line for line in reversed(journal(conn)) if line.id not in self._lines]
        for line in lines:
            self._lines.add(line.id)
            if line.from_state == line.to_state:
                continue  # first looks, and definitions written down: nothing happened
            self.line(line.at, f"    alarm {line.key}: {line.to_state} ({line.reason})")
        fresh, self._mails = self._sink.mails[self._mails :], len(self._sink.mails)
        for number, mail in enumerate(fresh, start=self._mails - len(fresh) + 1):
            (self._folder / f"{number:02d}.eml").write_bytes(mail.as_bytes())
            self.line(now, f"    mail to {mail['To']}: {mail['Subject']}")
            if not self._shown_in_full and ".high-high," in _text(mail):
                self._in_full(mail)

    def answer(self, now: datetime) -> None:
        """Acknowledge what has stood unanswered long enough to be read."""
        with transaction(self._plant.engine) as conn:
            waiting = [
                record
                for record in alarms(conn)
                if record.machine.state.value == "unacknowledged"
                and record.machine.since is not None
                and now - record.machine.since >= ANSWER_AFTER
            ]
        for record in waiting:
            try:
                actor = Actor(name=OPERATOR, via=Door.DEMO, email=OPERATOR_MAIL)
                with transaction(self._plant.engine) as conn:
                    submit_command(conn, self._plant.model, record.key, Acknowledge(), actor, now=now)
            except InputError as error:
                self.line(now, str(error))

    def sum_up(self) -> None:
        self._say(f"\n{len(self._sink.mails)} mails were sent to the server on this machine.")

    def _in_full(self, mail: EmailMessage) -> None:
        self._shown_in_full = True
        rule = "    " + "-" * 72
        self._say(rule)
        for header in ("From", "To", "Subject", "Auto-Submitted"):
            self._say(f"    {header}: {mail[header]}")
        self._say("")
        for text in _text(mail).splitlines():
            self._say(f"    {text}".rstrip())
        self._say(rule)


def _text(mail: EmailMessage) -> str:
    body = mail.get_body(("plain",))
    return "" if body is None else str(body.get_content())
