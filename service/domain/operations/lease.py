"""Leases with fencing tokens: which of several nodes does a piece of work.

Pure. :class:`Lease` is what the database keeps and follows the database's clock alone; :class:`Tenure` is what one node
believes of it by its own steady clock, which may run at another rate, stand still while the node is paused, and knows
nothing of the time of day. A node stops before its lease ends; should it wake too late to know, its number no longer fits
and nothing it writes is accepted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

#: How long a lease lasts unless it is renewed [s].
TERM_S = 15.0

#: How much earlier its holder stops [s]: clocks a quarter apart in rate still agree on who may work.
MARGIN_S = 3.0

#: How often leases are renewed and looked for [s]; two turns may fail before a lease is lost.
TURN_S = 4.0


#: The pieces of work that are not the reading of a source.
EVALUATE, DELIVER, PAST, MAINTAIN = "evaluate", "deliver", "past", "maintain"


def reading(source: str) -> str:
    """Name the work of reading a source."""
    return f"poll:{source}"


def work_label(work: str) -> str:
    """A piece of work as people call it.

    >>> work_label("deliver"), work_label(reading("panel"))
    ('messages', 'reading panel')
    """
    source = work.removeprefix(reading(""))
    return {EVALUATE: "alarms", DELIVER: "messages", PAST: "past estimates", MAINTAIN: "upkeep"}.get(
        work
    ) or f"reading {source}"


@dataclass(frozen=True, slots=True)
class Lease:
    """What the database keeps of one lease. ``token`` grows with every change of holder and never falls."""

    token: int = 0
    holder: str | None = None
    expires: float = -math.inf  #: by the database's clock [s]

    def free(self, now: float, term: float = TERM_S) -> bool:
        """Whether anybody may take it. One that lasts longer than any term was written before the clock was set back."""
        return self.holder is None or self.expires <= now or self.expires > now + 2 * term

    def taken(self, holder: str, now: float, term: float = TERM_S) -> Lease:
        """Given to a new holder where it is free; unchanged where it is not."""
        return Lease(self.token + 1, holder, now + term) if self.free(now, term) else self

    def renewed(self, holder: str, now: float, term: float = TERM_S) -> Lease:
        """Prolonged for its holder, late or not, as nobody else has it; unchanged for anybody else."""
        return replace(self, expires=now + term) if self.holder == holder else self

    def given_up(self, holder: str) -> Lease:
        """Left by its holder; unchanged for anybody else."""
        return replace(self, holder=None) if self.holder == holder else self

    def admits(self, holder: str, token: int) -> bool:
        """Whether what was begun under a number may still be written."""
        return self.holder == holder and self.token == token


class LeaseStatus(StrEnum):
    """How a node stands to a piece of work."""

    HELD = "held"
    LAPSED = "lapsed"  #: held last, but not renewed in time: perhaps another node has it, perhaps the database is away
    ELSEWHERE = "elsewhere"


@dataclass(frozen=True, slots=True)
class Tenure:
    """What one node believes of one lease; times by its own steady clock [s]."""

    token: int = 0  #: 0 where another node has it
    until: float = -math.inf

    @staticmethod
    def granted(token: int, asked_at: float, term: float = TERM_S, margin: float = MARGIN_S) -> Tenure:
        """After the database said yes. Counted from the asking: it answered later than that, and its lease ends later."""
        return Tenure(token, asked_at + term - margin)

    def standing(self, now: float) -> LeaseStatus:
        """Whether the node may work."""
        if self.token == 0:
            return LeaseStatus.ELSEWHERE
        return LeaseStatus.HELD if now < self.until else LeaseStatus.LAPSED
