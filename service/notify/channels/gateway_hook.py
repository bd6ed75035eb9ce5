"""Parses what an SMS gateway posts: delivery receipts and incoming messages. Pure."""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Fate(StrEnum):
    """Delivery status of a message."""

    DELIVERED = "delivered"  #: the phone has it
    FAILED = "failed"  #: the phone will never get it
    UNDER_WAY = "under way"  #: anything else a gateway reports


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiptFields:
    """Field names of a receipt, and which statuses mean delivered or failed."""

    id: str
    status: str
    delivered: frozenset[str]
    failed: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyFields:
    """Field names of an incoming message."""

    id: str
    sender: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayHook:
    """What one gateway may post, and its secret."""

    key: str
    secret: str = field(repr=False)
    receipts: ReceiptFields | None = None
    replies: ReplyFields | None = None

    def knows(self, secret: str) -> bool:
        """Compare the secret in constant time."""
        return hmac.compare_digest(secret.encode(), self.secret.encode())


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayReceipt:
    """A delivery receipt."""

    message_id: str
    fate: Fate
    status: str  #: in the gateway's own word


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayReply:
    """An incoming message."""

    message_id: str
    sender: str
    text: str


def read_receipt(fields: ReceiptFields, posted: Mapping[str, Any]) -> GatewayReceipt | None:
    """The receipt in what was posted; None where a field is missing.

    >>> known = ReceiptFields(id="sms.id", status="state", delivered=frozenset({"DELIVRD"}), failed=frozenset({"UNDELIV"}))
    >>> read_receipt(known, {"sms": {"id": 17}, "state": "delivrd"}).fate
    <Fate.DELIVERED: 'delivered'>
    """
    message_id, status = found(posted, fields.id), found(posted, fields.status)
    if not message_id or not status:
        return None
    word = status.casefold()
    fate = Fate.UNDER_WAY
    if word in {known.casefold() for known in fields.delivered}:
        fate = Fate.DELIVERED
    elif word in {known.casefold() for known in fields.failed}:
        fate = Fate.FAILED
    return GatewayReceipt(message_id=message_id, fate=fate, status=status)


def read_reply(fields: ReplyFields, posted: Mapping[str, Any]) -> GatewayReply | None:
    """The message in what was posted; None where its id or sender is missing."""
    message_id, sender = found(posted, fields.id), found(posted, fields.sender)
    if not message_id or not sender:
        return None
    return GatewayReply(message_id=message_id, sender=sender, text=found(posted, fields.text))


def found(posted: Mapping[str, Any], path: str) -> str:
    """The value under a name; names inside names are joined by full stops. Empty where there is none."""
    value: Any = posted
    for name in path.split("."):
        if not isinstance(value, Mapping) or name not in value:
            return ""
        value = value[name]
    if isinstance(value, bool) or not isinstance(value, str | int):
        return ""
    return str(value).strip()[:1000]
