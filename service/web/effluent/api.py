"""A month of effluent against the permit, for programs. SI and UTC."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from fastapi import Query

from service.domain.plant.period import PeriodKind
from service.web.api.router import api_router
from service.web.base.access import Reader
from service.web.base.plant import Plant
from service.web.effluent.permit_page import report_of
from service.web.reports.reports_page import period_asked

router = api_router("effluent")


@router.get("/effluent")
def effluent(
    plant: Plant, visitor: Reader, month: Annotated[str, Query(max_length=20, description="As 2026-03.")] = ""
) -> dict[str, Any]:
    """Limits, daily values with how complete they are, averages, stretches beyond, signatures and what changed since."""
    period = period_asked(plant, PeriodKind.MONTHLY, month)
    report = report_of(plant, period)
    found = report.month
    return {
        "month": period.name,
        "running": plant.clock() < period.end,
        "permit": {"name": found.permit.name, "outfall": found.permit.outfall},
        "limits": [{"measure": one.measure, "term": one.term, "value_si": one.value} for one in found.permit.limits],
        "days": [
            {
                "day": day.day,
                "measure": day.measure,
                "value_si": day.value,
                "limit_si": day.limit,
                "verdict": day.verdict,
                "origin": day.origin,
                "whole": day.whole,
                "covered": day.covered,
                "highest_si": day.highest,
                "hours_beyond": day.beyond / timedelta(hours=1),
                "lost_kg": day.lost,
            }
            for day in found.days
        ],
        "averages": [
            {
                "first": one.first,
                "last": one.last,
                "measure": one.limit.measure,
                "term": one.limit.term,
                "value_si": one.value,
                "limit_si": one.limit.value,
                "verdict": one.verdict,
                "days": one.days,
                "whole_days": one.whole,
            }
            for one in found.averages
        ],
        "beyond": [
            {
                "start": one.beyond.start,
                "end": one.beyond.end,
                "highest": one.beyond.highest,
                "lost_kg": one.beyond.lost,
            }
            for one in report.exceedances
        ],
        "signatures": [{"by": one.by, "at": one.at, "reason": one.reason} for one in report.signatures],
        "changes_since": [
            {"at": one.at, "what": one.what, "was": one.was, "is": one.now, "by": one.by, "why": one.why}
            for one in report.changes
        ],
    }
