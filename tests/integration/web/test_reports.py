"""Shift log, reports and log sheet as pages and files."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from io import BytesIO

import httpx
import pytest
from openpyxl import load_workbook

from service.domain.plant.role import Role
from service.web.reports import reports_page
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite, form_token


def write(client: httpx.Client, words: str, **more: str) -> httpx.Response:
    page = client.get("/shift").text
    data = {"form_token": form_token(page), "id": str(uuid.uuid4()), "note": words} | more
    return client.post("/shift/notes", data=data)


def test_a_note_stands_in_the_log_as_it_was_written(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    assert write(client, "<b>Gate</b> B sticks\nGreased it").status_code == 303
    page = site.client(Role.VIEWER).get("/shift").text
    assert "&lt;b&gt;Gate&lt;/b&gt; B sticks\nGreased it" in page
    assert "Operator Person" in page
    assert "Note for the log" not in page  # a viewer does not write


def test_a_note_is_corrected_by_a_further_one(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    write(client, "Gate B sticks")
    found = re.search(r'name="corrects" value="([^"]+)"', client.get("/shift").text)
    assert found is not None
    write(client, "It is gate C", corrects=found[1])
    page = client.get("/shift").text
    assert "Correction: It is gate C" in page
    assert "(corrected by a later note)" in page


def test_a_note_about_a_shift_that_is_over_shows_where_it_belongs(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    empty = write(client, "   ")
    assert empty.status_code == 400
    assert "The note is empty" in empty.text
    yesterday = (NIGHT - timedelta(hours=12)).isoformat()
    answer = write(client, "forgot: pump 2 tripped", at=yesterday)
    assert "pump 2 tripped" in client.get(answer.headers["location"]).text
    assert "pump 2 tripped" not in client.get("/shift").text


def test_taking_over_signs_with_name_and_time(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    page = client.get("/shift").text
    assert "nobody has signed" in page
    data = {"form_token": form_token(page), "id": str(uuid.uuid4())}
    assert client.post("/shift/take-over", data=data).status_code == 303
    assert "<b>Operator Person</b>, Wed 14 Jan 03:00 EST" in client.get("/shift").text
    assert site.client(Role.VIEWER).get("/shift").text.count("I take over") == 0


def test_shifts_follow_each_other_by_their_links(site: WebSite) -> None:
    client = site.client(Role.VIEWER)
    page = client.get("/shift").text
    before = re.search(r'href="(/shift\?at=[^"]+)">Previous shift', page)
    assert before is not None
    earlier = client.get(before[1]).text
    assert "Shift log: day" in earlier
    after = re.search(r'href="(/shift\?at=[^"]+)">Next shift', earlier)
    assert after is not None
    assert "Shift log: night" in client.get(after[1]).text


def test_documents_are_pdfs_the_browser_shows_and_spreadsheets(site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.0)
    site.plant.core(NIGHT - timedelta(hours=1), 1.05)
    client = site.client(Role.VIEWER)
    for path in ("/shift.pdf", "/log-sheet.pdf", "/reports/daily/pdf", "/reports/monthly/pdf"):
        answer = client.get(path)
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.headers["content-disposition"].startswith("inline")
        assert answer.content.startswith(b"%PDF-")
    sheet = client.get("/log-sheet").text
    assert "1.05 m" in sheet
    assert sheet.count('class="blank"') == 23  # rows for writing by hand
    site.plant.core(NIGHT - timedelta(hours=20), 2.22)  # another shift, the day before
    assert "2.22 m" not in client.get("/log-sheet").text
    day = client.get("/log-sheet", params={"whole": "day", "at": (NIGHT - timedelta(days=1)).isoformat()}).text
    assert "Log sheet of cores: 2026-01-13" in day
    assert "2.22 m" in day
    answer = client.get("/reports/daily/xlsx", params={"date": "2026-01-14"})
    assert 'filename="daily-2026-01-14.xlsx"' in answer.headers["content-disposition"]
    assert load_workbook(BytesIO(answer.content))["Blanket"]["A2"].value == "East clarifier"


def test_two_reports_at_once_leave_the_database_to_the_alarms(site: WebSite, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reports_page, "WAIT", timedelta(0))
    client = site.client(Role.VIEWER)
    with reports_page._running, reports_page._running:
        answer = client.get("/reports/daily")
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "30")
    assert client.get("/reports/daily").status_code == 200


def test_what_is_asked_wrongly_is_said(site: WebSite) -> None:
    client = site.client(Role.VIEWER)
    asked = {
        "/reports/weekly": 404,
        "/reports/daily/csv": 404,
        "/reports/daily?date=yesterday": 400,
        "/reports/daily?date=2026-02-30": 400,
        "/reports/daily?date=2027-01-01": 404,
        "/reports/daily?date=0001-01-01": 404,
        "/reports/monthly?date=2026-01": 200,
        "/shift?at=never": 400,
        "/shift?at=0001-01-01T00:00:00Z": 404,
        "/shift?at=9999-12-31T23:59:59Z": 404,
        "/log-sheet?whole=week": 422,
        "/log-sheet?at=0001-01-01T00:00:00Z": 404,
    }
    assert {path: client.get(path).status_code for path in asked} == asked
