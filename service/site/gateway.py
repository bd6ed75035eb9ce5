"""``[[gateway]]`` and ``[[modem]]``: how text messages leave the plant."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.site.section import Duration, Key, Section, Words


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


class ModemSection(Section):
    """A GSM modem on a serial line. The PIN of its card, if it has one, is read from a file."""

    port: Words = Field(examples=['"/dev/ttyUSB0"'])
    baud: int = Field(115_200, ge=300, le=4_000_000)
    pin_file: str | None = Field(None, examples=['"/run/secrets/sim_pin"'])
