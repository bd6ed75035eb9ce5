"""One's own account: strong passwords while they are typed and at sign-in, browsers that are new, what is kept, and how fast is too fast."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit
from uuid import uuid4

import httpx
import pytest
from sqlalchemy import Engine, text

from service.domain.plant.role import Role, Scope
from service.jobs.accounts import password as password_rules
from service.jobs.accounts import people
from service.storage.accounts import audit
from service.storage.accounts import people as store
from service.storage.cores.cores import insert_core
from service.storage.database.session import transaction
from service.web.accounts.sign_in import KNOWN_COOKIE
from service.web.base import request_limit, throttle
from tests.support.alarm_plant import NIGHT
from tests.support.plant import core_record
from tests.support.web_plant import PASSWORD, WebSite, form_token, served

WEAK = "sunshine1234"


def noted(engine: Engine, action: str) -> list[audit.AuditRecord]:
    with transaction(engine) as conn:
        return audit.changes_since(conn, NIGHT - timedelta(days=1), (action,))


def test_a_browser_that_was_not_used_before_is_noted_once_for_each_person(site: WebSite, engine: Engine) -> None:
    """ASVS 2.2.3; that its owner gets a mail: integration/accounts/test_notices.py."""
    client, other = site.client(), site.client()
    for _ in range(3):
        assert site.sign_in(client, "operator").status_code == 303
        client.post("/sign-out", data={"form_token": form_token(client.get("/more").text)})
    assert [(line.subject, line.address) for line in noted(engine, "new browser used")] == [("operator", "127.0.0.1")]
    site.sign_in(client, "viewer")  # the same tablet, somebody else
    site.sign_in(other, "operator")
    assert [line.subject for line in noted(engine, "new browser used")] == ["operator", "viewer", "operator"]
    kept = other.cookies[KNOWN_COOKIE]
    assert site.app.state.signer.value(kept) is None, "it would be taken for a session"
    forger = site.client()
    forger.cookies.set(KNOWN_COOKIE, kept.replace(kept[-4:], "aaaa"), path="/sign-in")
    site.sign_in(forger, "operator")
    assert len(noted(engine, "new browser used")) == 4


def test_a_password_that_newer_lists_name_is_found_at_sign_in_and_asked_to_be_changed(
    site: WebSite, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ASVS 2.1.7: what was good by the lists of its day is held against those of today, once, when it is typed."""
    looked_at = []
    usual = password_rules._guesses

    def counted(password: str, words: tuple[str, ...]) -> float:
        looked_at.append(password)
        return usual(password, words)

    monkeypatch.setattr(password_rules, "_guesses", counted)
    with transaction(engine) as conn:
        viewer, operator = people.person_of(conn, "viewer"), people.person_of(conn, "operator")
        store.set_password(conn, viewer.id, people._hash(WEAK), password_rules.rules(), NIGHT)
    assert site.sign_in(site.client(), "viewer", WEAK).headers["location"] == "/"
    assert looked_at == []  # the lists are those it was held against
    monkeypatch.setattr(password_rules, "rules", lambda: "newer lists")
    for _ in range(2):
        assert site.sign_in(site.client(), "operator").headers["location"] == "/"
    assert looked_at == [PASSWORD], "a good one is looked at once"
    with transaction(engine) as conn:
        assert store.password_rules_of(conn, operator.id) == "newer lists"

    client = site.client()
    led = urlsplit(site.sign_in(client, "viewer", WEAK, to="/alarms?x=1").headers["location"])
    assert (led.path, parse_qs(led.query)) == ("/account/weak-password", {"to": ["/alarms?x=1"]})
    page = client.get(f"{led.path}?{led.query}").text
    assert "guessed early" in page
    assert 'href="/alarms?x=1"' in page  # whoever is called at night goes on to what called
    assert 'href="https' not in client.get("/account/weak-password?to=https://example.com").text
    assert [line.subject for line in noted(engine, "weak password used")] == ["viewer"]
    token = form_token(client.get("/account").text)
    client.post("/account/password", data={"form_token": token, "old": WEAK, "new": PASSWORD, "again": PASSWORD})
    assert site.sign_in(site.client(), "viewer").headers["location"] == "/"


def test_how_strong_a_password_is_is_said_while_it_is_typed(site: WebSite) -> None:
    """ASVS 2.1.8; the meter itself: integration/browser/test_account.py."""
    client = site.client(Role.OPERATOR)
    page = client.get("/account").text
    assert re.search(r'src="/static/strength\.js', page)
    head = {"X-Form-Token": form_token(page)}

    def judged(password: str, name: str = "") -> dict[str, object]:
        answer = client.post("/account/password-strength", json={"password": password, "name": name}, headers=head)
        assert answer.status_code == 200, answer.text
        found: dict[str, object] = answer.json()
        return found

    assert judged("")["guesses"] == 0
    assert judged("short")["sentence"] == "A password has at least 12 characters; four words make a good one."
    weak, good = judged(WEAK), judged("four quiet copper bells")
    assert (weak["good"], good["good"]) == (False, True)
    assert float(str(weak["guesses"])) < 8 < float(str(good["guesses"]))
    assert not judged("r.okafor-2026", "r.okafor")["good"]
    assert client.post("/account/password-strength", json={"password": PASSWORD}).status_code == 403


def test_everybody_takes_away_what_is_kept_about_them_and_nothing_of_others(site: WebSite, engine: Engine) -> None:
    """ASVS 8.3.2."""
    site.token(Role.OPERATOR, Scope.READ)
    with transaction(engine) as conn:
        for hours, by in enumerate(("Operator Person", "Viewer Person")):
            record = core_record(site.plant.ids, taken_at=NIGHT + timedelta(hours=hours))
            insert_core(conn, replace(record, core=replace(record.core, taken_by=by)))
        conn.execute(
            text(
                "INSERT INTO shift_note (id, shift_start, recorded_at, kind, author, note)"
                " VALUES (gen_random_uuid(), :at, :at, 'note', 'Operator Person', 'scum on the east clarifier')"
            ),
            {"at": NIGHT},
        )
    answer = site.client(Role.OPERATOR).get("/account/data.json")
    assert answer.headers["content-disposition"].startswith('attachment; filename="operator-')
    found = answer.json()
    assert found["account"][0]["name"] == "operator"
    assert [one["address"] for one in found["sessions"]] == ["127.0.0.1"]
    assert [one["name"] for one in found["tokens"]] == ["a test"]
    assert [one["tank"] for one in found["cores"]] == ["east"]
    assert [one["note"] for one in found["shift_log"]] == ["scum on the east clarifier"]
    assert {one["action"] for one in found["changes"]} >= {
        "person added",
        "signed in",
        "token made",
        "new browser used",
    }
    assert {"operator"} == {one["subject"] for one in found["changes"]}
    assert found["more_than_is_told"] == []
    assert not re.search(r"argon2|[0-9a-f]{64}|Viewer", json.dumps(found)), "hashes, or somebody else"


def test_what_is_kept_is_told_before_anybody_signs_in(site: WebSite) -> None:
    """ASVS 8.3.3: in plain words, and nothing is kept of whoever only reads it."""
    stranger = site.client()
    assert 'href="/privacy"' in stranger.get("/sign-in").text
    told = stranger.get("/privacy").text
    for said in ("phone number", "network address", "How long", "Who sees it", "half an hour"):
        assert said in told
    assert 'href="/account/data.json"' in site.client(Role.VIEWER).get("/privacy").text


def test_one_client_asks_so_much_and_then_slowly_while_others_go_on(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ASVS 11.1.4. Whoever comes without a session or token is not held up: links of alarm mails, gateways, monitoring."""
    monkeypatch.setattr(request_limit, "MOST_IN_A_ROW", 20)
    monkeypatch.setattr(request_limit, "MORE_A_SECOND", 0.001)
    with served(engine) as site:
        greedy, other = site.token(Role.VIEWER, Scope.READ), site.token(Role.VIEWER, Scope.READ)
        link = site.web.links.token("east.high", "K7MD", site.clock())
        with httpx.Client(base_url=site.url, timeout=300) as client:
            answers = [client.get("/api/v1/tanks", headers=greedy) for _ in range(25)]
            assert [answer.status_code for answer in answers] == [200] * 20 + [429] * 5
            assert int(answers[-1].headers["retry-after"]) > 1
            assert client.get("/api/v1/tanks", headers=other).status_code == 200
            assert {client.get("/livez").status_code for _ in range(25)} == {200}
            assert {client.get(f"/a/{link}").status_code for _ in range(25)} == {410}  # an alarm that is over


def test_no_session_changes_more_than_a_person_can(site: WebSite, monkeypatch: pytest.MonkeyPatch) -> None:
    """ASVS 11.1.2: cores, answers to alarms, notes, work on sensors; whatever has a form."""
    monkeypatch.setattr(throttle, "MAX_CHANGES", 5)
    client, other = site.client(Role.OPERATOR), site.client(Role.SUPERVISOR)
    token = form_token(client.get("/account").text)

    def note(who: httpx.Client, token: str) -> int:
        return who.post("/shift/notes", data={"form_token": token, "id": str(uuid4()), "note": "scum"}).status_code

    assert [note(client, token) for _ in range(7)] == [303] * 5 + [429] * 2
    assert client.post("/alarms/east.high/acknowledge", data={"form_token": token}).status_code == 429
    assert note(other, form_token(other.get("/account").text)) == 303
    site.clock.forward(throttle.WINDOW)
    assert note(client, token) == 303
