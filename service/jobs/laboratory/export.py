"""Laboratory values and the day's figures as CSV and as plain values for programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from service.domain.laboratory.day import DayFigure
from service.storage.laboratory.results import LaboratoryRecord

#: Columns of the export; a dropped sheet may have the same.
CSV_COLUMNS = ("time", "tank", "kind", "value", "unit", "minute", "stirred", "dilution", "by", "note", "value_si", "source", "id")  # fmt: skip


def csv_of(records: Sequence[LaboratoryRecord]) -> str:
    """The values as CSV, as typed and in SI; times in UTC."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\r\n")
    out.writerow(CSV_COLUMNS)
    for record in records:
        r = record.result
        out.writerow(
            (
                r.taken_at.isoformat(),
                r.tank or "",
                r.kind.value,
                f"{record.typed_value:.12g}",
                record.typed_unit,
                "" if r.minute is None else r.minute,
                "yes" if r.stirred else "",
                f"{r.dilution:g}" if r.dilution != 1.0 else "",
                _cell(r.taken_by),
                _cell(r.note),
                f"{r.value:.12g}",
                _cell(record.source),
                r.id,
            )
        )
    return text.getvalue()


def _cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def result_values(record: LaboratoryRecord) -> dict[str, Any]:
    """A value for programs: in SI, and as typed."""
    r = record.result
    return {
        "id": r.id,
        "kind": r.kind.value,
        "tank": r.tank,
        "taken_at": r.taken_at,
        "recorded_at": r.recorded_at,
        "value_si": r.value,
        "typed_value": record.typed_value,
        "typed_unit": record.typed_unit,
        "minute": r.minute,
        "stirred": r.stirred,
        "dilution": r.dilution,
        "taken_by": r.taken_by,
        "note": r.note,
        "source": record.source,
        "warnings": list(record.warnings),
        "supersedes": record.supersedes,
        "correction_reason": record.correction_reason,
    }


def figure_values(figure: DayFigure) -> dict[str, Any]:
    """A figure for programs."""
    return {
        "key": figure.key,
        "name": figure.name,
        "value_si": figure.value,
        "of": figure.of,
        "remarks": list(figure.remarks),
        "missing": list(figure.missing),
        "formula": figure.formula,
        "source": figure.source,
    }
