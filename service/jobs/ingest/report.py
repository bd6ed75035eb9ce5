"""Reports on a poll and on each delivery in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from connectors.base import Reject


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """Result of one file or one answer of a device. Every reading and every core counts exactly once."""

    origin: str
    batch_id: int | None = None
    #: The same content was processed before; nothing was changed.
    already_taken_in: bool = False
    first_taken_in_at: datetime | None = None
    accepted: int = 0
    duplicate: int = 0
    revised: int = 0
    rejected: int = 0
    cores_accepted: int = 0
    cores_duplicate: int = 0
    cores_corrected: int = 0
    cores_rejected: int = 0
    #: The first rejects, with line and reason; the connector's quarantine holds them all.
    rejects: tuple[Reject, ...] = ()
    #: What was kept but should be looked at, one sentence each.
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestReport:
    """Result of one poll of a connector. ``error`` says why it ended early; what came before it is stored."""

    connector: str
    deliveries: tuple[DeliveryReport, ...] = ()
    error: str = ""
    #: Whether the same poll may succeed later without anybody doing anything.
    retryable: bool = False

    @property
    def accepted(self) -> int:
        """New readings."""
        return sum(delivery.accepted for delivery in self.deliveries)

    @property
    def duplicate(self) -> int:
        """Readings stored already with the same value."""
        return sum(delivery.duplicate for delivery in self.deliveries)

    @property
    def revised(self) -> int:
        """Readings that changed a stored value."""
        return sum(delivery.revised for delivery in self.deliveries)

    @property
    def rejected(self) -> int:
        """Rows and samples that could not be taken in, each with a reason."""
        return sum(delivery.rejected for delivery in self.deliveries)
