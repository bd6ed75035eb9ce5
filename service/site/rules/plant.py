"""The site as a whole."""

from __future__ import annotations

from service.site.reading.report import Report
from service.site.reading.section_reader import Draft
from service.site.sections.section import ZONE_OF_WORD

#: IANA names that never change to summer time although people who write them mostly do.
_FIXED_OFFSET = ("EST", "MST", "HST")


def check_plant(draft: Draft, report: Report) -> None:
    """Time zone and presence of the parts without which nothing can be watched."""
    if draft.site is not None and draft.site.section.time_zone in _FIXED_OFFSET:
        zone = draft.site.section.time_zone
        near = ZONE_OF_WORD[zone.lower()]
        report.warning(
            draft.site, "time_zone", f"{zone} knows no summer time", f'write "{near}" unless the plant has none'
        )
    if not draft.tanks and "tank" not in draft.incomplete:
        report.error(None, None, "no tank is described", "write a [[tank]] with key, kind, shape and side_water_depth")
    if draft.tanks and not draft.signals and "signal" not in draft.incomplete:
        report.warning(None, None, "no signal is described", "write a [[signal]] for each instrument")
