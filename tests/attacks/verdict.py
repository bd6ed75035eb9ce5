"""What a campaign of attacks came to, and whether any of them succeeded. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.accountant import Account

#: Whoever is called when nobody answers is called so much later [s].
NEXT_STEP_S = 60.0
#: A call may come so much later under attack than without [s].
LATE_S = 60.0


@dataclass(frozen=True)
class Call:
    """One call that an attack was to prevent or delay."""

    attack: str  #: "nothing": what it takes while nobody attacks
    took: float | None  #: from the file that shows the danger to the call; None where it never came [s]
    next_step: bool = False  #: whoever is called first sleeps through it

    @property
    def delay(self) -> float | None:
        """What the service is to answer for [s]."""
        return None if self.took is None else self.took - (NEXT_STEP_S if self.next_step else 0.0)

    def words(self) -> str:
        """For the log of the campaign."""
        if self.took is None:
            return "nobody was called"
        return f"called after {self.took:.0f} s{' (the next person)' if self.next_step else ''}"


@dataclass
class Verdict:
    """Everything a campaign found."""

    calls: list[Call] = field(default_factory=list)
    account: Account = field(default_factory=Account)
    changed: list[str] = field(default_factory=list)  #: files of the service
    shown: list[str] = field(default_factory=list)  #: files with a secret in them that others may read
    restarted: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)  #: attacks that could not be made
    stuck: list[str] = field(default_factory=list)
    pages_down: int = 0
    peak: int = 0  #: memory of all processes together [byte]
    most: int | None = None  #: what it may be [byte]
    ended: list[str] = field(default_factory=list)  #: processes that went for want of memory
    folder: Path | None = None  #: kept where something is wrong

    @property
    def usual(self) -> float:
        """What a call takes while nobody attacks, at most [s]."""
        return max(
            (call.delay for call in self.calls if call.attack == "nothing" and call.delay is not None), default=0.0
        )

    @property
    def missed(self) -> list[str]:
        """Calls that never came, or that the accountant misses."""
        return [
            f"under {call.attack} nobody was called" for call in self.calls if call.took is None
        ] + self.account.missed

    @property
    def late(self) -> list[str]:
        """Calls that came more than a minute later than without an attack."""
        return [
            f"under {call.attack} the call came after {call.took:.0f} s; without an attack it takes {self.usual:.0f} s"
            for call in self.calls
            if call.took is not None and call.delay is not None and call.delay > self.usual + LATE_S
        ]

    def wrong(self) -> list[str]:
        """Everything that must not be, in words."""
        return list(self._wrong())

    def _wrong(self) -> Iterator[str]:
        yield from (f"missed: {line}" for line in self.missed)
        yield from (f"late: {line}" for line in self.late)
        yield from (f"changed: {path}" for path in self.changed)
        yield from (f"readable by others: {path}" for path in self.shown)
        yield from (f"restarted: {line}" for line in self.restarted)
        yield from (f"the attack failed by itself: {line}" for line in self.broken)
        yield from (f"stuck: {line}" for line in self.stuck)
        if self.most is not None and self.peak > self.most:
            yield f"memory: {self.peak >> 20} MB, of {self.most >> 20} MB there were"
        yield from (f"lost: {line}" for line in self.account.lost)
        yield from self.account.unfounded
        yield from self.account.doubled

    def summary(self) -> str:
        """The figures."""
        took = sorted(call.delay for call in self.calls if call.attack != "nothing" and call.delay is not None)
        middle = f", median {took[len(took) // 2]:.0f} s, worst {took[-1]:.0f} s" if took else ""
        return "\n".join(
            [
                f"attacks {sum(call.attack != 'nothing' for call in self.calls)}; calls missed {len(self.missed)},"
                f" late by more than a minute {len(self.late)} (usual {self.usual:.0f} s{middle})",
                f"own files changed {len(self.changed)}, secrets readable by others {len(self.shown)},"
                f" service or database restarted {len(self.restarted)}",
                f"readings produced {self.account.produced}, lost {len(self.account.lost)};"
                f" pages started again {self.pages_down}; memory at most {self.peak >> 20} MB,"
                f" processes ended for want of it {len(self.ended)}",
                *(f"ended: {line}" for line in self.ended),
            ]
        )
