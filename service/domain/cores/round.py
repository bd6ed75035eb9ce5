"""A round: what somebody saw of a tank's surface and machine without lowering a sampler."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from service.domain.cores.core import OVER_THE_WEIR, Surface

#: Words of the trade for the machine and the weirs, beside those of the surface; a site adds its own.
MACHINE_WORDS = (
    "weirs uneven",
    "weirs clogged",
    "brushes worn",
    "brushes stopped",
    "scum box full",
    "noise from the drive",
)
#: Words a round offers. Sludge at the weir is logged with a core, which calls people at once.
ROUND_WORDS = (*(word.value for word in Surface if word not in OVER_THE_WEIR), *MACHINE_WORDS)
#: What belongs to a round is not asked with every core: the sampler is in one hand.
CORE_WORDS = tuple(
    word
    for word in Surface
    if word not in (Surface.SCUM, Surface.FOAM, Surface.HIGH_TORQUE, Surface.BROKEN_FLIGHT, Surface.ALGAE)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One tank seen on a round. ``torque`` is of the drive's rating [–]."""

    id: UUID
    tank: str
    taken_at: datetime
    recorded_at: datetime
    words: tuple[str, ...] = ()
    torque: float | None = None
    taken_by: str = ""
    note: str = ""

    @property
    def surface(self) -> tuple[Surface, ...]:
        """Those of the words that the diagnosis knows.

        >>> from datetime import UTC
        >>> at = datetime(2026, 3, 1, tzinfo=UTC)
        >>> Round(id=UUID(int=1), tank="east", taken_at=at, recorded_at=at, words=("scum", "gate B sticks")).surface
        (<Surface.SCUM: 'scum'>,)
        """
        known = {word.value: word for word in Surface}
        return tuple(known[word] for word in self.words if word in known)

    @property
    def told(self) -> str:
        """What was seen, in one line.

        >>> from datetime import UTC
        >>> at = datetime(2026, 3, 1, tzinfo=UTC)
        >>> Round(id=UUID(int=1), tank="east", taken_at=at, recorded_at=at, words=("scum",), torque=0.4, note="calm").told
        'scum; torque 40 % of the rating; calm'
        """
        torque = "" if self.torque is None else f"torque {100.0 * self.torque:.0f} % of the rating"
        return "; ".join(part for part in (", ".join(self.words), torque, self.note) if part)
