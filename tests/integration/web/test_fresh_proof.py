"""What guards accounts is changed by whoever proves again that they are its owner: a stolen cookie is not enough."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import people
from service.jobs.accounts.people import LONGEST_ALARM_TOKEN, LONGEST_TOKEN, PROVEN_FOR
from service.storage.accounts import api_tokens, second_factors
from service.storage.accounts import people as store
from service.storage.database.session import transaction
from service.web.base.access import SESSION_COOKIE
from tests.integration.web.test_second_factor import STEP, set_up
from tests.integration.web.test_single_sign_on import use
from tests.support.identity_provider import Provider, identity_provider
from tests.support.web_plant import PASSWORD, WebSite, form_token

NEXT = "four quiet copper bells"
TOKEN = {"purpose": "a thief's", "scope": ["read", "alarms"], "days": "90"}
#: What somebody would do with an administrator's cookie.
THEFTS = [
    ("/account/tokens", TOKEN),
    ("/people", {"name": "thief", "label": "T", "role": "administrator", "password": NEXT}),
    ("/people/viewer/role", {"role": "administrator"}),
    ("/people/supervisor/role", {"role": "viewer"}),
    ("/people/supervisor/password", {"password": NEXT}),
    ("/people/supervisor/switch", {"on": "no"}),
    ("/people/supervisor/second-factor/off", {}),
]


def stolen(site: WebSite, role: Role = Role.ADMINISTRATOR) -> httpx.Client:
    """A browser with somebody's cookie, some minutes after they signed in."""
    owner = site.client(role)
    site.clock.forward(PROVEN_FOR + timedelta(seconds=1))
    thief = site.client()
    thief.cookies.set(SESSION_COOKIE, owner.cookies[SESSION_COOKIE], domain="127.0.0.1")
    assert thief.get("/account").status_code == 200
    return thief


def confirm(client: httpx.Client, proof: str, to: str = "/account") -> httpx.Response:
    token = form_token(client.get("/account").text)
    return client.post("/account/confirm", data={"form_token": token, "proof": proof, "to": to})


def everything(site: WebSite) -> tuple[object, ...]:
    with transaction(site.web.engine) as conn:
        return store.people(conn), api_tokens.tokens(conn), second_factors.confirmed(conn)


@pytest.mark.parametrize(("path", "sent"), THEFTS)
def test_with_a_cookie_alone_nothing_is_changed(site: WebSite, path: str, sent: dict[str, str]) -> None:
    set_up(site, site.client(Role.SUPERVISOR))
    thief, before = stolen(site), everything(site)
    page = "/account" if path.startswith("/account") else "/people"
    answer = thief.post(path, data={"form_token": form_token(thief.get("/account").text), **sent})
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/account/confirm?to={page}"
    assert "Nothing has been changed so far." in thief.get(answer.headers["location"]).text
    assert everything(site) == before
    assert 'action="/people' not in thief.get("/people").text
    assert 'action="/account/tokens"' not in thief.get("/account").text
    # Whoever knows the password goes on where they were, for some minutes.
    assert confirm(thief, "wrong horse battery", page).status_code == 400
    assert everything(site) == before
    assert confirm(thief, PASSWORD, page).headers["location"] == page
    token = form_token(thief.get(page).text)
    assert f'action="{path.rpartition("/")[0] or path}' in thief.get(page).text
    assert thief.post(path, data={"form_token": token, **sent}).status_code in (200, 303)
    assert everything(site) != before
    site.clock.forward(PROVEN_FOR + timedelta(seconds=1))
    late = thief.post(path, data={"form_token": token, **sent})
    assert late.headers.get("location", "").startswith("/account/confirm")


def test_a_program_is_told_why(site: WebSite) -> None:
    thief = stolen(site)
    sent = {"form_token": form_token(thief.get("/account").text), **TOKEN}
    answer = thief.post("/account/tokens", data=sent, headers={"Accept": "application/json"})
    assert answer.status_code == 403
    assert "Confirm first" in answer.json()["detail"]


def test_where_a_second_factor_is_on_its_code_is_asked_for_and_counts_once(site: WebSite) -> None:
    phone, codes = set_up(site, site.client(Role.OPERATOR))
    client = site.client()
    site.sign_in(client, "operator")
    token = form_token(client.get("/sign-in/code").text)
    client.post("/sign-in/code", data={"form_token": token, "code": phone.at(site.clock())})
    site.clock.forward(PROVEN_FOR + STEP)
    assert "Code from your phone" in client.get("/account/confirm").text
    assert confirm(client, PASSWORD).status_code == 400
    code = phone.at(site.clock())
    assert confirm(client, code).status_code == 303
    site.clock.forward(STEP)
    other = stolen_from(site, client)
    site.clock.forward(PROVEN_FOR)
    assert confirm(other, code).status_code == 400
    assert confirm(other, codes[0]).status_code == 303


def stolen_from(site: WebSite, owner: httpx.Client) -> httpx.Client:
    thief = site.client()
    thief.cookies.set(SESSION_COOKIE, owner.cookies[SESSION_COOKIE], domain="127.0.0.1")
    return thief


def test_a_key_that_is_being_set_up_is_shown_to_nobody_with_a_cookie_alone(site: WebSite) -> None:
    """Whoever sees the key has the second factor for good."""
    owner, page = site.client(Role.OPERATOR), "/account/second-factor"
    token = form_token(owner.get(page).text)
    site.clock.forward(PROVEN_FOR + STEP)
    assert owner.post(page, data={"form_token": token, "password": PASSWORD}).status_code == 303
    assert "otpauth://" in owner.get(page).text
    assert owner.get(f"{page}/code.svg").status_code == 200
    site.clock.forward(PROVEN_FOR + STEP)
    thief = stolen_from(site, owner)
    assert "otpauth://" not in thief.get(page).text
    assert thief.get(f"{page}/code.svg").status_code == 404


def test_guessing_the_proof_is_slowed_like_guessing_at_the_door(site: WebSite) -> None:
    thief = stolen(site)
    for _ in range(people.FREE_TRIES):
        assert "typed wrong" in confirm(thief, "wrong horse battery").text
    assert "Too many tries" in confirm(thief, PASSWORD).text
    assert "Too many tries" in site.sign_in(site.client(), "administrator").text


def test_the_proof_is_one_sessions_and_ends_with_it(site: WebSite) -> None:
    thief, owner = stolen(site), site.client(Role.ADMINISTRATOR)
    assert 'action="/people"' in owner.get("/people").text  # who has just signed in has just proved it
    assert 'action="/people"' not in thief.get("/people").text
    assert thief.get("/account/confirm", params={"to": "//example.com"}).status_code == 200
    assert confirm(thief, PASSWORD, "//example.com").headers["location"] == "/"


def test_an_administrators_own_password_takes_the_old_one(site: WebSite) -> None:
    client = site.client(Role.ADMINISTRATOR)
    token = form_token(client.get("/people").text)
    assert 'action="/people/administrator/password"' not in client.get("/people").text
    for name in ("administrator", " Administrator "):
        answer = client.post(f"/people/{name}/password", data={"form_token": token, "password": NEXT})
        assert answer.status_code == 400
        assert "with the current one" in answer.text
    wrong = client.post("/account/password", data={"form_token": token, "old": NEXT, "new": NEXT, "again": NEXT})
    assert wrong.status_code == 400
    assert site.sign_in(site.client(), "administrator").status_code == 303


def opens(site: WebSite, header: dict[str, str]) -> bool:
    return site.client().get("/api/v1/tanks", headers=header).status_code == 200


@pytest.mark.parametrize(
    "change",
    [
        lambda e, now: people.change_password(e, "operator", NEXT, now=now, actor="operator"),
        lambda e, now: people.change_password(e, "operator", NEXT, now=now, actor="administrator"),
        lambda e, now: people.change_role(e, "operator", Role.VIEWER, now=now, actor="administrator"),
        lambda e, now: people.switch(e, "operator", False, now=now, actor="administrator"),
    ],
    ids=["own password", "password reset", "role lost", "switched off"],
)
def test_tokens_end_with_the_password_the_role_and_the_person_for_good(site: WebSite, change: object) -> None:
    header, others = site.token(Role.OPERATOR, Scope.READ), site.token(Role.VIEWER, Scope.READ)
    assert opens(site, header)
    assert callable(change)
    change(site.web.engine, site.clock())
    assert not opens(site, header)
    people.switch(site.web.engine, "operator", True, now=site.clock(), actor="test")
    people.change_role(site.web.engine, "operator", Role.OPERATOR, now=site.clock(), actor="test")
    assert not opens(site, header)
    assert opens(site, others)


def test_a_higher_role_ends_no_token(site: WebSite) -> None:
    header = site.token(Role.OPERATOR, Scope.READ)
    people.change_role(site.web.engine, "operator", Role.SUPERVISOR, now=site.clock(), actor="test")
    assert opens(site, header)


def test_no_token_is_good_for_ever_and_the_page_says_so(site: WebSite) -> None:
    client, header = site.client(Role.OPERATOR), site.token(Role.OPERATOR, Scope.READ)
    page = client.get("/account").text
    assert "At most 365; at most 90 if it may answer alarms" in page
    assert "when your password is changed by anybody" in page
    token = form_token(page)
    for scope, days in (("read", "366"), ("alarms", "91")):
        refused = client.post(
            "/account/tokens", data={"form_token": token, "purpose": "x", "scope": [scope], "days": days}
        )
        assert refused.status_code == 400
        assert f"at most {int(days) - 1} days" in refused.text
    with pytest.raises(InputError, match="at most 90 days"):
        people.issue_token(
            site.web.engine, "operator", purpose="x", scopes=[Scope.ALARMS], now=site.clock(), actor="x",
            expires_at=site.clock() + timedelta(days=91), longest=timedelta(days=3000),
        )  # fmt: skip
    answers = site.token(Role.OPERATOR, Scope.ALARMS, Scope.READ)  # without a word about days, as the command allows
    site.clock.forward(LONGEST_ALARM_TOKEN)
    assert not opens(site, answers)
    assert opens(site, header)
    site.clock.forward(LONGEST_TOKEN - LONGEST_ALARM_TOKEN)
    assert not opens(site, header)


@pytest.fixture
def provider(site: WebSite) -> Iterator[Provider]:
    with identity_provider(site.clock) as found:
        found.claims["roles"] = ["administrator"]
        use(site, found)
        yield found


def through(client: httpx.Client, **asked: str) -> httpx.Response:
    """To the provider and back."""
    there = client.get("/sign-in/single", params=asked).headers["location"]
    return client.get(httpx.get(there).headers["location"])


def test_single_sign_on_proves_nothing_until_the_provider_has_asked_again(site: WebSite, provider: Provider) -> None:
    client = site.client()
    through(client)
    now = int(site.clock().timestamp())
    assert 'action="/people"' not in client.get("/people").text  # the provider's own cookie may have let them in
    page = client.get("/account/confirm", params={"to": "/people"}).text
    [link] = re.findall('href="(/sign-in/single[^"]*)"', page)
    assert confirm(client, "anything").status_code == 400
    # A provider that lets them through by its cookie, or does not say when it asked, proves nothing.
    for lie in ({}, {"auth_time": now - 3600}, {"auth_time": "now"}, {"auth_time": now + 3600}, {"auth_time": 1e300}):
        provider.claims |= {"auth_time": None}
        provider.lies = lie
        answer = through(client, fresh="yes", to="/people")
        assert answer.status_code in (401, 403), lie
        assert 'action="/people"' not in client.get("/people").text
    provider.lies = {"auth_time": now}
    there = client.get(link.replace("&amp;", "&")).headers["location"]
    asked = parse_qs(urlsplit(there).query)
    assert (asked["prompt"], asked["max_age"]) == (["login"], ["0"])
    before = client.cookies[SESSION_COOKIE]
    answer = client.get(httpx.get(there).headers["location"])
    assert answer.headers["location"] == "/people"
    assert 'action="/people"' in client.get("/people").text
    thief = site.client()
    thief.cookies.set(SESSION_COOKIE, before, domain="127.0.0.1")
    assert thief.get("/people").status_code == 303  # the session before is over


def test_an_administrator_is_asked_for_a_second_step_by_default() -> None:
    from service.settings import Settings  # reads nothing of this machine's when its class is looked at
    from service.web.base.plant import WebPlant

    assert Settings.model_fields["second_factor"].default == "administrators"
    assert WebPlant.__dataclass_fields__["second_factor"].default == "administrators"
