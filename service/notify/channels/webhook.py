"""Posts messages as signed JSON to the site's webhooks."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from service.calls.retry import Failure
from service.notify.channels.base import Message, Receipt
from service.notify.channels.http_gateway import HttpGateway, HttpNotifier
from service.notify.channels.ssrf_guard import guarded_adapter

SIGNATURE_HEADER, TIME_HEADER = "X-Underweir-Signature", "X-Underweir-Time"
BODY = '{"key": "${key}", "subject": "${subject}", "text": "${text}", "created_at": "${created_at}"}'


@dataclass(frozen=True, slots=True, kw_only=True)
class Webhook:
    """One address that takes messages."""

    key: str
    gateway: HttpGateway
    #: Signs every message.
    signing_secret: str | None = field(default=None, repr=False)
    #: Whether a private network address is allowed.
    private: bool = False


def signature(secret: str, body: bytes, now: datetime) -> dict[str, str]:
    """Headers by which the receiver verifies origin and age.

    Notes
    -----
    HMAC-SHA-256 (RFC 2104) over the time in seconds, a full stop and the body as it is sent, in hexadecimal.
    """
    seconds = str(int(now.timestamp()))
    mac = hmac.new(secret.encode(), seconds.encode() + b"." + body, hashlib.sha256)
    return {TIME_HEADER: seconds, SIGNATURE_HEADER: f"sha256={mac.hexdigest()}"}


class WebhookNotifier:
    """Sends to any of the site's webhooks; a message's recipient is the webhook's key."""

    channel = "webhook"

    def __init__(self, hooks: Mapping[str, Webhook]) -> None:
        self._hooks = dict(hooks)
        self._notifiers = {key: _notifier(hook) for key, hook in hooks.items()}

    def send(self, message: Message, now: datetime) -> Receipt:
        """Hand one message over."""
        notifier = self._notifiers.get(message.recipient)
        if notifier is None:
            return Receipt(failure=Failure.UNUSABLE_ADDRESS, answer=f"no webhook {message.recipient[:60]!r} is known")
        return notifier.send(message, now)

    def apart(self) -> dict[str, WebhookNotifier]:
        """For each webhook a notifier with connections of its own, for a thread of its own."""
        return {key: WebhookNotifier({key: hook}) for key, hook in self._hooks.items()}

    def close(self) -> None:
        """Release the connections."""
        for notifier in self._notifiers.values():
            notifier.close()


def _notifier(hook: Webhook) -> HttpNotifier:
    secret = hook.signing_secret
    return HttpNotifier(
        hook.gateway,
        adapter=lambda: guarded_adapter(private=hook.private),
        sign=None if secret is None else lambda body, now: signature(secret, body, now),
    )
