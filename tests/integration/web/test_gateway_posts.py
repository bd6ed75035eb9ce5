"""What a gateway posts: receipts that settle a message's fate, and replies that are acted on once."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, text

from service.alarms.machine import AlarmState
from service.calls.contact import Contact
from service.domain.plant.role import Role
from service.jobs.alarms.evaluate import evaluate
from service.jobs.alarms.explain import explain
from service.jobs.calls.deliver import deliver
from service.jobs.calls.journal import told_journal
from service.notify.channels.base import Message, Receipt
from service.notify.channels.gateway_hook import GatewayHook, ReceiptFields, ReplyFields
from service.storage.alarms.alarms import AlarmRecord, alarms
from service.storage.calls.outbox import health
from service.storage.database.session import transaction
from service.web.base.throttle import MAX_FAILURES
from tests.support.alarm_plant import EAST, MINUTE, NIGHT, TANKS, Willing, plant_of
from tests.support.web_plant import WebSite, served

SECRET = "an invented gateway secret"
HOOK = GatewayHook(
    key="provider",
    secret=SECRET,
    receipts=ReceiptFields(
        id="sms.id", status="status", delivered=frozenset({"DELIVRD"}), failed=frozenset({"UNDELIV"})
    ),
    replies=ReplyFields(id="id", sender="from", text="text"),
)
NIGHT_PHONE = Contact(name="Night operator", phone="+15550100199", email="night@example.org", channels=("sms", "email"))


class Gateway:
    """A text message channel whose other side names every message."""

    channel = "sms"

    def send(self, message: Message, now: datetime) -> Receipt:
        return Receipt(answer="id m-17", message_id="m-17")

    def close(self) -> None:
        pass


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    with served(engine, hooks=(HOOK,)) as running:
        setup = replace(running.plant.setup, contacts=(NIGHT_PHONE,), channels=frozenset({"sms", "email"}))
        running.plant.setup = setup
        running.app.state.plant = replace(running.web, alarms=setup)
        plant = running.plant
        plant.core(NIGHT, 1.0)
        for minute in range(2):
            plant.believe(NIGHT + minute * MINUTE, 0.3)
            evaluate(engine, plant_of(setup, TANKS, plant.ids), projected={}, now=NIGHT + minute * MINUTE)
        running.clock.now = NIGHT + MINUTE
        deliver(engine, setup, {"sms": Gateway(), "email": Willing("email")}, clock=running.clock)
        yield running


def post(site: WebSite, path: str, *, secret: str = SECRET, **more: Any) -> httpx.Response:
    return site.client().post(f"/gateway/provider/{path}", headers={"X-Gateway-Secret": secret}, **more)


def receipt(status: str, message: str = "m-17") -> dict[str, Any]:
    return {"sms": {"id": message}, "status": status}


def rows(site: WebSite) -> list[tuple[str, str, str]]:
    with transaction(site.web.engine) as conn:
        found = conn.execute(text("SELECT payload->>'kind', channel, status FROM outbox ORDER BY id"))
        return [(row[0], row[1], row[2]) for row in found]


def told(site: WebSite) -> str:
    found = explain(site.web.engine, site.plant.model, EAST, at=site.clock(), alarm="east.high-high")
    return "\n".join(found.sentences)


def test_handed_over_becomes_delivered(site: WebSite) -> None:
    assert "new alarm: handed over; 03:01 EST sent" in told(site)
    for _ in range(2):
        answer = post(site, "receipt", json=receipt("delivrd"))
        assert (answer.status_code, answer.json()) == (200, {"receipt": "delivered"})
    assert "new alarm: delivered; 03:01 EST sent; 03:01 EST delivered" in told(site)
    assert told(site).count("EST delivered") == 1
    with transaction(site.web.engine) as conn:
        fates = [t["fate"] for line in told_journal(conn, key="east.high-high") for t in line.detail.get("told", [])]
    assert fates == ["delivered"]
    page = site.client(Role.VIEWER).get("/alarms/east.high-high").text
    assert "by sms, delivered" in page
    # A failure that comes after is the gateway's confusion: the phone has it.
    post(site, "receipt", json=receipt("UNDELIV"))
    assert [status for _, _, status in rows(site)] == ["sent"]


def test_what_the_phone_never_gets_is_told_another_way_at_once(site: WebSite) -> None:
    for _ in range(2):
        assert post(site, "receipt", json=receipt("UNDELIV")).json() == {"receipt": "failed"}
    assert rows(site) == [("alarm", "sms", "failed"), ("alarm", "email", "waiting")]
    with transaction(site.web.engine) as conn:
        assert health(conn).failed_at == site.clock()  # which raises the service's own alarm about deliveries
    assert "failed (handed over, but not delivered: UNDELIV)" in told(site)


def test_other_statuses_change_nothing(site: WebSite) -> None:
    assert post(site, "receipt", json=receipt("BUFFERED")).json() == {"receipt": "under way"}
    assert rows(site) == [("alarm", "sms", "sent")]


def test_a_receipt_of_nothing_known_is_to_come_again(site: WebSite) -> None:
    assert post(site, "receipt", json=receipt("DELIVRD", "m-18")).status_code == 404


@pytest.mark.parametrize("what", ["receipt", "reply"])
def test_only_the_gateway_may(site: WebSite, what: str) -> None:
    assert post(site, what, secret="", json={}).status_code == 404
    assert post(site, what, secret=SECRET + "x", json={}).status_code == 404
    client, basic = site.client(), httpx.BasicAuth("any name", SECRET)
    assert client.post(f"/gateway/other/{what}", json={}, auth=basic).status_code == 404
    assert client.post(f"/gateway/provider/{what}", json={}, auth=httpx.BasicAuth(SECRET, "x")).status_code == 404
    assert client.post(f"/gateway/provider/{what}", json={}, headers={"Authorization": "Basic ?"}).status_code == 404
    assert client.post(f"/gateway/provider/{what}", json={}, auth=basic).status_code == 422
    # Nor by its address, which would stand in the log of every proxy on the way.
    assert client.post(f"/gateway/provider/{what}/{SECRET}", json={}).status_code == 404
    assert client.post(f"/gateway/provider/{what}?secret={SECRET}", json={}).status_code == 404


def test_whoever_guesses_the_secret_of_a_gateway_is_told_to_wait_and_the_gateway_is_not(site: WebSite) -> None:
    found = [post(site, "receipt", secret=f"guess {number}", json={}).status_code for number in range(MAX_FAILURES + 1)]
    assert found == [404] * MAX_FAILURES + [429]
    assert post(site, "receipt", json=receipt("DELIVRD")).status_code == 200


@pytest.mark.parametrize(
    "body", [b"", b"\xff", b"[]", b"null", b'{"sms": 1, "status": {}}', b"[" * 60_000, b"1" * 70_000]
)
def test_nonsense_is_refused(site: WebSite, body: bytes) -> None:
    answer = post(site, "receipt", content=body)
    assert answer.status_code in (413, 422)


def reply(words: str, message: str = "in-1") -> dict[str, str]:
    return {"id": message, "from": "15550100199", "text": words}


def danger(site: WebSite) -> AlarmRecord:
    with transaction(site.web.engine) as conn:
        return next(record for record in alarms(conn) if record.key == "east.high-high")


@pytest.mark.parametrize(
    "words", ["I have my phone on silent while driving. I will see your message later.", "OK", "STOP CODE calls please"]
)
def test_a_phone_that_answers_by_itself_takes_nothing_and_is_answered_once(site: WebSite, words: str) -> None:
    said = words.replace("CODE", danger(site).machine.code)
    for number in range(40):
        assert post(site, "reply", data=reply(said, f"in-{number}")).status_code == 200
    assert danger(site).machine.state is AlarmState.UNACKNOWLEDGED
    assert [kind for kind, _, _ in rows(site)].count("reply") == 1


def test_a_reply_takes_the_alarm_once(site: WebSite) -> None:
    code = danger(site).machine.code

    def say(_: int) -> str:
        answer: str = post(site, "reply", data=reply(f"OK {code}")).json()["reply"]
        return answer

    with ThreadPoolExecutor(4) as pool:
        answers = sorted(pool.map(say, range(4)))
    assert answers == ["taken", "taken before", "taken before", "taken before"]
    assert [kind for kind, _, _ in rows(site)].count("reply") == 1
    with transaction(site.web.engine) as conn:
        events = [line.event for line in told_journal(conn, key="east.high-high")]
    assert events.count("acknowledged") == 1


def test_a_stranger_is_not_answered(site: WebSite) -> None:
    stranger = {**reply("OK"), "from": "+4670000000"}
    assert post(site, "reply", json=stranger).json() == {"reply": "taken"}
    assert [kind for kind, _, _ in rows(site)] == ["alarm"]
