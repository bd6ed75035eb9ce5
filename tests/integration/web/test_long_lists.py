"""Lists show so many rows, and say that there are more."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.plant.role import Role, Scope
from service.storage.cores.cores import insert_core
from service.storage.database.session import transaction
from service.web.accounts import people_page
from service.web.cores import round_page
from tests.support.alarm_plant import NIGHT
from tests.support.plant import core_record
from tests.support.web_plant import WebSite


def test_the_list_of_cores_ends_and_says_where_all_of_them_are(site: WebSite, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(round_page, "LISTED", 3)
    client = site.client(Role.VIEWER)
    for number in range(5):
        record = core_record(site.web.ids, taken_at=NIGHT - number * timedelta(hours=1))
        with transaction(site.web.engine) as conn:
            insert_core(conn, replace(record, core=replace(record.core, note=f"number {number}")))
        assert ("These are the newest" in client.get("/cores").text) is (number >= 3)
    shown = client.get("/cores").text
    assert [number for number in range(5) if f"number {number}" in shown] == [0, 1, 2]
    assert "These are the newest 3." in shown
    assert client.get("/api/v1/exports/cores.csv").text.count("number") == 5


def test_the_account_page_lists_so_many_browsers_and_says_when_there_are_more(
    site: WebSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(people_page, "LISTED", 3)
    for number in range(1, 5):
        shown = site.client(Role.OPERATOR).get("/account").text
        assert ("used last are listed" in shown) is (number > 3), number


def test_the_account_page_lists_so_many_tokens_and_says_when_there_are_more(
    site: WebSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(people_page, "LISTED", 2)
    client = site.client(Role.OPERATOR)
    for number in range(1, 4):
        site.token(Role.OPERATOR, Scope.READ)
        assert ("those that still open something first" in client.get("/account").text) is (number > 2), number
