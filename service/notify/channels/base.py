"""Interface of a notification channel: a message to one recipient, and the receipt of one attempt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from service.calls.retry import Failure
from service.notify.channels import gsm7

#: So many characters of an answer are kept.
LONGEST_ANSWER = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A document attached to a message, where the channel can carry one."""

    name: str
    type: str  #: media type
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message to one recipient. ``key`` is the same on every try, so that a duplicate can be recognised."""

    key: str
    recipient: str  #: an e-mail address or an E.164 number
    subject: str
    text: str
    html: str = ""
    created_at: datetime
    reply_to_key: str | None = None  #: key of the first message of the same incident, for threading
    attached: tuple[Attachment, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """Result of one attempt: delivered when ``failure`` is None. ``answer`` is the server's text, as much of it as is kept."""

    failure: Failure | None = None
    answer: str = ""
    retry_after: timedelta | None = None
    message_id: str | None = None  #: the provider's id of the message, for delivery receipts

    def __post_init__(self) -> None:
        object.__setattr__(self, "answer", self.answer[:LONGEST_ANSWER])

    @property
    def sent(self) -> bool:
        """Whether the server accepted the message."""
        return self.failure is None


def text_of(words: str, channel: str) -> str:
    """Text as a channel carries it: at most one SMS part, or a line.

    >>> text_of("CORE North tank", "email")
    'CORE North tank\\n'
    """
    return gsm7.shorten(gsm7.plain(words)) if channel == "sms" else f"{words}\n"


class Notifier(Protocol):
    """A channel. Used by one thread at a time; never raises for what the server does."""

    channel: str

    def send(self, message: Message, now: datetime) -> Receipt:
        """Send the message."""
        ...

    def close(self) -> None:
        """Close connections after a batch; may be called again, and sending may go on."""
        ...
