"""Who may use which route: a table written by hand from "Who may do what" in deploy/SECURITY.md, and each line tried for real.

The table is what was meant; the application's routes are only held against it. A new route needs a line here, and one there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

import httpx
import pytest
from fastapi.routing import APIRoute

from service.domain.plant.role import Role, Scope, SecondFactorRule
from service.jobs.accounts.people import PROVEN_FOR
from service.web.app import ROUTERS
from tests.support.web_plant import WebSite, form_token

VIEWER, OPERATOR, TECHNICIAN = Role.VIEWER, Role.OPERATOR, Role.TECHNICIAN
SUPERVISOR, ADMINISTRATOR = Role.SUPERVISOR, Role.ADMINISTRATOR
#: What each role includes, written out: the order in the code is what is tested.
INCLUDES = {
    VIEWER: {VIEWER},
    OPERATOR: {VIEWER, OPERATOR},
    TECHNICIAN: {VIEWER, OPERATOR, TECHNICIAN},
    SUPERVISOR: {VIEWER, OPERATOR, TECHNICIAN, SUPERVISOR},
    ADMINISTRATOR: {VIEWER, OPERATOR, TECHNICIAN, SUPERVISOR, ADMINISTRATOR},
}


@dataclass(frozen=True)
class Line:
    """One route: the least role (None: anybody), a token's scope, whether the form token is asked for."""

    method: str
    path: str
    least: Role | None
    scope: Scope | None = None
    form: bool = False
    #: Also for somebody who has to set up a second factor before anything else.
    before_second_factor: bool = False
    #: The cookie alone does not do it: who it is has to be proven a moment ago.
    proven: bool = False


def see(least: Role | None, *paths: str, before_second_factor: bool = False) -> list[Line]:
    return [Line("GET", path, least, before_second_factor=before_second_factor) for path in paths]


def change(least: Role | None, *paths: str, before_second_factor: bool = False, proven: bool = False) -> list[Line]:
    return [
        Line("POST", path, least, form=True, before_second_factor=before_second_factor, proven=proven) for path in paths
    ]


def by_program(method: str, least: Role, scope: Scope, *paths: str) -> list[Line]:
    return [Line(method, path, least, scope, form=method != "GET") for path in paths]


WHO_MAY = [
    # Anybody: signing in, general advice, what a phone needs where there is no signal, what monitoring asks.
    *see(None, "/sign-in", "/sign-in/code", "/sign-in/single", "/sign-in/single/done"),
    *change(None, "/sign-in", "/sign-in/code"),
    *see(None, "/cautions", "/offline", "/worker.js", "/manifest.webmanifest", "/livez", "/readyz", "/readyz/alarms"),
    *see(None, "/privacy"),
    # Anybody with the link of an alarm mail: that occurrence alone. A gateway with its secret: receipts and replies.
    *see(None, "/a/{token}"),
    Line("POST", "/a/{token}", None),
    Line("POST", "/gateway/{key}/receipt", None),
    Line("POST", "/gateway/{key}/reply", None),
    # Viewers see the plant.
    *see(VIEWER, "/", "/live", "/more", "/health", "/tanks/{key}", "/tanks/{key}/what-if"),
    *see(VIEWER, "/cores", "/cores/{core_id}", "/cores/{core_id}/photo.jpg"),
    *see(VIEWER, "/alarms", "/alarms/{name}", "/journal", "/figures", "/definitions", "/definitions.csv", "/duty"),
    *see(VIEWER, "/sensors", "/sensors/{tag:path}", "/calibrations/{calibration_id}"),
    *see(VIEWER, "/calibrations/{calibration_id}/certificate.pdf"),
    *see(VIEWER, "/laboratory", "/laboratory/{result_id}", "/laboratory/values.csv"),
    *see(VIEWER, "/rounds", "/rounds/{round_id}"),
    *see(VIEWER, "/shift", "/shift.pdf", "/log-sheet", "/log-sheet.pdf"),
    *see(VIEWER, "/reports", "/reports/{span}", "/reports/{span}/{form}", "/permit", "/permit.{form}"),
    # Everybody keeps their own account.
    *see(VIEWER, "/account", "/account/weak-password", "/account/data.json"),
    *change(VIEWER, "/account/password-strength"),
    *change(VIEWER, "/account/password", "/account/email", "/account/sessions"),
    *change(VIEWER, "/account/tokens/{token_id}/revoke", "/account/second-factor/off"),
    *see(VIEWER, "/account/confirm"),
    *change(VIEWER, "/account/confirm"),
    *change(VIEWER, "/account/tokens", proven=True),
    *see(VIEWER, "/account/second-factor", "/account/second-factor/code.svg", before_second_factor=True),
    *change(VIEWER, "/account/second-factor", "/account/second-factor/confirm", before_second_factor=True),
    *change(VIEWER, "/sign-out", before_second_factor=True),
    # Operators log rounds, answer alarms and hand the shift over.
    *see(OPERATOR, "/round", "/round/data"),
    *change(OPERATOR, "/round", "/cores/{core_id}/correct"),
    *change(OPERATOR, "/laboratory", "/laboratory/{result_id}/correct", "/rounds", "/rounds/{round_id}/correct"),
    *change(OPERATOR, "/alarms/{name}/acknowledge", "/alarms/{name}/shelve", "/alarms/{name}/unshelve"),
    *change(OPERATOR, "/alarms/{name}/reset", "/shift/notes", "/shift/take-over"),
    # Technicians work on sensors.
    *see(TECHNICIAN, "/sensors/{tag:path}/calibrate"),
    *change(TECHNICIAN, "/sensors/{tag:path}/calibrate"),
    # Supervisors take back what was logged, take alarms out of service, try the way out, read the audit log.
    *change(SUPERVISOR, "/cores/{core_id}/withdraw", "/cores/{core_id}/photo/remove"),
    *change(SUPERVISOR, "/calibrations/{calibration_id}/withdraw", "/laboratory/{result_id}/withdraw"),
    *change(SUPERVISOR, "/rounds/{round_id}/withdraw"),
    *change(SUPERVISOR, "/permit/sign"),
    *change(SUPERVISOR, "/alarms/{name}/remove", "/alarms/{name}/restore", "/duty/test"),
    *see(SUPERVISOR, "/audit"),
    # Administrators decide who may do what.
    *see(ADMINISTRATOR, "/people"),
    *change(ADMINISTRATOR, "/people", "/people/{name}/role", "/people/{name}/switch", proven=True),
    *change(ADMINISTRATOR, "/people/{name}/password", "/people/{name}/second-factor/off", proven=True),
    # Programs, by the scope of their token and the role of its owner; people may ask for the same.
    *by_program("GET", VIEWER, Scope.METRICS, "/metrics"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/tanks", "/api/v1/tanks/{key}", "/api/v1/tanks/{key}/estimates"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/tanks/{key}/loading", "/api/v1/tanks/{key}/series"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/signals", "/api/v1/signals/{tag}/readings", "/api/v1/cores"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/effluent"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/sensors", "/api/v1/sensors/{tag:path}", "/api/v1/alarms"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/calibrations/{calibration_id}", "/api/v1/journal"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/exports/{what}.{form}", "/api/v1/openapi.json"),
    *by_program("POST", OPERATOR, Scope.CORES, "/api/v1/cores", "/api/v1/cores/{core_id}/photo"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/laboratory", "/api/v1/laboratory/figures"),
    *by_program("GET", VIEWER, Scope.READ, "/api/v1/rounds"),
    *by_program("POST", OPERATOR, Scope.CORES, "/api/v1/laboratory", "/api/v1/rounds"),
    *by_program("POST", OPERATOR, Scope.ALARMS, "/api/v1/alarms/{name}/acknowledge"),
    *by_program("POST", OPERATOR, Scope.PUSH, "/api/v1/readings"),
]
#: A stream that never ends is looked at by its first bytes.
ENDLESS = "/live"


def routes() -> Iterator[tuple[str, str]]:
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, APIRoute)
            yield from ((method, route.path) for method in sorted(route.methods or ()))


def test_every_route_stands_in_the_table_and_every_line_is_a_route() -> None:
    lines, found = [(line.method, line.path) for line in WHO_MAY], list(routes())
    assert sorted(lines) == sorted(found)
    assert len(set(lines)) == len(lines)


def address(line: Line) -> str:
    """The route's address with invented names in it."""
    invented = {"form": "csv", "what": "cores", "span": "daily", "core_id": "00000000-0000-4000-8000-000000000000"}
    invented["result_id"] = invented["core_id"]
    return re.sub(r"\{(\w+)(?::path)?\}", lambda found: invented.get(found[1], "x"), line.path)


def ask(client: httpx.Client, line: Line, token: str = "", headers: dict[str, str] | None = None) -> httpx.Response:
    sent = {"X-Form-Token": token, **(headers or {})}
    data = {"form_token": token} if line.method != "GET" else None
    if line.path == ENDLESS:
        with client.stream(line.method, address(line), headers=sent) as answer:
            return answer
    return client.request(line.method, address(line), headers=sent, data=data)


def let_in(answer: httpx.Response) -> bool:
    """Whether the door opened, whatever was found behind it."""
    sent_away = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in")
    return answer.status_code not in (401, 403) and not sent_away


def by_role(site: WebSite) -> dict[Role, tuple[httpx.Client, str]]:
    found = {}
    for role in Role:
        client = site.client(role)
        found[role] = client, form_token(client.get("/more").text)
    return found


@pytest.mark.untraced  # goes often over what other tests reach
def test_each_role_gets_exactly_as_far_as_the_table_says(site: WebSite) -> None:
    """A route opened to a role too low lets a viewer set the supervisor's password; one closed leaves a night without an answer."""
    people, nobody = by_role(site), site.client()
    wrong = []
    for line in WHO_MAY:
        if line.least is None or line.path == "/sign-out":
            continue
        if let_in(answer := ask(nobody, line)):
            wrong.append(("nobody", line.method, line.path, answer.status_code))
        for role, (client, token) in people.items():
            answer = ask(client, line, token)
            if let_in(answer) != (line.least in INCLUDES[role]) or answer.status_code >= 500:
                wrong.append((role.value, line.method, line.path, answer.status_code))
    assert wrong == []
    # Nobody was put out, renamed or given another role by what was tried.
    assert [ask(client, Line("GET", "/more", VIEWER)).status_code for client, _ in people.values()] == [200] * 5


def test_nothing_is_changed_without_the_form_token_of_ones_own_visit(site: WebSite) -> None:
    """A page elsewhere could otherwise have an operator's own browser shelve an alarm."""
    people = by_role(site)
    client, _ = people[ADMINISTRATOR]
    of_another = people[SUPERVISOR][1]
    wrong = [
        (line.path, name, answer.status_code)
        for line in WHO_MAY
        if line.form
        for name, token in (("none", ""), ("of another", of_another))
        if (answer := ask(client, line, token)).status_code != 403
    ]
    assert wrong == []


def test_what_needs_no_form_token_is_refused_for_want_of_its_own_secret(site: WebSite) -> None:
    """Links and gateways bring their permission with them; a wrong one opens nothing."""
    for line in WHO_MAY:
        if line.least is None and line.method == "POST" and not line.form:
            assert 400 <= ask(site.client(), line).status_code < 500, line.path


@pytest.mark.parametrize("scope", list(Scope))
def test_a_token_opens_what_its_scope_says_and_nothing_else(site: WebSite, scope: Scope) -> None:
    client = site.client()
    header = site.token(ADMINISTRATOR, scope) | {"Accept": "application/json"}
    wrong = [
        (line.method, line.path, answer.status_code)
        for line in WHO_MAY
        if line.least is not None and (line.scope is not None or scope is Scope.READ)
        if let_in(answer := ask(client, line, headers=header)) != (line.scope is scope) or answer.status_code >= 500
    ]
    assert wrong == []


def test_a_token_can_do_no_more_than_its_owner(site: WebSite) -> None:
    client, header = site.client(), site.token(VIEWER, *Scope) | {"Accept": "application/json"}
    for line in WHO_MAY:
        if line.scope is not None:
            assert let_in(ask(client, line, headers=header)) == (line.least is VIEWER), line.path


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_cookie_alone_changes_nothing_that_guards_accounts(site: WebSite) -> None:
    """Whoever stole a cookie, or found a page open, knows neither password nor code."""
    people = by_role(site)
    site.clock.forward(PROVEN_FOR + timedelta(seconds=1))
    wrong = []
    for line in WHO_MAY:
        if line.least is None or line.path == "/sign-out":
            continue
        for role, (client, token) in people.items():
            answer = ask(client, line, token)
            asked = answer.headers.get("location", "").startswith("/account/confirm?to=")
            if asked != (line.proven and line.least in INCLUDES[role]):
                wrong.append((role.value, line.method, line.path, answer.status_code))
    assert wrong == []


def test_whoever_has_to_set_up_a_second_factor_can_do_that_and_nothing_else(site: WebSite) -> None:
    people = by_role(site)
    site.app.state.plant = replace(site.web, second_factor=SecondFactorRule.EVERYBODY)
    client, token = people[ADMINISTRATOR]
    wrong = []
    for line in WHO_MAY:
        if line.least is None or line.path == "/sign-out":
            continue
        answer = ask(client, line, token)
        sent_to_set_up = answer.status_code == 403 or answer.headers.get("location") == "/account/second-factor"
        if sent_to_set_up == line.before_second_factor:
            wrong.append((line.method, line.path, answer.status_code))
    assert wrong == []


@pytest.mark.parametrize("role", list(Role))
def test_everybody_can_leave(site: WebSite, role: Role) -> None:
    client = site.client(role)
    line = Line("POST", "/sign-out", VIEWER, form=True)
    assert ask(client, line, form_token(client.get("/more").text)).status_code == 303
    assert client.get("/more").status_code == 303


@pytest.mark.parametrize("role", list(Role))
def test_a_role_includes_those_before_it_and_no_other(role: Role) -> None:
    assert {least for least in Role if role.includes(least)} == INCLUDES[role]
