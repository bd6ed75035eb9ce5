"""``[[contact]]`` and ``[reports]``: who is notified, and who is mailed reports."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, field_validator

from service.alarms.definition import Priority
from service.calls.contact import is_mail_address
from service.site.sections.on_call import TimeOfDay
from service.site.sections.quantity import wrong
from service.site.sections.section import Section, Words

# ITU-T E.164: + and at most 15 digits, the first not 0.
_PHONE = re.compile(r"\+[1-9][0-9]{1,14}")


class ContactSection(Section):
    """One person or shared phone."""

    name: Words = Field(examples=['"Night operator"'])
    email: str | None = None
    phone: str | None = None
    webhook: Words | None = Field(None, examples=['"pager"'])
    channels: tuple[Literal["email", "sms", "webhook"], ...] | None = None
    priorities: tuple[Priority, ...] | None = None
    tanks: tuple[Words, ...] | None = None
    units: Literal["us", "si"] | None = None

    @field_validator("email")
    @classmethod
    def _mail_address(cls, value: str | None) -> str | None:
        if value is not None and not is_mail_address(value):
            raise wrong(f'"{value}" is not an e-mail address', 'write one such as "night@example.org"')
        return value

    @field_validator("phone")
    @classmethod
    def _phone_number(cls, value: str | None) -> str | None:
        if value is None:
            return None
        bare = re.sub(r"[\s().\-/]", "", value)
        if _PHONE.fullmatch(bare):
            return bare
        digits = re.sub(r"\D", "", value)
        if len(digits) == 10 and not value.strip().startswith(("+", "0")):
            remedy = f'begin with + and the country code: "+1{digits}" in North America'
        elif bare.startswith("00"):
            remedy = f'write "+{digits[2:]}"'
        else:
            remedy = 'write + , country code and number, at most 15 digits: "+15550100199"'
        raise wrong(f'"{value}" is not an international phone number', remedy)


class ReportsSection(Section):
    """Reports that are mailed. Times are plant time."""

    to: tuple[Words, ...] = Field(min_length=1, examples=['["Supervisor"]'])
    daily: TimeOfDay | None = Field(None, examples=['"06:00"'])
    monthly: TimeOfDay | None = Field(None, examples=['"06:00"'])
    cores: Literal["shift log", "at once"] = Field("shift log", examples=['"shift log" or "at once"'])
