"""Signing in at a real OpenID Connect provider: who may, as what, and every lie turned away."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import httpx
import pytest
from joserfc.jwk import OctKey, RSAKey

from service.domain.plant.role import Role
from service.identity import IdentityClient, IdentityProvider
from service.jobs.accounts import people as jobs
from service.storage.accounts.audit import changes
from service.storage.accounts.people import PersonRecord, find_subject, people
from service.storage.database.session import transaction
from service.web.base.access import SESSION_COOKIE
from tests.support.identity_provider import CLIENT, SECRET, Provider, identity_provider
from tests.support.web_plant import WebSite


@pytest.fixture
def provider(site: WebSite) -> Iterator[Provider]:
    """A provider this site's pages know of."""
    with identity_provider(site.clock) as found:
        found.claims["roles"] = ["operator"]
        use(site, found)
        yield found


def use(site: WebSite, provider: Provider, claim: str = "roles", roles: dict[str, Role] | None = None) -> None:
    described = IdentityProvider(
        issuer=provider.issuer,
        client_id=CLIENT,
        client_secret=SECRET,
        callback=f"{site.url}/sign-in/single/done",
        role_claim=claim,
        roles=roles or {},
    )
    site.app.state.plant = replace(site.web, identity=IdentityClient(described))


def there(client: httpx.Client, to: str = "/") -> str:
    """Press the button; where the provider sends the browser back to."""
    answer = client.get("/sign-in/single", params={"to": to})
    assert answer.status_code == 303, answer.text
    return httpx.get(answer.headers["location"]).headers["location"]


def sign_in(client: httpx.Client, to: str = "/") -> httpx.Response:
    return client.get(there(client, to))


def known(site: WebSite, provider: Provider, subject: str = "a-1") -> PersonRecord | None:
    with transaction(site.web.engine) as conn:
        return find_subject(conn, f"{provider.issuer}|{subject}")


def test_somebody_the_provider_knows_gets_in_as_what_it_says(site: WebSite, provider: Provider) -> None:
    client = site.client()
    assert "Single sign-on" in client.get("/sign-in").text
    answer = sign_in(client, "/alarms?x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms?x=1")
    assert SESSION_COOKIE in client.cookies
    assert "Sam O." in client.get("/more").text
    person = known(site, provider)
    assert person is not None
    assert (person.name, person.role, person.password_set_at) == ("sam", Role.OPERATOR, None)
    assert provider.problems == []
    # The next time they are the same person, with the role of today.
    provider.claims |= {"roles": ["viewer", "technician", "king"], "preferred_username": "samantha"}
    assert sign_in(site.client()).status_code == 303
    again = known(site, provider)
    assert again is not None
    assert (again.id, again.name, again.role) == (person.id, "sam", Role.TECHNICIAN)
    with transaction(site.web.engine) as conn:
        assert {c.action for c in changes(conn, limit=6)} == {
            "signed in",
            "new browser used",
            "role changed",
            "person added",
        }
    assert site.sign_in(site.client(), "sam", "").status_code == 401  # no password opens it
    # A key the service has not seen yet is looked up.
    provider.change_keys()
    assert sign_in(site.client()).status_code == 303
    assert sign_in(site.client(), "//example.com").headers["location"] == "/"


def test_a_name_gives_nobody_a_local_account(site: WebSite, provider: Provider) -> None:
    provider.claims |= {"sub": "b-2", "preferred_username": "Administrator", "roles": "viewer"}
    client = site.client()
    assert sign_in(client).status_code == 303
    assert client.get("/people").status_code == 403
    person = known(site, provider, "b-2")
    assert person is not None
    assert (person.name, person.role) == ("administrator-2", Role.VIEWER)


def test_whoever_has_no_role_or_is_switched_off_stays_outside(site: WebSite, provider: Provider) -> None:
    use(site, provider, "realm.groups", {"plant-ops": Role.OPERATOR})
    provider.claims |= {"roles": ["administrator"], "realm": {"groups": ["administrator", "canteen"]}}
    answer = sign_in(site.client())
    assert answer.status_code == 403
    assert "have no role here" in answer.text
    assert known(site, provider) is None
    # What the token leaves out, the provider may say when asked; of somebody else it says nothing.
    provider.userinfo = {"sub": "somebody else", "realm.groups": ["plant-ops"]}
    assert sign_in(site.client()).status_code == 403
    provider.userinfo["sub"] = "a-1"
    del provider.claims["realm"]
    assert sign_in(site.client()).status_code == 303
    jobs.switch(site.web.engine, "sam", False, now=site.clock(), actor="test")
    answer = sign_in(site.client())
    assert answer.status_code == 403
    assert "switched off" in answer.text


def test_no_lie_opens_the_door(site: WebSite, provider: Provider) -> None:
    now = int(site.clock().timestamp())
    lies: list[dict[str, Any]] = [
        {"nonce": "another"},
        {"nonce": None},
        {"iss": "https://id.example.org"},
        {"aud": "another program"},
        {"aud": [CLIENT, "another program"]},  # for whom was it made?
        {"azp": "another program"},
        {"exp": now - 600},
        {"exp": None},
        {"iat": now + 600},
        {"sub": None},
        {"sub": 7},
    ]
    for lie in lies:
        provider.lies = lie
        answer = sign_in(site.client())
        assert answer.status_code == 401, lie
        assert "cannot be trusted" in answer.text
    provider.lies = {"aud": [CLIENT]}
    assert sign_in(site.client()).status_code == 303
    provider.lies = {}
    provider.signs_with = RSAKey.generate_key(2048, {"kid": provider.key.kid})  # somebody else's
    assert sign_in(site.client()).status_code == 401
    # Our own secret is no signature of theirs.
    provider.signs_with, provider.algorithm = OctKey.import_key(SECRET), "HS256"
    assert sign_in(site.client()).status_code == 401
    with transaction(site.web.engine) as conn:
        assert len(people(conn)) == len(Role) + 1


def test_only_the_browser_that_left_comes_back_and_only_once(site: WebSite, provider: Provider) -> None:
    client, other = site.client(), site.client()
    back = there(client)
    assert other.get(back).status_code == 400  # never left
    there(other)
    assert other.get(back).status_code == 400  # left under another state
    assert client.get(back).status_code == 303
    client.cookies.clear()
    assert client.get(back).status_code == 400  # a second time
    late = there(other)
    site.clock.forward(timedelta(minutes=11))
    assert other.get(late).status_code == 400
    for query in ("", "?state=x", "?code=x&state=%00", "?error=access_denied"):
        assert site.client().get(f"/sign-in/single/done{query}").status_code == 400
    provider.refuses = "access_denied"
    assert sign_in(site.client()).status_code == 401


def test_without_the_provider_local_accounts_remain(site: WebSite, provider: Provider) -> None:
    provider.issuer += "/elsewhere"  # it does not call itself what we call it
    use(site, provider)
    answer = site.client().get("/sign-in/single")
    assert answer.status_code == 503
    assert "cannot be reached" in answer.text
    assert site.sign_in(site.client(), "viewer").status_code == 303
    site.app.state.plant = site.web
    assert site.client().get("/sign-in/single").status_code == 404
    assert "Single sign-on" not in site.client().get("/sign-in").text
