"""Watchdog (dead-man's switch): tells people that the alarms are not evaluated. Needs no database, which is what fails.

A service that has stopped evaluating looks like a quiet night. All other messages go through the outbox, which is in the
database; this one goes straight to the channels, is remembered in memory alone, and waits for no answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import structlog

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.calls.contact import Contact
from service.calls.routing import address_of
from service.domain.operations.silence import Liveness, SilenceNotice, due, seen, told
from service.domain.plant.display import format_local_time
from service.jobs.alarms.setup import AlarmSetup
from service.notify.channels import gsm7
from service.notify.channels.base import Message, Notifier

log = structlog.get_logger(__name__)

#: Interval of checks.
CHECK_EVERY = timedelta(seconds=15)
#: Interval of repeated messages to everybody while it lasts.
REPEAT_EVERY = timedelta(minutes=30)
#: A standby node waits this many times longer: usually the active node lives, and has sent the message already.
STANDBY_FACTOR = 2
#: Evaluations follow each other every few seconds; a gap up to this length is normal.
_NORMAL_GAP = timedelta(minutes=1)

#: Recipients are those of any high alarm of the whole plant.
_NOT_WATCHED = AlarmDefinition(
    key="system.not watched", kind=AlarmKind.SYSTEM, tank=None, priority=Priority.HIGH, limit=0.0
)


class Watchdog:
    """Tracks when the alarms were last evaluated, and who was told that they are not.

    Parameters
    ----------
    notifiers : channels of its own; each is used by one thread at a time.
    node : name of this machine.
    after : time without evaluation before people are told; None tells nobody.
    """

    def __init__(
        self, setup: AlarmSetup, notifiers: Mapping[str, Notifier], node: str, after: timedelta | None
    ) -> None:
        self._setup = setup
        self._notifiers = notifiers
        self._node = node
        self._after = after
        self._presence = Liveness()
        self._standing_by = False
        self._reached: set[str] = set()  #: who was told of this outage

    def reconfigure(self, setup: AlarmSetup, notifiers: Mapping[str, Notifier]) -> None:
        """Change to another version of the site file; who was told is remembered. Not while :meth:`check` runs."""
        self._setup, self._notifiers = setup, notifiers

    def check(self, seen_at: datetime, trouble: str, now: datetime, *, standing_by: bool = False) -> int:
        """Send the messages that are due; returns how many people they reached.

        Parameters
        ----------
        seen_at : when every alarm was last evaluated, or another node was known to do so.
        trouble : the cause, in the program's words; empty where it is not known.
        standing_by : whether evaluation is another node's, as far as this one knows. That node sends its own messages,
            unless it is gone together with the database.
        """
        if self._after is None:
            return 0
        unseen = now - seen_at > min(_NORMAL_GAP, self._after)
        self._presence = seen(self._presence, trouble if unseen else None, seen_at if unseen else now)
        self._standing_by = standing_by
        times = STANDBY_FACTOR if standing_by else 1
        word = due(self._presence, now, after=times * self._after, again=times * REPEAT_EVERY)
        if word is None:
            return 0
        reached = self._tell(word, now)
        if reached or word is SilenceNotice.BACK:
            self._presence = told(self._presence, word, now)
        if word is SilenceNotice.BACK:
            self._reached = set()
        return reached

    def _tell(self, word: SilenceNotice, now: datetime) -> int:
        callout = self._setup.callout
        everybody = callout.everybody(_NOT_WATCHED)
        match word:
            case SilenceNotice.SILENT:
                first = callout.first_called(_NOT_WATCHED, now)
                wanted = first or tuple(c for c in everybody if c.receives(None, Priority.HIGH)) or everybody
            case SilenceNotice.STILL_SILENT:
                wanted = everybody
            case SilenceNotice.BACK:
                wanted = tuple(c for c in everybody if c.name in self._reached)
        reached = self._send(wanted, word, now)
        if not reached and word is SilenceNotice.SILENT:
            reached = self._send(everybody, word, now)
        self._reached |= reached
        log.error(
            "the alarms are looked at again" if word is SilenceNotice.BACK else "the alarms are not looked at",
            since=self._since(now).isoformat(),
            trouble=self._presence.why,
            told=sorted(reached),
        )
        return len(reached)

    def _send(self, contacts: Sequence[Contact], word: SilenceNotice, now: datetime) -> set[str]:
        """Send to each person by the first channel that works; return who was reached."""
        return {contact.name for contact in contacts if self._reach(contact, word, now)}

    def _reach(self, contact: Contact, word: SilenceNotice, now: datetime) -> bool:
        subject, text = self._words(word, now)
        stamp = (self._presence.told_at or self._since(now)).astimezone(UTC).isoformat()
        for channel in contact.channels:
            notifier, address = self._notifiers.get(channel), address_of(contact, channel)
            if notifier is None or not address:
                continue
            message = Message(
                key="|".join(("not watched", self._node, word, stamp, contact.name, channel)),
                recipient=address,
                subject=subject,
                text=gsm7.shorten(gsm7.plain(subject)) if channel == "sms" else text,
                created_at=now,
            )
            receipt = notifier.send(message, now)
            notifier.close()
            if receipt.sent:
                return True
            log.warning("not told", contact=contact.name, channel=channel, reason=receipt.answer)
        return False

    def _since(self, now: datetime) -> datetime:
        """Since when the alarms are not evaluated; after that ended, when people were last told."""
        return self._presence.silent_since or self._presence.told_at or now

    def _words(self, word: SilenceNotice, now: datetime) -> tuple[str, str]:
        site, zone = self._setup.site.name, self._setup.site.zone
        if word is SilenceNotice.BACK and self._standing_by:
            subject = f"WATCHED AGAIN {site}: {self._node} hears that another node looks at the tanks."
            return subject, f"{subject}\n"
        if word is SilenceNotice.BACK:
            subject = f"WATCHED AGAIN {site}: {self._node} looks at the tanks again. It makes up for what it missed; alarms follow."
            return subject, f"{subject}\n"
        start = format_local_time(self._since(now), zone)
        in_the_way = f"What is in the way, for whoever looks after the server:\n{self._presence.why or 'not known'}"
        if self._standing_by:
            subject = (
                f"PERHAPS NOT WATCHED {site} since {start}: {self._node} stands by and hears nothing. Unless another"
                " node's pages open, watch by hand core."
            )
            paragraphs = (
                f"Underweir on {self._node} stands by for another node. Since {start} it hears nothing from the database, nor"
                f" whether that node still looks at the tanks of {site}.",
                "If the other node's pages open, read there whether it does. If not, nobody is called: watch the tanks by"
                " hand core, and have the servers and the network between them seen to.",
                "You are told when the tanks are known to be watched again.",
                in_the_way,
            )
            return subject, "\n\n".join(paragraphs) + "\n"
        subject = (
            f"NOT WATCHED {site} since {start}: Underweir calls nobody. Watch the tanks by hand core; have server {self._node}"
            " seen to."
        )
        paragraphs = (
            f"Underweir on {self._node} cannot look at the tanks of {site} since {start}. It calls nobody while this lasts.",
            "Watch the tanks by hand core, and have the server seen to. You are told when the tanks are watched again.",
            "Where a second node is set up it may have taken over: its pages say so.",
            in_the_way,
        )
        return subject, "\n\n".join(paragraphs) + "\n"
