"""The demo's guest comes in without a password, but only by the name of this machine."""

from __future__ import annotations

from dataclasses import replace

from service.domain.plant.role import Role
from service.web.app import create_app
from service.web.server import WebServer, bind_socket
from tests.support.web_plant import WebSite


def test_the_guest_is_let_in_on_this_machine_only(site: WebSite) -> None:
    server = WebServer(create_app(replace(site.web, guest=Role.SUPERVISOR.value)), bind_socket("127.0.0.1", 0))
    server.start()
    try:
        client = site.client()
        # DNS rebinding: a name of the attacker's that points at 127.0.0.1.
        elsewhere = client.get(f"{server.address}/sign-in", headers={"Host": "rebound.example.com"})
        assert elsewhere.status_code == 200
        assert "Password" in elsewhere.text
        assert client.get(f"{server.address}/sign-in").status_code == 303
        assert "Supervisor Person" in client.get(f"{server.address}/more").text
    finally:
        server.stop()


def test_without_a_demo_nobody_is_a_guest(site: WebSite) -> None:
    assert site.client().get("/sign-in").status_code == 200
