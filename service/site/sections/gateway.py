"""``[[gateway]]``, ``[[modem]]`` and ``[[webhook]]``: channels for messages other than e-mail."""

from __future__ import annotations

from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator

from service.site.sections.quantity import wrong
from service.site.sections.section import Duration, Key, Section, Words


class ReceiptsSection(Section):
    """The fields of a gateway's delivery receipt; a nested name is written "sms.id"."""

    id: Words = Field(examples=['"id"'])
    status: Words = Field(examples=['"status"'])
    delivered: tuple[Words, ...] = Field(min_length=1, examples=['["DELIVRD"]'])
    failed: tuple[Words, ...] = Field(min_length=1, examples=['["UNDELIV", "EXPIRED"]'])


class RepliesSection(Section):
    """The fields of a reply that the gateway forwards."""

    id: Words = Field(examples=['"id"'])
    sender: Words = Field(examples=['"from"'])
    text: Words = Field(examples=['"text"'])


class GatewaySection(Section):
    """An HTTP gateway: any provider that takes one request per message. Secrets are read from files."""

    key: Key = Field(examples=['"sms-provider"'])
    channel: Literal["sms"] = "sms"
    url: Words = Field(examples=['"https://sms.example.org/send"'])
    method: Literal["GET", "POST", "PUT"] = "POST"
    headers: dict[str, str] = Field({}, examples=['{ Authorization = "Bearer ${token}" }'])
    body: str = Field("", examples=["""'{"to": "${to}", "text": "${text}"}'"""])
    content_type: Words = "application/json"
    success: str | None = Field(None, examples=['\'"status": *"queued"\''])
    refused: str | None = Field(None, examples=["'invalid number'"])
    message_id: str | None = Field(None, examples=["""'"id": *"([^"]+)"'"""])
    secrets: dict[Key, Words] = Field({}, examples=['{ token = "/run/secrets/sms_token" }'])
    timeout: Duration | None = Field(None, examples=['"15 s"'])
    ca_file: str | None = None
    hook_secret: Words | None = Field(None, examples=['"/run/secrets/sms_hook"'])
    receipts: ReceiptsSection | None = Field(
        None, examples=['{ id = "id", status = "status", delivered = ["DELIVRD"], failed = ["UNDELIV"] }']
    )
    replies: RepliesSection | None = Field(None, examples=['{ id = "id", sender = "from", text = "text" }'])


class WebhookSection(Section):
    """An address to which messages are posted as JSON. Secrets are read from files."""

    key: Key = Field(examples=['"pager"'])
    url: Words = Field(examples=['"https://hooks.example.org/underweir"'])
    headers: dict[str, str] = Field({}, examples=['{ Authorization = "Bearer ${token}" }'])
    success: str | None = Field(None, examples=["'\"ok\": *true'"])
    secrets: dict[Key, Words] = Field({}, examples=['{ token = "/run/secrets/pager_token" }'])
    signing_secret: Words | None = Field(None, examples=['"/run/secrets/pager_signing"'])
    private_addresses: bool = False
    timeout: Duration | None = Field(None, examples=['"15 s"'])
    ca_file: str | None = None

    @field_validator("url")
    @classmethod
    def _plain_web_address(cls, value: str) -> str:
        parts = urlsplit(value)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.username is not None:
            raise wrong(f'"{value}" is no web address', 'write one such as "https://hooks.example.org/underweir"')
        return value


class ModemSection(Section):
    """A GSM modem on a serial line. The PIN of its card, if it has one, is read from a file."""

    port: Words = Field(examples=['"/dev/ttyUSB0"'])
    baud: int = Field(115_200, ge=300, le=4_000_000)
    pin_file: str | None = Field(None, examples=['"/run/secrets/sim_pin"'])
