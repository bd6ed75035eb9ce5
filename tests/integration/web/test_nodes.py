"""The health page says which node does what, and what nobody does."""

from __future__ import annotations

from sqlalchemy import Engine

from service.domain.plant.role import Role
from service.storage.database.session import transaction
from service.storage.operations import leases
from service.storage.operations.leases import Holder
from tests.support.web_plant import WebSite


def test_the_health_page_names_the_nodes_and_what_nobody_does(site: WebSite, engine: Engine) -> None:
    with transaction(engine) as conn:
        leases.create_leases(conn, ["evaluate", "deliver"])
        leases.renew(conn, Holder(node="id", node_name="north", process="p"), ["evaluate"], 60.0)
    page = site.client(Role.VIEWER).get("/health").text
    assert "<dt>north</dt><dd>alarms; since" in page
    assert "<dd>messages: no node is doing this now; is the service running?</dd>" in page
