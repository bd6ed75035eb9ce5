"""No secret that comes with a request, right or wrong, stands in any line the service logs about it."""

from __future__ import annotations

import re
from collections.abc import Iterator

import httpx
import pytest
from sqlalchemy import Engine
from structlog.testing import capture_logs

from service.domain.plant.role import Role, Scope
from service.errors import StorageError
from service.notify.channels.gateway_hook import GatewayHook, ReplyFields
from service.web.alarms import page as alarms
from service.web.base.access import SESSION_COOKIE
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import PASSWORD, WebSite, form_token, served

HOOK = GatewayHook(
    key="provider", secret="the secret of this gateway", replies=ReplyFields(id="id", sender="from", text="text")
)
WRONG = "a wrong secret of some length"


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    with served(engine, hooks=(HOOK,)) as running:
        yield running


def test_neither_links_nor_passwords_nor_tokens_nor_gateway_secrets_are_logged(
    site: WebSite, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    link = site.web.links.token("east.high", "K7MD", site.clock())
    old = site.web.links.token("east.high", "K7MD", NIGHT.replace(year=2001))
    bearer = site.token(Role.VIEWER, Scope.READ)
    client, stranger = site.client(Role.OPERATOR), site.client()
    token, session = form_token(client.get("/account").text), client.cookies[SESSION_COOKIE]
    with capture_logs() as lines:
        site.sign_in(stranger, "operator", WRONG)
        client.post("/account/password", data={"form_token": token, "old": WRONG, "new": PASSWORD, "again": PASSWORD})
        client.post("/account/password", data={"form_token": WRONG, "old": PASSWORD})
        client.post("/people", data={"form_token": token, "password": PASSWORD})
        stranger.get(f"/no-such-page/{WRONG}", params={"token": WRONG})
        for headers in (bearer, {"Authorization": f"Bearer uw_{WRONG}"}, {"Cookie": f"{SESSION_COOKIE}={WRONG}"}):
            stranger.get("/people", headers=headers)
        for address in (link, old, f"x{link}", WRONG):
            stranger.get(f"/a/{address}")
            stranger.post(f"/a/{address}", data={"note": "x" * 600})
        for auth in (httpx.BasicAuth("any", WRONG), httpx.BasicAuth("any", HOOK.secret)):
            stranger.post("/gateway/provider/reply", auth=auth, content=b"nonsense")
            stranger.post("/gateway/provider/receipt", auth=auth, json={})
        stranger.post(f"/gateway/provider/reply/{HOOK.secret}", json={})
        for failure in (
            StorageError("away", retryable=True),
            StorageError("odd", retryable=False),
            RuntimeError("odd"),
        ):

            def fail(*_: object, failure: Exception = failure) -> None:
                raise failure

            monkeypatch.setattr(alarms, "_of_link", fail)
            assert stranger.get(f"/a/{link}").status_code in (500, 503)
    # What this test's own client says, and the list of requests the server is told not to keep (tests/integration/operations/test_docker.py sees that
    # no line of it comes out), are not the service's words.
    others = ("httpx", "httpcore", "uvicorn.access")
    said = repr(lines) + "".join(r.getMessage() for r in caplog.records if not r.name.startswith(others))
    assert {line["event"] for line in lines} >= {
        "sign-in failed",
        "request refused",
        "page not answered",
        "page failed",
    }
    secrets = [link, old, WRONG, PASSWORD, HOOK.secret, session, token, bearer["Authorization"].partition(" ")[2]]
    assert [secret for secret in secrets if secret in said or secret.replace(" ", "%20") in said] == []
    assert re.search("'path': '/a/{token}'", said)
