"""Signed links that acknowledge one alarm occurrence without signing in, valid for a day.

The token carries everything; the service stores nothing. GET shows the alarm, only the button's POST acts: mail scanners open
links on their own.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

#: Longer than any alarm should wait for an acknowledgement.
VALID_FOR = timedelta(hours=24)
_MAC_BYTES = 16
_DIVIDER = "\n"


@dataclass(frozen=True, slots=True)
class LinkClaims:
    """Claims of a link: the alarm, its occurrence, and the expiry."""

    key: str
    code: str
    expires_at: datetime


class AlarmLinks:
    """Signs and verifies the links of one installation.

    >>> links = AlarmLinks(b"a secret of at least 32 bytes 1234", "https://underweir.example.org")
    >>> now = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
    >>> link = links.link("east.high", "K7MD", now)
    >>> links.read(link.rsplit("/", 1)[1], now).code
    'K7MD'
    >>> links.read(link.rsplit("/", 1)[1], now + timedelta(hours=25)) is None
    True
    """

    def __init__(self, secret: bytes, public_url: str | None) -> None:
        self._key = hmac.new(secret, b"alarm link", hashlib.sha256).digest()
        self._url = public_url.rstrip("/") if public_url else None

    def link(self, key: str, code: str, now: datetime) -> str | None:
        """Address for a message; None where there is no public address."""
        return None if self._url is None or not code else f"{self._url}/a/{self.token(key, code, now)}"

    def token(self, key: str, code: str, now: datetime) -> str:
        """The last part of the address."""
        body = _DIVIDER.join((key, code, str(int((now + VALID_FOR).timestamp())))).encode("utf-8")
        return base64.urlsafe_b64encode(self._mac(body) + body).rstrip(b"=").decode("ascii")

    def read(self, token: str, now: datetime) -> LinkClaims | None:
        """The claims; None when the signature is invalid or the link has expired."""
        try:
            raw = base64.urlsafe_b64decode(token + "=" * (-len(token) % 4))
        except (binascii.Error, ValueError):
            return None
        mac, body = raw[:_MAC_BYTES], raw[_MAC_BYTES:]
        if not hmac.compare_digest(mac, self._mac(body)):
            return None
        key, code, expires = body.decode("utf-8").split(_DIVIDER)
        found = LinkClaims(key, code, datetime.fromtimestamp(int(expires), UTC))
        return found if now < found.expires_at else None

    def _mac(self, body: bytes) -> bytes:
        return hmac.new(self._key, body, hashlib.sha256).digest()[:_MAC_BYTES]
