"""Duty, figures and definitions: who sees which number, who may call, and what is written down of it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from sqlalchemy import Engine, text

from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.domain.plant.role import Role
from service.jobs.alarms.evaluate import evaluate
from service.storage.accounts.audit import changes
from service.storage.alarms.alarms import sync_alarms
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.web_plant import WebSite, form_token, served

PEOPLE = (
    Contact(name="Anna & Co", email="anna@example.org", phone="+15550101199", channels=("sms", "email")),
    Contact(name="Ben", email="ben@example.org", channels=("email",)),
)


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    with served(engine) as running:
        nights = Shift(name="nights", people=("Ben",), first_day=date(2026, 1, 1), start=time(19), end=time(7))
        days = replace(nights, name="days", people=("Anna & Co",), start=time(7), end=time(18))
        setup = replace(
            running.plant.setup,
            contacts=PEOPLE,
            channels=frozenset({"email"}),
            rotas=(Rota(key="ops", zone=running.web.zone, shifts=(nights, days)),),
        )
        running.plant.setup = setup
        running.app.state.plant = replace(running.web, alarms=setup)
        yield running


def test_who_is_on_duty_and_where_nobody_is(site: WebSite) -> None:
    page = site.client(Role.VIEWER).get("/duty").text
    assert "<b>Ben</b>, nights, until" in page
    # An hour a day between the shifts is said once above, and marked each time in the list.
    assert page.count("Nobody is on duty") == 1
    assert "Nobody is on duty Wed 14 Jan 18:00 to 19:00 EST, and 13 times more in the two weeks ahead" in page
    assert page.count("■ nobody") == 14
    assert "Anna &amp; Co" in page


@pytest.mark.parametrize(("role", "whole"), [(Role.VIEWER, False), (Role.OPERATOR, True)])
def test_numbers_are_masked_for_those_who_only_look(site: WebSite, role: Role, whole: bool) -> None:
    page = site.client(role).get("/duty").text
    assert ("+15550101199" in page, "anna@example.org" in page) == (whole, whole)
    assert ("…199" in page) != whole
    assert "this service cannot use it" in page
    assert "Send the test call" not in page


def test_a_test_call_is_sent_once_a_minute_and_written_down(site: WebSite) -> None:
    client = site.client(Role.SUPERVISOR)
    form = {"form_token": form_token(client.get("/duty").text), "name": "Anna & Co"}
    sent = client.post("/duty/test", data=form)
    assert sent.status_code == 303
    assert "Anna &amp; Co is being called" in client.get(sent.headers["location"]).text
    assert client.post("/duty/test", data=form).status_code == 409
    assert client.post("/duty/test", data={**form, "name": "Nobody"}).status_code == 404
    assert client.post("/duty/test", data={"name": "Ben"}).status_code == 403
    site.clock.forward(timedelta(minutes=1))
    assert client.post("/duty/test", data=form).status_code == 303
    with transaction(site.web.engine) as conn:
        told = conn.execute(text("SELECT recipient, channel, payload->>'text' FROM outbox ORDER BY id")).all()
        audited = [(c.actor, c.action, c.subject) for c in changes(conn) if c.action == "test call sent"]
    assert [tuple(row) for row in told] == [
        (
            "anna@example.org",
            "email",
            "TEST Alder Creek: Supervisor Person tests this way. Nothing is wrong. Alarms reach you like this.\n",
        )
    ] * 2
    assert audited == [("supervisor", "test call sent", "Anna & Co")] * 2


def test_figures_of_each_month_and_alarm(site: WebSite) -> None:
    for minute in range(3):
        site.plant.believe(NIGHT + minute * MINUTE, 0.9)
        evaluate(site.plant.engine, site.plant.model, projected={}, now=NIGHT + minute * MINUTE)
    site.clock.now = NIGHT + 3 * MINUTE
    page = site.client(Role.VIEWER).get("/figures?months=2").text
    assert "January 2026, so far: 1 alarm<" in page
    assert "December 2025: 0 alarms<" in page
    assert "about 144" in page
    assert "1 time, 100 %" in page


def test_definitions_and_their_history(site: WebSite) -> None:
    changed = [replace(d, limit=1.5) if d.key == "east.high" else d for d in site.plant.setup.definitions]
    with transaction(site.web.engine) as conn:
        sync_alarms(conn, changed, NIGHT, by="Chief", why="nuisance in storms")
    client = site.client(Role.VIEWER)
    page = client.get("/definitions").text
    assert (
        "Chief: definition changed: limit from 3.9 ft under the weir to 4.9 ft under the weir (nuisance in storms)"
        in page
    )
    answer = client.get("/definitions.csv")
    assert answer.headers["content-disposition"].startswith("attachment")
    rows = {row["alarm"]: row for row in csv.DictReader(io.StringIO(answer.text))}
    assert set(rows) == {d.key for d in site.plant.setup.definitions}
    assert "nuisance in storms" in rows["east.high"]["changes"]
