"""A mistake deep inside a nested table is told once, where it is."""

from __future__ import annotations

from service.site import check_site
from tests.integration.readings.test_probe import SITE


def test_a_wrong_word_in_a_point_is_one_finding_on_its_own_line() -> None:
    text = SITE.format(port=502, order="ABCD").replace("holding_register", "holding")
    [finding] = [f for f in check_site(text) if f.severity == "error"]
    assert text.splitlines()[finding.line - 1] == 'table = "holding"'
    assert "holding_register" in finding.remedy
