"""Signing in: what it lets through, what it slows down, what it gives away."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from sqlalchemy import text

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import people
from service.storage.database.session import transaction
from service.web.base.access import SESSION_COOKIE
from tests.support.web_plant import PASSWORD, WebSite, form_token


def test_the_right_password_opens_a_new_session_every_time(site: WebSite) -> None:
    first, second = site.client(Role.OPERATOR), site.client(Role.OPERATOR)
    assert first.cookies[SESSION_COOKIE] != second.cookies[SESSION_COOKIE]
    assert "Operator Person" in first.get("/more").text


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(site: WebSite) -> None:
    client = site.client()
    answer = site.sign_in(client, "operator")
    [cookie] = [c for c in answer.headers.get_list("set-cookie") if c.startswith(SESSION_COOKIE)]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert "Secure" not in cookie  # this is plain HTTP on loopback
    assert f"Max-Age={7 * 86_400}" in cookie  # SECURITY.md, 3.3.2
    [visit] = [c for c in answer.headers.get_list("set-cookie") if c.startswith("uw_visit")]
    assert "Max-Age=0" in visit, "what forms were bound to before is over"
    assert "Secure" not in visit
    behind_tls = client.get("/sign-in", headers={"X-Forwarded-Proto": "https"})
    assert behind_tls.headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"


def test_over_tls_the_cookies_are_of_this_host_alone(site: WebSite) -> None:
    """With the prefix browsers refuse such a cookie unless it is Secure, for every path, and of no domain around it."""
    client, tls = site.client(), {"X-Forwarded-Proto": "https"}
    shown = client.get("/sign-in", headers=tls)
    # The test's client speaks plain HTTP and would keep Secure cookies to itself.
    cookies = dict(found.partition(";")[0].split("=", 1) for found in shown.headers.get_list("set-cookie"))
    sent = {"form_token": form_token(shown.text), "name": "operator", "password": PASSWORD}
    answer = client.post("/sign-in", data=sent, headers=tls | {"Cookie": _as_header(cookies)})
    assert answer.status_code == 303
    [cookie] = [c for c in answer.headers.get_list("set-cookie") if SESSION_COOKIE in c]
    assert cookie.startswith(f"__Host-{SESSION_COOKIE}=")
    assert {"Secure", "Path=/", "HttpOnly"} <= set(cookie.split("; "))
    assert "Domain" not in cookie
    name, _, value = cookie.partition(";")[0].partition("=")
    assert client.get("/more", headers=tls | {"Cookie": _as_header({name: value})}).status_code == 200
    # Under the plain name it could have been set by another host of the domain.
    assert client.get("/more", headers=tls | {"Cookie": _as_header({SESSION_COOKIE: value})}).status_code == 303


def _as_header(cookies: dict[str, str]) -> str:
    return "; ".join(f"{name}={value}" for name, value in cookies.items())


def test_a_cookie_planted_before_sign_in_opens_nothing(site: WebSite) -> None:
    """Session fixation: whatever the browser brought, the session begins under a secret of our own making."""
    attacker = site.client(Role.VIEWER)
    planted = attacker.cookies[SESSION_COOKIE]
    victim = site.client()
    victim.cookies.set(SESSION_COOKIE, planted)
    victim.post("/sign-out", data={"form_token": form_token(victim.get("/more").text)})
    victim.cookies.set(SESSION_COOKIE, planted)
    assert site.sign_in(victim, "administrator").status_code == 303
    assert attacker.get("/more").status_code == 303  # the planted session is gone, and was never the administrator's


def test_a_forged_or_changed_cookie_is_nobody(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    right = client.cookies[SESSION_COOKIE]
    for wrong in (right[:-1] + ("A" if right[-1] != "A" else "B"), "x" + right, right.partition(".")[0], "", "a.b"):
        client.cookies.set(SESSION_COOKIE, wrong, domain="127.0.0.1")
        assert client.get("/").status_code == 303


def test_the_database_holds_no_secret_that_opens_anything(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    token = site.token(Role.OPERATOR, Scope.READ)["Authorization"].removeprefix("Bearer ")
    secret = client.cookies[SESSION_COOKIE].partition(".")[0]
    with transaction(site.web.engine) as conn:
        tables = ("web_session", "person", "api_token", "audit_event")
        dump = "".join(str(conn.execute(text(f"SELECT * FROM {table}")).all()) for table in tables)
    assert secret not in dump
    assert token not in dump
    assert PASSWORD not in dump
    assert re.search(r"\$argon2id\$", dump)


def test_signing_out_ends_the_session_for_good(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    kept = client.cookies[SESSION_COOKIE]
    answer = client.post("/sign-out", data={"form_token": form_token(client.get("/more").text)})
    assert (answer.status_code, answer.headers["clear-site-data"]) == (303, '"cache"')
    [cookie] = answer.headers.get_list("set-cookie")
    assert cookie.startswith(f'{SESSION_COOKIE}=""; ')
    assert "Max-Age=0" in cookie
    client.cookies.set(SESSION_COOKIE, kept)
    assert client.get("/").status_code == 303


def test_an_idle_session_ends_and_a_used_one_ends_too(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    for _ in range(13):
        site.clock.forward(people.IDLE - timedelta(minutes=1))
        if client.get("/more").status_code == 303:
            break
    else:
        raise AssertionError("a session used for ever never ended")
    fresh = site.client(Role.OPERATOR)
    site.clock.forward(people.IDLE + timedelta(minutes=1))
    assert fresh.get("/more").status_code == 303


def test_guessing_is_slowed_down_and_the_right_password_waits_with_it(site: WebSite) -> None:
    client = site.client()
    for _ in range(people.FREE_TRIES):
        assert site.sign_in(client, "operator", "wrong horse battery").status_code == 401
    answer = site.sign_in(client, "operator", PASSWORD)
    assert answer.status_code == 429
    assert 1 <= int(answer.headers["retry-after"]) <= 300
    site.clock.forward(timedelta(seconds=int(answer.headers["retry-after"])))
    assert site.sign_in(client, "operator", PASSWORD).status_code == 303


def test_each_further_wrong_guess_costs_more(site: WebSite) -> None:
    client, waits = site.client(), []
    for _ in range(people.FREE_TRIES):
        site.sign_in(client, "operator", "wrong horse battery")
    for _ in range(6):
        wait = int(site.sign_in(client, "operator", "wrong horse battery").headers["retry-after"])
        waits.append(wait)
        site.clock.forward(timedelta(seconds=wait))
        assert site.sign_in(client, "operator", "wrong horse battery").status_code == 401
    assert waits == sorted(waits)
    assert waits[-1] > 10 * waits[0]


def test_others_are_not_locked_out_by_a_guesser_elsewhere(site: WebSite) -> None:
    with transaction(site.web.engine) as conn:
        for _ in range(people.FREE_TRIES + 3):
            conn.execute(
                text("INSERT INTO sign_in_failure (name, address, at) VALUES ('operator', '192.0.2.9', :now)"),
                {"now": site.clock()},
            )
    assert site.sign_in(site.client(), "operator").status_code == 303


@pytest.mark.parametrize("name", ["operator", "nobody-of-that-name", "", "x" * 190, "\u202e", "operator'--"])
def test_every_refusal_says_the_same(site: WebSite, name: str) -> None:
    answer = site.sign_in(site.client(), name, "wrong horse battery")
    assert answer.status_code == 401
    assert "Name or password is wrong." in answer.text


@pytest.mark.parametrize("name", ["operator", "nobody", "switched-off", ""])
def test_a_name_nobody_has_costs_as_much_work_as_a_wrong_password(
    site: WebSite, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """One Argon2 verification each, of a hash with the same cost: counted, as a clock would measure the machine's other work."""
    people.add(
        site.web.engine, name="switched-off", label="", role=Role.VIEWER, password=PASSWORD, now=site.clock(), actor="x"
    )
    people.switch(site.web.engine, "switched-off", False, now=site.clock(), actor="x")
    people.sign_in(site.web.engine, "warm-up", "wrong", address="192.0.2.1", agent="", now=site.clock())
    costs: list[str] = []
    verify, made = people._hasher.verify, people._hasher.hash

    class Counting:
        check_needs_rehash = people._hasher.check_needs_rehash

        def verify(self, stored: str, password: str) -> bool:
            costs.append(stored.rpartition("$")[0].rpartition("$")[0])
            return verify(stored, password)

        def hash(self, password: str) -> str:
            costs.append("another hash")
            return made(password)

    monkeypatch.setattr(people, "_hasher", Counting())
    people.sign_in(site.web.engine, name, "wrong", address="192.0.2.2", agent="", now=site.clock())
    parameters = made("x").rpartition("$")[0].rpartition("$")[0]
    assert costs == [parameters]


@pytest.mark.parametrize(
    "to", ["//example.com", "https://example.com", "/\\example.com", "javascript:alert(1)", "/%0d%0aX: y\r\nX: y"]
)
def test_sign_in_never_leads_elsewhere(site: WebSite, to: str) -> None:
    answer = site.sign_in(site.client(), "operator", to=to)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"


def test_sign_in_leads_back(site: WebSite) -> None:
    client = site.client()
    answer = client.get("/journal?alarm=east.high")
    assert answer.headers["location"] == "/sign-in?to=/journal%3Falarm%3Deast.high"
    assert (
        site.sign_in(client, "operator", to="/journal?alarm=east.high").headers["location"]
        == "/journal?alarm=east.high"
    )
    again = client.get("/sign-in?to=/journal")  # whoever is signed in is not asked again
    assert (again.status_code, again.headers["location"]) == (303, "/journal")


def test_the_form_needs_its_own_token(site: WebSite) -> None:
    client = site.client()
    client.get("/sign-in")
    assert client.post("/sign-in", data={"name": "operator", "password": PASSWORD}).status_code == 403
    other = form_token(site.client().get("/sign-in").text)
    assert (
        client.post("/sign-in", data={"name": "operator", "password": PASSWORD, "form_token": other}).status_code == 403
    )


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("short", "at least 12"),
        ("operator1234", "little more than the name"),
        ("aaaaaaaaaaaaaaa", "repeats"),
        ("heron marsh lantern " * 6 + "canal otter", "at most 128"),
        ("7z q      x9", "at least 12"),  # spaces in a row count as one
        ("Password1234", "many people use"),
    ],
)
def test_weak_passwords_are_refused(site: WebSite, password: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        people.change_password(site.web.engine, "operator", password, now=site.clock(), actor="test")


def test_the_pages_say_what_is_wrong_with_a_password_everybody_uses(site: WebSite) -> None:
    client = site.client(Role.ADMINISTRATOR)
    token, bad = form_token(client.get("/account").text), "1q2w3e4r5t6y"
    answers = (
        client.post(
            "/people",
            data={"form_token": token, "name": "relief", "label": "Relief", "role": "operator", "password": bad},
        ),
        client.post("/people/operator/password", data={"form_token": token, "password": bad}),
        client.post("/account/password", data={"form_token": token, "old": PASSWORD, "new": bad, "again": bad}),
    )
    for answer in answers:
        assert 400 <= answer.status_code < 500
        assert "one that many people use" in answer.text
        assert "four words" in answer.text
        assert bad not in answer.text
    assert "relief" not in client.get("/people").text
    for name in ("operator", "administrator"):
        assert site.sign_in(site.client(), name).status_code == 303  # nobody's password was changed


def test_whoever_finds_an_open_page_cannot_guess_the_password_there(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    token = form_token(client.get("/account").text)

    def change(old: str) -> str:
        new = "blue canal otter seven"
        return client.post("/account/password", data={"form_token": token, "old": old, "new": new, "again": new}).text

    for _ in range(people.FREE_TRIES):
        assert "typed wrong; nothing is changed" in change("wrong horse battery")
    assert "Too many tries" in change(PASSWORD)
    site.clock.forward(people.LONGEST_WAIT)
    assert "The password is changed" in change(PASSWORD)


def test_where_one_is_told_of_changes_takes_the_password(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    token = form_token(client.get("/account").text)

    def keep(email: str, password: str) -> httpx.Response:
        return client.post("/account/email", data={"form_token": token, "email": email, "password": password})

    assert keep("me@example.org", "wrong horse battery").status_code == 400
    assert keep("me@example", PASSWORD).status_code == 400
    assert "me@example.org" not in client.get("/account").text
    assert keep("me@example.org", PASSWORD).status_code == 303
    assert 'value="me@example.org"' in client.get("/account").text
    assert "Account notices go to me@example.org" in site.client(Role.ADMINISTRATOR).get("/people").text


def test_one_sees_where_one_is_signed_in_and_ends_it_there(site: WebSite) -> None:
    lost, here = site.client(), site.client(Role.OPERATOR)
    lost.headers["User-Agent"] = "a phone that was lost"
    site.sign_in(lost, "operator")
    others = site.client(Role.VIEWER)
    page = here.get("/account").text
    assert "a phone that was lost" in page
    keys = re.findall('name="stay" value="([0-9a-f]+)"', page)
    assert len(keys) == 1

    def end(password: str) -> httpx.Response:
        sent = {"form_token": form_token(page), "password": password, "stay": keys}
        return here.post("/account/sessions", data=sent)

    assert end("wrong horse battery").status_code == 400
    assert lost.get("/more").status_code == 200
    assert "Signed out at 1 other place" in end(PASSWORD).text
    assert lost.get("/more").status_code == 303
    assert here.get("/more").status_code == others.get("/more").status_code == 200
    # A session of somebody else's cannot be ended this way.
    token = form_token(others.get("/account").text)
    own = re.findall('name="stay" value="([0-9a-f]+)"', site.client(Role.OPERATOR).get("/account").text)
    assert own
    others.post("/account/sessions", data={"form_token": token, "password": PASSWORD, "stay": own})
    assert here.get("/more").status_code == 200


def test_a_new_password_ends_other_sessions(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    people.change_password(site.web.engine, "operator", "another long pass phrase", now=site.clock(), actor="test")
    assert client.get("/").status_code == 303
    assert site.sign_in(site.client(), "operator", PASSWORD).status_code == 401


def test_the_last_administrator_stays(site: WebSite) -> None:
    with pytest.raises(InputError, match="last administrator"):
        people.switch(site.web.engine, "administrator", False, now=site.clock(), actor="test")
    with pytest.raises(InputError, match="last administrator"):
        people.change_role(site.web.engine, "administrator", Role.VIEWER, now=site.clock(), actor="test")


def test_password_fields_take_what_is_pasted_and_what_a_store_fills_in(site: WebSite) -> None:
    """ASVS 2.1.11: nothing stands in the way of pasting, and fields say what they are for."""
    client = site.client(Role.ADMINISTRATOR)
    pages = [site.client().get("/sign-in").text, client.get("/account").text, client.get("/people").text]
    site.clock.forward(people.PROVEN_FOR + timedelta(seconds=1))
    pages += [client.get("/account/confirm").text, client.get("/account/second-factor").text]
    fields = [field for page in pages for field in re.findall('<input[^>]*type="password"[^>]*>', page)]
    assert len(fields) >= 10
    for field in fields:
        assert re.search('autocomplete="(current|new)-password"', field), field
    assert "onpaste" not in "".join(pages)
    scripts = Path(people.__file__).parents[2] / "web" / "static"
    assert [path.name for path in scripts.glob("*.js") if "paste" in path.read_text("utf-8")] == []
