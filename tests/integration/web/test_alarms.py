"""Alarms on pages and by link: the right person has it, everybody sees it, nothing is done by looking."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.plant.role import Role
from service.jobs.alarms.evaluate import evaluate
from service.storage.accounts.audit import changes
from service.storage.alarms.alarms import alarms
from service.storage.database.session import transaction
from service.web.base.throttle import MAX_FAILURES, MAX_USES, WINDOW
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.web_plant import WebSite, form_token


@pytest.fixture
def storm(site: WebSite) -> WebSite:
    """The east tank's warning calls."""
    for minute in range(4):
        site.plant.believe(NIGHT + minute * MINUTE, 0.9)
    for minute in (0, 2, 3):
        now = NIGHT + minute * MINUTE
        evaluate(site.plant.engine, site.plant.model, projected={}, now=now)
    site.clock.now = NIGHT + 3 * MINUTE
    assert state(site) == "unacknowledged"
    return site


def state(site: WebSite, key: str = "east.high") -> str:
    with transaction(site.web.engine) as conn:
        return next(r.machine.state.value for r in alarms(conn) if r.key == key)


def link_of(site: WebSite) -> str:
    with transaction(site.web.engine) as conn:
        code = next(r.machine.code for r in alarms(conn) if r.key == "east.high")
    return site.web.links.token("east.high", code, site.clock())


def test_acknowledging_says_who_has_it_and_is_written_down(storm: WebSite) -> None:
    client = storm.client(Role.OPERATOR)
    page = client.get("/alarms").text
    assert "Nobody has it yet" in page
    answer = client.post("/alarms/east.high/acknowledge", data={"form_token": form_token(page), "note": "on my way"})
    assert answer.headers["location"] == "/alarms#a-east.high"
    assert state(storm) == "acknowledged"
    assert "Operator Person has it" in storm.client(Role.VIEWER).get("/alarms").text
    assert "Operator Person has it" in storm.client(Role.VIEWER).get("/").text
    with transaction(storm.web.engine) as conn:
        [line] = [c for c in changes(conn) if c.action == "alarm acknowledged"]
    assert (line.actor, line.subject, line.detail["note"]) == ("operator", "east.high", "on my way")


def test_answering_twice_changes_nothing(storm: WebSite) -> None:
    client = storm.client(Role.OPERATOR)
    data = {"form_token": form_token(client.get("/alarms").text)}
    assert client.post("/alarms/east.high/acknowledge", data=data).status_code == 303
    again = client.post("/alarms/east.high/acknowledge", data=data)
    assert again.status_code == 409
    assert "already acknowledged" in again.text


def test_putting_aside_needs_a_reason_and_ends(storm: WebSite) -> None:
    client = storm.client(Role.OPERATOR)
    data = {"form_token": form_token(client.get("/alarms").text), "hours": "2"}
    assert client.post("/alarms/east.high/shelve", data=data).status_code == 400
    assert client.post("/alarms/east.high/shelve", data=data | {"hours": "13", "why": "x"}).status_code == 422
    assert client.post("/alarms/east.high/shelve", data=data | {"why": "divers in the tank"}).status_code == 303
    page = client.get("/alarms").text
    assert "divers in the tank" in page
    assert client.post("/alarms/east.high/unshelve", data=data).status_code == 303
    assert state(storm) != "shelved"


def test_out_of_service_is_the_supervisors(storm: WebSite) -> None:
    operator, supervisor = storm.client(Role.OPERATOR), storm.client(Role.SUPERVISOR)
    path = "/alarms/east.high/remove"
    assert (
        operator.post(path, data={"form_token": form_token(operator.get("/alarms").text), "why": "x"}).status_code
        == 403
    )
    data = {"form_token": form_token(supervisor.get("/alarms").text), "why": "emptied", "permit": "P-12"}
    assert supervisor.post(path, data=data).status_code == 303
    assert state(storm) == "out of service"
    assert supervisor.post("/alarms/east.high/restore", data=data).status_code == 303


def test_looking_at_a_link_changes_nothing_and_pressing_its_button_does(storm: WebSite) -> None:
    link, scanner = link_of(storm), storm.client()
    for _ in range(3):
        page = scanner.get(f"/a/{link}")
        assert page.status_code == 200
        assert "I have it" in page.text
        assert scanner.head(f"/a/{link}").status_code == 405
    assert state(storm) == "unacknowledged"
    answer = storm.client().post(f"/a/{link}", data={"who": "Night operator", "note": "going"})
    assert "Night operator has it" in answer.text
    assert state(storm) == "acknowledged"
    again = storm.client().post(f"/a/{link}", data={"who": "Supervisor"})
    assert "Nothing was changed" in again.text
    assert "Night operator has it" in again.text


def test_a_link_ends_with_its_time_and_with_its_alarm(storm: WebSite) -> None:
    link = link_of(storm)
    storm.clock.forward(timedelta(hours=24, seconds=1))
    assert storm.client().get(f"/a/{link}").status_code == 410
    assert storm.client().post(f"/a/{link}", data={"who": "x"}).status_code == 410
    other = storm.web.links.token("east.high", "ZZZZ", storm.clock())
    assert storm.client().get(f"/a/{other}").status_code == 410


def test_no_changed_link_is_taken(storm: WebSite) -> None:
    link = link_of(storm)
    for place in range(0, len(link), 3):
        storm.clock.forward(timedelta(minutes=1))  # so seldom that no try is kept waiting
        changed = link[:place] + ("A" if link[place] != "A" else "B") + link[place + 1 :]
        # The last character may carry bits that stand for nothing.
        if place < len(link) - 1:
            assert storm.client().get(f"/a/{changed}").status_code == 410, place
    for nonsense in ("x", "AAAA", "=" * 20, "%00", link * 5):
        storm.clock.forward(timedelta(minutes=1))
        assert storm.client().get(f"/a/{nonsense}").status_code in (400, 404, 410)
    assert state(storm) == "unacknowledged"


def test_why_somebody_was_called_stands_on_the_alarms_page(storm: WebSite) -> None:
    page = storm.client(Role.VIEWER).get("/alarms/east.high").text
    assert "abnormal for the whole on-delay" in page
    assert "Night operator" in page
    assert "not notified" in page
    assert "Stay behind the guard rail" in page


def test_an_alarm_nobody_knows_is_not_there(site: WebSite) -> None:
    assert site.client(Role.VIEWER).get("/alarms/nothing").status_code == 404


def test_whoever_tries_links_is_told_to_wait_and_whoever_has_one_is_not(storm: WebSite) -> None:
    """A link is 128 bits of signature: trying never finds one, and costs neither the database nor the people behind the same address."""
    link, client = link_of(storm), storm.client()
    found = [client.get(f"/a/{number}{link}").status_code for number in range(MAX_FAILURES + 1)]
    assert found == [410] * MAX_FAILURES + [429]
    assert int(client.post(f"/a/x{link}", data={"who": "x"}).headers["retry-after"]) > 0
    assert "Night operator has it" in client.post(f"/a/{link}", data={"who": "Night operator"}).text
    storm.clock.forward(WINDOW)
    assert client.get(f"/a/x{link}").status_code == 410


def test_one_link_is_pressed_so_often_and_no_more(storm: WebSite) -> None:
    link, client = link_of(storm), storm.client()
    found = [client.get(f"/a/{link}").status_code for _ in range(MAX_USES + 1)]
    assert found == [200] * MAX_USES + [429]
    storm.clock.forward(WINDOW)
    assert client.get(f"/a/{link}").status_code == 200
