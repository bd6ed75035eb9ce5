"""Webhooks: signed so that the other side can know them, to addresses the site knows, each over a connection of its own."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

import pytest

from service.calls.retry import Failure
from service.notify.channels.base import Message, Receipt
from service.notify.channels.http_gateway import HttpGateway, HttpNotifier
from service.notify.channels.webhook import Webhook, WebhookNotifier, signature

NOW = datetime(2026, 1, 14, 8, 10, 0, 900_000, tzinfo=UTC)


def message(recipient: str) -> Message:
    return Message(key="k", recipient=recipient, subject="s", text="t", created_at=NOW)


def hook(key: str, secret: str | None = None) -> Webhook:
    gateway = HttpGateway(channel="webhook", url=f"https://{key}.example.org/", body='{"t": "${text}"}')
    return Webhook(key=key, gateway=gateway, signing_secret=secret)


def test_a_signature_is_the_mac_of_time_and_body() -> None:
    """RFC 2104 written out: H(K ⊕ opad, H(K ⊕ ipad, text)), with a block of 64 octets."""
    key = b"invented".ljust(64, b"\0")
    text = b"1768378200." + b'{"a": 1}'
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in key) + text).digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in key) + inner).hexdigest()
    assert signature("invented", b'{"a": 1}', NOW) == {
        "X-Underweir-Time": "1768378200",
        "X-Underweir-Signature": f"sha256={outer}",
    }


def test_a_webhook_goes_to_the_world_alone_unless_the_site_says_otherwise() -> None:
    assert hook("a").private is False
    assert "invented" not in repr(hook("a", "invented"))


def test_only_a_webhook_the_site_knows_is_asked_and_with_its_own_signature(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = list[tuple[str, bool]]()
    closed = list[str]()

    def send(self: HttpNotifier, given: Message, now: datetime) -> Receipt:
        asked.append((self._gateway.url, self._sign is not None))
        return Receipt(answer="taken")

    monkeypatch.setattr(HttpNotifier, "send", send)
    monkeypatch.setattr(HttpNotifier, "close", lambda self: closed.append(self._gateway.url))
    notifier = WebhookNotifier({"a": hook("a", "invented"), "b": hook("b")})
    assert notifier.send(message("a"), NOW).sent
    assert notifier.send(message("b"), NOW).answer == "taken"
    assert asked == [("https://a.example.org/", True), ("https://b.example.org/", False)]
    unknown = notifier.send(message("c"), NOW)
    assert (unknown.failure, unknown.answer) == (Failure.UNUSABLE_ADDRESS, "no webhook 'c' is known")
    notifier.close()
    assert closed == ["https://a.example.org/", "https://b.example.org/"]
    apart = notifier.apart()
    assert set(apart) == {"a", "b"}
    assert apart["a"].send(message("a"), NOW).sent
    assert apart["a"].send(message("b"), NOW).failure is Failure.UNUSABLE_ADDRESS
    assert apart["a"]._notifiers["a"] is not notifier._notifiers["a"]
