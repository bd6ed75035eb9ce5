"""Who may do what: every role against every route, generated from the application's own routes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from fastapi.routing import APIRoute

from service.domain.role import Role, Scope
from service.jobs import people
from service.storage import api_tokens
from service.storage.session import transaction
from service.web.access import FORM_CHECKS, Needs, Public
from service.web.app import ROUTERS
from tests.web_plant import PASSWORD, WebSite, form_token

#: Routes anybody may ask, each with a reason in the code; a new one has to be put here too, so that nobody opens a door unseen.
PUBLIC = {
    ("GET", "/sign-in"),
    ("POST", "/sign-in"),
    ("GET", "/sign-in/code"),
    ("POST", "/sign-in/code"),
    ("GET", "/sign-in/single"),
    ("GET", "/sign-in/single/done"),
    ("GET", "/offline"),
    ("GET", "/worker.js"),
    ("GET", "/manifest.webmanifest"),
    ("GET", "/livez"),
    ("GET", "/readyz"),
    ("GET", "/readyz/alarms"),
    ("GET", "/cautions"),
    ("GET", "/a/{token}"),
    ("POST", "/a/{token}"),
    ("POST", "/gateway/{key}/receipt"),
    ("POST", "/gateway/{key}/receipt/{secret}"),
    ("POST", "/gateway/{key}/reply"),
    ("POST", "/gateway/{key}/reply/{secret}"),
}
#: Changes that need no form token: a signed link or a gateway's secret is the permission, and no cookie lends it any power.
UNCHECKED = {(method, path) for method, path in PUBLIC if path.startswith(("/a/", "/gateway/")) and method == "POST"}


def routes() -> Iterator[tuple[str, str, APIRoute]]:
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, APIRoute)
            for method in sorted(route.methods or ()):
                yield method, route.path, route


def calls(dependant: Any) -> Iterator[Any]:
    for one in dependant.dependencies:
        yield one.call
        yield from calls(one)


def doors(route: APIRoute) -> list[Needs | Public]:
    return list({id(call): call for call in calls(route.dependant) if isinstance(call, Needs | Public)}.values())


ALL = [(method, path) for method, path, _ in routes()]


def test_every_route_names_who_may_enter() -> None:
    for method, path, route in routes():
        assert len(doors(route)) == 1, f"{method} {path} has to name one least role, or say why it is public"


def test_only_these_routes_are_public() -> None:
    assert {(m, p) for m, p, route in routes() if isinstance(doors(route)[0], Public)} == PUBLIC


def test_whatever_changes_something_asks_for_the_form_token() -> None:
    for method, path, route in routes():
        checked = any(call in FORM_CHECKS for call in calls(route.dependant))
        assert checked == (method != "GET" and (method, path) not in UNCHECKED), f"{method} {path}"


def test_routes_are_distinct() -> None:
    assert len(ALL) == len(set(ALL))


#: Streams that never end on their own are asked for by another test.
ENDLESS = {"/live"}


def test_every_role_against_every_route(site: WebSite) -> None:
    """A role that may not is refused before anything is looked at; one that may is let past the door."""
    clients: dict[Role | None, httpx.Client] = {None: site.client()}
    clients |= {role: site.client(role) for role in Role}
    wrong = []
    for method, path, route in routes():
        [door] = doors(route)
        if isinstance(door, Public) or path in ENDLESS or path == "/sign-out":
            continue
        address = re.sub(
            r"\{(\w+)(?::path)?\}", lambda m: "csv" if m[1] == "form" else "cores" if m[1] == "what" else "x", path
        )
        address = address.replace("/cores/x", "/cores/00000000-0000-4000-8000-000000000000")
        for role, client in clients.items():
            token = "" if role is None else form_token(client.get("/more").text)
            answer = client.request(
                method,
                address,
                headers={"X-Form-Token": token},
                data={"form_token": token} if method != "GET" else None,
            )
            if role is None:
                refused = answer.status_code in (401, 403) or (
                    answer.status_code == 303 and answer.headers["location"].startswith("/sign-in")
                )
                if not refused:
                    wrong.append((method, path, "nobody", answer.status_code))
            elif (answer.status_code == 403) != (not role.includes(door.role)) or answer.status_code >= 500:
                wrong.append((method, path, role.value, answer.status_code))
    assert wrong == []


def test_a_token_opens_only_its_scopes(site: WebSite) -> None:
    client = site.client()
    opened: dict[Scope, set[tuple[str, str]]] = {}
    for scope in Scope:
        header = site.token(Role.ADMINISTRATOR, scope)
        for method, path, route in routes():
            [door] = doors(route)
            if isinstance(door, Public) or path in ENDLESS:
                continue
            address = re.sub(r"\{(\w+)(?::path)?\}", lambda m: "csv" if m[1] == "form" else "cores", path)
            answer = client.request(method, address, headers={**header, "Accept": "application/json"})
            if answer.status_code not in (401, 403):
                opened.setdefault(scope, set()).add((method, path))
    for scope, found in opened.items():
        wanted = {(m, p) for m, p, r in routes() if isinstance(d := doors(r)[0], Needs) and d.scope is scope}
        assert found == wanted, scope
    assert set(opened) == set(Scope)


def test_a_token_of_somebody_else_cannot_be_taken_back(site: WebSite) -> None:
    header, stranger = site.token(Role.OPERATOR, Scope.READ), site.client(Role.SUPERVISOR)
    with transaction(site.web.engine) as conn:
        [token] = api_tokens.tokens(conn)
    form = {"form_token": form_token(stranger.get("/account").text)}
    assert stranger.post(f"/account/tokens/{token.id}/revoke", data=form).status_code == 404
    assert site.client().get("/api/v1/tanks", headers=header).status_code == 200


def test_a_token_cannot_do_more_than_its_owner(site: WebSite) -> None:
    answer = site.client().post(
        "/api/v1/alarms/ABCD/acknowledge", json={}, headers=site.token(Role.VIEWER, Scope.ALARMS, Scope.READ)
    )
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("header", ["Bearer uw_wrong", "Bearer", "Bearer nothing", "Basic dTpw"])
def test_a_wrong_token_opens_nothing(site: WebSite, header: str) -> None:
    answer = site.client().get("/api/v1/tanks", headers={"Authorization": header})
    assert answer.status_code == 401
    assert answer.json()["status"] == 401


def test_a_person_switched_off_is_out_at_once(site: WebSite) -> None:
    client, header = site.client(Role.OPERATOR), site.token(Role.OPERATOR, Scope.READ)
    assert client.get("/").status_code == 200
    assert client.get("/api/v1/tanks", headers=header).status_code == 200
    people.switch(site.web.engine, "operator", False, now=site.clock(), actor="test")
    assert client.get("/").status_code == 303
    assert site.client().get("/api/v1/tanks", headers=header).status_code == 401
    assert site.sign_in(site.client(), "operator", PASSWORD).status_code == 401
