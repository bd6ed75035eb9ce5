"""Roles of people, each including those before it, and scopes of tokens."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """A person's role, the least first."""

    VIEWER = "viewer"  #: sees everything but people
    OPERATOR = "operator"  #: logs rounds, answers and shelves alarms
    TECHNICIAN = "technician"  #: works on sensors
    SUPERVISOR = "supervisor"  #: takes alarms out of service, withdraws cores, reads the audit log
    ADMINISTRATOR = "administrator"  #: people and tokens

    def includes(self, least: Role) -> bool:
        """Whether this role may do what *least* may do.

        >>> Role.SUPERVISOR.includes(Role.OPERATOR), Role.VIEWER.includes(Role.OPERATOR)
        (True, False)
        """
        order = list(Role)
        return order.index(self) >= order.index(least)


class SecondFactorRule(StrEnum):
    """Who has to give a one-time code after the password; anybody may choose to."""

    OPTIONAL = "optional"
    ADMINISTRATORS = "administrators"
    EVERYBODY = "everybody"

    def asks(self, role: Role) -> bool:
        """Whether somebody of that role has to have one.

        >>> SecondFactorRule.ADMINISTRATORS.asks(Role.ADMINISTRATOR), SecondFactorRule.ADMINISTRATORS.asks(Role.OPERATOR)
        (True, False)
        """
        return self is SecondFactorRule.EVERYBODY or (
            self is SecondFactorRule.ADMINISTRATORS and role is Role.ADMINISTRATOR
        )


class Scope(StrEnum):
    """What a token may be used for; its owner's role still limits it."""

    READ = "read"
    CORES = "cores"
    ALARMS = "alarms"
    PUSH = "push"
    METRICS = "metrics"
