"""One door for each route, and what opens none: wrong and foreign tokens, people switched off."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.routing import APIRoute

from service.domain.plant.role import Role, Scope
from service.jobs.accounts import people
from service.storage.accounts import api_tokens
from service.storage.database.session import transaction
from service.web.app import ROUTERS
from service.web.base.access import Needs, Public
from tests.support.web_plant import PASSWORD, WebSite, form_token


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


def test_every_route_names_who_may_enter() -> None:
    for method, path, route in routes():
        assert len(doors(route)) == 1, f"{method} {path} has to name one least role, or say why it is public"


def test_a_token_of_somebody_else_cannot_be_taken_back(site: WebSite) -> None:
    header, stranger = site.token(Role.OPERATOR, Scope.READ), site.client(Role.SUPERVISOR)
    with transaction(site.web.engine) as conn:
        [token] = api_tokens.tokens(conn)
    form = {"form_token": form_token(stranger.get("/account").text)}
    assert stranger.post(f"/account/tokens/{token.id}/revoke", data=form).status_code == 404
    assert site.client().get("/api/v1/tanks", headers=header).status_code == 200


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
