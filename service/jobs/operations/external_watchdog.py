"""Watches over other services from outside, on a machine of its own: who watches the watcher."""

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

#: Silence is told again so often for as long as it lasts.
AGAIN = timedelta(minutes=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """Where to tell: a channel and an address in it."""

    channel: str
    address: str


@dataclass
class ExternalWatchdog:
    """Looks at services and tells people; remembers what they know. Nothing is kept on disk: a fresh start looks afresh."""

    urls: Sequence[str]
    recipients: Sequence[Recipient]
    notifiers: Mapping[str, Notifier]
    after: timedelta
    presences: dict[str, Liveness] = field(default_factory=dict)
    #: Who has been handed the word that is due, so that a failed mail server costs nobody a second message.
    _handed: dict[tuple[str, SilenceNotice], set[Recipient]] = field(default_factory=dict)

    def check(self, now: datetime) -> list[str]:
        """One look at every service; returns those that count as silent."""
        for url in self.urls:
            standing = seen(self.presences.get(url, Liveness()), check_health(url), now)
            word = due(standing, now, after=self.after, again=AGAIN)
            if word is not None and self._tell(url, standing, word, now):
                standing = told(standing, word, now)
            self.presences[url] = standing
        return [url for url in self.urls if self._silent(self.presences[url], now)]

    def _silent(self, standing: Liveness, now: datetime) -> bool:
        return standing.silent_since is not None and now - standing.silent_since >= self.after

    def _tell(self, url: str, standing: Liveness, word: SilenceNotice, now: datetime) -> bool:
        """Hand the word to everybody; True when everybody has it."""
        words = message_text(url, standing, word, now)
        handed = self._handed.setdefault((url, word), set())
        for recipient in self.recipients:
            if recipient in handed:
                continue
            notifier = self.notifiers[recipient.channel]
            since = (standing.silent_since or standing.told_at or now).astimezone(UTC)
            key = "|".join(("watch-over", redacted_url(url), word, since.isoformat(), recipient.address))
            text = text_of(words, recipient.channel)
            message = Message(key=key, recipient=recipient.address, subject=words, text=text, created_at=now)
            receipt = notifier.send(message, now)
            notifier.close()
            if receipt.sent:
                handed.add(recipient)
            else:
                log.warning("not told, tried again", channel=recipient.channel, reason=receipt.answer)
        log.warning("told", service=redacted_url(url), word=word.value, why=standing.why, handed=len(handed))
        if len(handed) < len(self.recipients):
            return False
        del self._handed[url, word]
        return True


def message_text(url: str, standing: Liveness, word: SilenceNotice, now: datetime) -> str:
    """What people read."""
    if word is SilenceNotice.BACK or standing.silent_since is None:
        return f"CLEARED: Underweir at {redacted_url(url)} answers again."
    lasted = format_duration(now - standing.silent_since)
    return (
        f"SILENT: Underweir at {redacted_url(url)} has not answered for {lasted} ({standing.why}). "
        "Nobody is called while it is down: watch the tanks by hand core, and see to its machine."
    )
