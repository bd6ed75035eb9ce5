"""A contact: how a person is reached, and which alarms they want."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.alarms.definition import Priority
from service.domain.plant.units import UnitSystem

# Practical part of RFC 5321: one @, a local part of at most 64 characters, a domain of labels with at least one dot.
_EMAIL = re.compile(
    r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)+[A-Za-z0-9-]{2,63}"
)


def is_mail_address(text: str) -> bool:
    """Whether that is an e-mail address as people have them.

    >>> is_mail_address("night@example.org"), is_mail_address("night@example"), is_mail_address("a..b@example.org")
    (True, False, False)
    """
    local = text.partition("@")[0]
    dots = local.startswith(".") or local.endswith(".") or ".." in local
    return _EMAIL.fullmatch(text) is not None and len(text) <= 254 and not dots


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """A person (or a shared duty phone) with the ways to reach them, in the order they want to be tried."""

    name: str
    email: str | None = None
    phone: str | None = None  #: E.164: + and digits only
    webhook: str | None = None  #: key of one of the site's webhooks
    channels: tuple[str, ...] = ()  #: "email", "sms", "webhook"
    priorities: tuple[Priority, ...] = tuple(Priority)
    tanks: tuple[str, ...] = ()  #: keys of the tanks they answer for; empty means every tank
    units: UnitSystem | None = None  #: what they read; None means the site's own

    def answers_for(self, tank: str | None) -> bool:
        """Whether that tank is theirs; what concerns the whole plant (None) is everybody's."""
        return tank is None or not self.tanks or tank in self.tanks

    def receives(self, tank: str | None, priority: Priority) -> bool:
        """Whether an alarm of that tank (None: the whole plant) and priority is theirs.

        >>> night = Contact(name="Night operator", email="night@example.org", channels=("email",), tanks=("east",))
        >>> night.receives("east", Priority.HIGH), night.receives("west", Priority.HIGH), night.receives(None, Priority.LOW)
        (True, False, True)
        """
        return priority in self.priorities and self.answers_for(tank)
