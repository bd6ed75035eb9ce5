"""Signed cookies and CSRF form tokens."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets

_MAC_CHARACTERS = 43  # SHA-256 in base64 without padding


class Signer:
    """HMAC signer with a derived key per purpose."""

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._form_key = self._key("form")

    def signed(self, value: str, purpose: str = "cookie") -> str:
        """The value with its signature, valid for one purpose only.

        >>> signer = Signer(b"secret")
        >>> signer.value(signer.signed("hello")), signer.value("hello." + "x" * 43)
        ('hello', None)
        >>> signer.value(signer.signed("hello", "half way")) is None
        True
        """
        return f"{value}.{_text(self._mac(self._key(purpose), value))}"

    def value(self, signed: str, purpose: str = "cookie") -> str | None:
        """The value if its signature is valid for that purpose."""
        value, _, mac = signed.rpartition(".")
        if len(mac) != _MAC_CHARACTERS or not value:
            return None
        right = _text(self._mac(self._key(purpose), value))
        return value if hmac.compare_digest(mac.encode(), right.encode()) else None

    def form_token(self, visit: str) -> str:
        """A token for the forms of one visit. Masked anew each time, against compression attacks (BREACH).

        >>> signer = Signer(b"secret")
        >>> a, b = signer.form_token("visit"), signer.form_token("visit")
        >>> a != b, signer.form_token_right("visit", a), signer.form_token_right("other", a)
        (True, True, False)
        """
        mac = self._mac(self._form_key, visit)
        mask = secrets.token_bytes(len(mac))
        return _text(mask + bytes(a ^ b for a, b in zip(mask, mac, strict=True)))

    def form_token_right(self, visit: str, token: str) -> bool:
        """Whether the token belongs to that visit."""
        try:
            raw = base64.urlsafe_b64decode(token + "=" * (-len(token) % 4))
        except ValueError:
            return False
        mac = self._mac(self._form_key, visit)
        if len(raw) != 2 * len(mac):
            return False
        given = bytes(a ^ b for a, b in zip(raw[: len(mac)], raw[len(mac) :], strict=True))
        return hmac.compare_digest(mac, given)

    def _key(self, purpose: str) -> bytes:
        return hmac.new(self._secret, purpose.encode("ascii"), hashlib.sha256).digest()

    @staticmethod
    def _mac(key: bytes, value: str) -> bytes:
        return hmac.new(key, value.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")
