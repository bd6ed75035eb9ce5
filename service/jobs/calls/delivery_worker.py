"""The ways by which messages leave: on each one after the other, and none waits for another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.notify.channels.base import Notifier
from service.notify.channels.webhook import WebhookNotifier
from service.storage.calls.outbox import EVERYBODY, Recipients


@dataclass(frozen=True, slots=True)
class DeliveryWorker:
    """A channel, or one webhook, whose server is its own."""

    channel: str
    notifier: Notifier
    recipients: Recipients = EVERYBODY

    @property
    def name(self) -> str:
        """What people and the book of runs call it: one name for each that the site file describes, and no more."""
        return self.channel if self.recipients.only is None else f"{self.channel} {self.recipients.only}"


def ways_of(notifiers: Mapping[str, Notifier]) -> list[DeliveryWorker]:
    """Every way there is; together they take every message of the channels, and no two take the same.

    Notes
    -----
    What is for a webhook that the site file no longer has goes the way of the channel itself, which knows to give it up.
    """
    ways: list[DeliveryWorker] = []
    for channel, notifier in notifiers.items():
        if not isinstance(notifier, WebhookNotifier):
            ways.append(DeliveryWorker(channel, notifier))
            continue
        apart = notifier.apart()
        ways += [DeliveryWorker(channel, alone, Recipients(only=key)) for key, alone in apart.items()]
        ways.append(DeliveryWorker(channel, notifier, Recipients(besides=tuple(apart))))
    return ways
