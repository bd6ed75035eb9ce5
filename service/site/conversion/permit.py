"""Converts the permit's section to the limits the effluent is held against."""

from __future__ import annotations

from service.domain.effluent.permit import APPROACHING, NO_PERMIT, Permit, PermitLimit, Term
from service.site.sections.permit import WEEKDAYS, PermitSection


def permit_of(section: PermitSection | None) -> Permit:
    """The permit a section describes; without limits where there is no section."""
    if section is None:
        return NO_PERMIT
    return Permit(
        name=section.name or "",
        outfall=section.outfall or "",
        limits=tuple(
            PermitLimit(measure, term, terms[term])
            for measure, terms in section.limits().items()
            for term in Term
            if term in terms
        ),
        approaching=section.approaching or APPROACHING,
        sampled_tanks=section.sampled_tanks,
        week_starts=WEEKDAYS.index(section.week_starts),
    )
