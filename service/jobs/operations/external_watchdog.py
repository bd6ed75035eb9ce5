"""External watchdog: checks other Underweir services from a machine of its own, and tells people when one is silent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import structlog

from service.domain.operations.silence import Liveness, SilenceNotice, due, seen, told
from service.domain.plant.display import format_duration
from service.notify.channels.base import Message, Notifier, text_of
from service.notify.health_check import check_health, redacted_url

log = structlog.get_logger(__name__)

#: Interval of repeated messages while the silence lasts.
REPEAT_EVERY = timedelta(minutes=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """A channel and an address in it."""

    channel: str
    address: str


@dataclass
class ExternalWatchdog:
    """Checks services and tells people; remembers whom it told. Nothing is kept on disk."""

    urls: Sequence[str]
    recipients: Sequence[Recipient]
    notifiers: Mapping[str, Notifier]
    after: timedelta
    presences: dict[str, Liveness] = field(default_factory=dict)
    #: Who has received the message that is due: a failed channel causes no second message to the others.
    _received: dict[tuple[str, SilenceNotice], set[Recipient]] = field(default_factory=dict)

    def check(self, now: datetime) -> list[str]:
        """Check every service; return those that count as silent."""
        for url in self.urls:
            presence = seen(self.presences.get(url, Liveness()), check_health(url), now)
            word = due(presence, now, after=self.after, again=REPEAT_EVERY)
            if word is not None and self._tell(url, presence, word, now):
                presence = told(presence, word, now)
            self.presences[url] = presence
        return [url for url in self.urls if self._silent(self.presences[url], now)]

    def _silent(self, presence: Liveness, now: datetime) -> bool:
        return presence.silent_since is not None and now - presence.silent_since >= self.after

    def _tell(self, url: str, presence: Liveness, word: SilenceNotice, now: datetime) -> bool:
        """Send the message to everybody; True when everybody has it."""
        words = message_text(url, presence, word, now)
        received = self._received.setdefault((url, word), set())
        for recipient in self.recipients:
            if recipient in received:
                continue
            notifier = self.notifiers[recipient.channel]
            since = (presence.silent_since or presence.told_at or now).astimezone(UTC)
            key = "|".join(("watch-over", redacted_url(url), word, since.isoformat(), recipient.address))
            text = text_of(words, recipient.channel)
            message = Message(key=key, recipient=recipient.address, subject=words, text=text, created_at=now)
            receipt = notifier.send(message, now)
            notifier.close()
            if receipt.sent:
                received.add(recipient)
            else:
                log.warning("not told, tried again", channel=recipient.channel, reason=receipt.answer)
        log.warning("told", service=redacted_url(url), word=word.value, why=presence.why, received=len(received))
        if len(received) < len(self.recipients):
            return False
        del self._received[url, word]
        return True


def message_text(url: str, presence: Liveness, word: SilenceNotice, now: datetime) -> str:
    """Word the message."""
    if word is SilenceNotice.BACK or presence.silent_since is None:
        return f"CLEARED: Underweir at {redacted_url(url)} answers again."
    lasted = format_duration(now - presence.silent_since)
    return (
        f"SILENT: Underweir at {redacted_url(url)} has not answered for {lasted} ({presence.why}). "
        "Nobody is called while it is down: watch the tanks by hand core, and see to its machine."
    )
