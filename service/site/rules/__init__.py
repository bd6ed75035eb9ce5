"""Checks across sections: physics, references between sections, and common mistakes."""

from __future__ import annotations

from collections.abc import Callable

from service.site.reading.report import Report
from service.site.reading.section_reader import Draft
from service.site.rules.alarms import check_alarms
from service.site.rules.connectors import check_connectors
from service.site.rules.contacts import check_contacts, check_reports
from service.site.rules.on_call import check_on_call
from service.site.rules.permit import check_permit
from service.site.rules.signals import check_signals
from service.site.rules.tanks import check_plant, check_tanks

Rule = Callable[[Draft, Report], None]

#: Rules that need no unit system, and so can run when the file's is unknown.
RULES_OF_NAMES: tuple[Rule, ...] = (check_plant, check_connectors, check_contacts, check_on_call, check_reports)

RULES: tuple[Rule, ...] = (*RULES_OF_NAMES, check_tanks, check_signals, check_permit, check_alarms)
