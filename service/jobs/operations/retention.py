"""How long rows stay in the database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.storage.trends.chart_series import Source


@dataclass(frozen=True, slots=True)
class RetentionPolicy:
    """What stays in the database: whole months before the present one, per table; what is not named stays for ever."""

    folder: Path
    months: Mapping[Source, int]
    #: Of the journal and its messages; None for ever.
    journal_months: int | None = None
