"""What no single section can know of itself: physics, names that must meet, and what people commonly get wrong."""

from __future__ import annotations

from collections.abc import Callable

from service.site.reading.report import Report
from service.site.reading.section_reader import Draft
from service.site.rules.alarms import check_alarms
from service.site.rules.connectors import check_connectors
from service.site.rules.contacts import check_contacts
from service.site.rules.on_call import check_callout
from service.site.rules.plant import check_plant
from service.site.rules.reports import check_reports
from service.site.rules.signals import check_signals
from service.site.rules.tanks import check_tanks

Rule = Callable[[Draft, Report], None]

#: Those that can be judged even when nobody knows in which unit numbers are written.
RULES_OF_NAMES: tuple[Rule, ...] = (check_plant, check_connectors, check_contacts, check_callout, check_reports)

RULES: tuple[Rule, ...] = (*RULES_OF_NAMES, check_tanks, check_signals, check_alarms)
