"""Converts sections of shifts, escalations and channels to the objects of calls and notify."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from service.calls.duty import EVERY_DAY, Override, Rota, Shift
from service.calls.escalation import EscalationPolicy, EscalationStep, Whom
from service.errors import ConfigError
from service.notify.channels.gateway_hook import GatewayHook, ReceiptFields, ReplyFields
from service.notify.channels.http_gateway import HttpGateway
from service.notify.channels.sms_modem import GsmModem
from service.notify.channels.webhook import BODY, Webhook
from service.site.sections.gateway import GatewaySection, ModemSection, WebhookSection
from service.site.sections.on_call import (
    EscalationSection,
    EscalationStepSection,
    HolidaySection,
    ShiftSection,
    StandInSection,
)


def rotas_of(
    shifts: Sequence[ShiftSection],
    stand_ins: Sequence[StandInSection],
    holidays: Iterable[HolidaySection],
    zone: ZoneInfo,
) -> tuple[Rota, ...]:
    """The rotas of all shifts, each with its shifts in the order of the file."""
    days = frozenset(holiday.day for holiday in holidays)
    return tuple(
        Rota(
            key=key,
            zone=zone,
            shifts=tuple(shift_of(s) for s in shifts if s.rota == key),
            overrides=tuple(
                Override(start=_instant(s.start, zone), end=_instant(s.end, zone), person=s.person, why=s.why)
                for s in stand_ins
                if s.rota == key
            ),
            holidays=days,
        )
        for key in dict.fromkeys(shift.rota for shift in shifts)
    )


def shift_of(section: ShiftSection) -> Shift:
    """One shift."""
    weekdays = section.weekdays if section.weekdays is not None else EVERY_DAY
    return Shift(
        name=section.name,
        people=section.people,
        first_day=section.first_day,
        start=section.start,
        end=section.end,
        weekdays=frozenset(weekdays),
        turn_days=section.turn_days,
        on_holidays=section.on_holidays,
    )


def escalation_of(section: EscalationSection) -> EscalationPolicy:
    """One escalation, its steps in order of time."""
    return EscalationPolicy(
        key=section.key,
        priorities=frozenset(section.priorities),
        start=section.start,
        end=section.end,
        weekdays=frozenset(section.weekdays if section.weekdays is not None else EVERY_DAY),
        steps=tuple(sorted((_step_of(step) for step in section.steps), key=lambda step: step.after)),
    )


def _step_of(section: EscalationStepSection) -> EscalationStep:
    whom, name = Whom.EVERYBODY, ""
    if section.duty is not None:
        whom, name = Whom.DUTY, section.duty
    elif section.contact is not None:
        whom, name = Whom.CONTACT, section.contact
    return EscalationStep(
        after=section.after,
        whom=whom,
        name=name,
        again_every=section.again_every,
        again_times=section.again_times if section.again_every is not None else 0,
        channels=section.channels,
    )


def gateway_of(section: GatewaySection, secrets: dict[str, str]) -> HttpGateway:
    """One gateway."""
    timeout = {} if section.timeout is None else {"timeout": section.timeout.total_seconds()}
    return HttpGateway(
        channel=section.channel,
        url=section.url,
        method=section.method,
        headers=section.headers,
        body=section.body,
        content_type=section.content_type,
        success=section.success,
        refused=section.refused,
        message_id=section.message_id,
        secrets=secrets,
        ca_file=section.ca_file,
        **timeout,
    )


def hook_of(section: GatewaySection, secret: str) -> GatewayHook:
    """What a gateway may post here.

    Raises
    ------
    ConfigError
        when the secret is too short.
    """
    if len(secret) < _SHORTEST_HOOK_SECRET:
        raise ConfigError(f"{section.hook_secret}: the secret is shorter than {_SHORTEST_HOOK_SECRET} characters")
    receipts, replies = section.receipts, section.replies
    return GatewayHook(
        key=section.key,
        secret=secret,
        receipts=None
        if receipts is None
        else ReceiptFields(
            id=receipts.id,
            status=receipts.status,
            delivered=frozenset(receipts.delivered),
            failed=frozenset(receipts.failed),
        ),
        replies=None if replies is None else ReplyFields(id=replies.id, sender=replies.sender, text=replies.text),
    )


_SHORTEST_HOOK_SECRET = 20


def webhook_of(section: WebhookSection, secrets: dict[str, str], signing_secret: str | None) -> Webhook:
    """One webhook."""
    gateway = HttpGateway(
        channel="webhook",
        method="POST",
        timeout=15.0 if section.timeout is None else section.timeout.total_seconds(),
        url=section.url,
        headers=section.headers,
        body=BODY,
        success=section.success,
        secrets=secrets,
        ca_file=section.ca_file,
    )
    return Webhook(key=section.key, gateway=gateway, signing_secret=signing_secret, private=section.private_addresses)


def modem_of(section: ModemSection) -> GsmModem:
    """One modem, with its PIN."""
    pin = None if section.pin_file is None else read_secret(Path(section.pin_file))
    return GsmModem(port=section.port, baud=section.baud, pin=pin)


def read_secret(path: Path) -> str:
    """Read a secret from a file.

    Raises
    ------
    ConfigError
        when it cannot be read or is empty.
    """
    try:
        secret = path.read_text("utf-8").strip()
    except (OSError, UnicodeError) as error:
        raise ConfigError(f"{path}: the secret cannot be read ({error})") from error
    if not secret:
        raise ConfigError(f"{path}: the secret is empty")
    return secret


def _instant(moment: datetime, zone: ZoneInfo) -> datetime:
    """A time in UTC; in plant time unless it has its own zone."""
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).astimezone(UTC)
