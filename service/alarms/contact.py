"""Somebody who can be told, and what they want to be told about."""

from __future__ import annotations

from dataclasses import dataclass

from service.alarms.definition import Priority
from service.domain.units import UnitSystem


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

    def receives(self, tank: str | None, priority: Priority) -> bool:
        """Whether an alarm of that tank (None: the whole plant) and priority is theirs.

        >>> night = Contact(name="Night operator", email="night@example.org", channels=("email",), tanks=("east",))
        >>> night.receives("east", Priority.HIGH), night.receives("west", Priority.HIGH), night.receives(None, Priority.LOW)
        (True, False, True)
        """
        return priority in self.priorities and (tank is None or not self.tanks or tank in self.tanks)
