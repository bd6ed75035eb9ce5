"""Retention policy: how long rows stay in the database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.storage.trends.chart_series import Source


@dataclass(frozen=True, slots=True)
class RetentionPolicy:
    """Whole months before the present one that stay in the database, per table; tables not named stay for ever."""

    folder: Path
    months: Mapping[Source, int]
    #: Of the journal and its messages; None for ever.
    journal_months: int | None = None
