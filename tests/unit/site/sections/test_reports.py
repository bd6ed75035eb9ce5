"""The section about reports: what is right comes through, what is wrong is found."""

from __future__ import annotations

from datetime import time

import pytest

from service.site import check_site, parse_site
from tests.unit.site.sections.test_on_call import BASE

CLEO = '[[contact]]\nname = "Cleo"\nphone = "+15550100103"\n'


def test_reports_come_through() -> None:
    mailing = parse_site(BASE + '[reports]\nto = ["Ann", "Ben"]\ndaily = "06:00"\ncores = "at once"\n').mailing()
    assert [contact.email for contact in mailing.to] == ["ann@example.org", "ben@example.org"]
    assert (mailing.daily, mailing.monthly, mailing.cores_at_once) == (time(6), None, True)


def test_without_the_section_nothing_leaves() -> None:
    mailing = parse_site(BASE).mailing()
    assert (mailing.to, mailing.cores_at_once) == ((), False)


@pytest.mark.parametrize(
    ("written", "field", "said"),
    [
        ('[reports]\nto = ["Anm"]\ndaily = "06:00"', "reports.to", 'did you mean "Ann"?'),
        ('[reports]\nto = ["Cleo"]\ndaily = "06:00"', "reports.to", "no e-mail address"),
        ('[reports]\nto = []\ndaily = "06:00"', "reports.to", ""),
        ('[reports]\nto = ["Ann"]\ndaily = "6 am"', "reports.daily", "no time of day"),
        ('[reports]\nto = ["Ann"]\ndayly = "06:00"', "reports.dayly", "daily"),
        ('[reports]\nto = ["Ann"]', "reports", "nothing is sent"),
        ('[reports]\nto = ["Ann"]\ncores = "now"', "reports.cores", ""),
        ('[[reports]]\nto = ["Ann"]\ndaily = "06:00"', "reports", "two brackets"),
        ('[report]\nto = ["Ann"]\ndaily = "06:00"', "report", "did you mean [reports]?"),
        ("reports = 1\n", "", ""),
    ],
)
def test_mistakes_are_found_where_they_are(written: str, field: str, said: str) -> None:
    text = written + BASE if written.startswith("reports") else BASE + CLEO + written
    findings = [f for f in check_site(text) if f.field.startswith("report")]
    assert len(findings) == 1, findings
    assert findings[0].field == field or not field
    assert said in f"{findings[0].problem} {findings[0].remedy}"
