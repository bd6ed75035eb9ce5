"""Every way on a thread of its own: a server that takes connections and says nothing holds up nobody else's message."""

from __future__ import annotations

import socket
import time
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine, text

from service.bootstrap import Installation
from service.runtime import Runtime
from service.scheduler import Timetable
from service.settings import Settings
from service.site.site import load_site
from service.storage.calls.outbox import OutboxMessage, enqueue
from service.storage.database.session import transaction
from service.storage.plant.site_tables import sync_site
from tests.support.http_gateway import http_gateway

EXAMPLE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
GATEWAY = """
[[gateway]]
key = "provider"
channel = "sms"
url = "{url}/send"
body = "to=${{to}}&text=${{text}}"
content_type = "application/x-www-form-urlencoded"
"""
WEBHOOK = """
[[webhook]]
key = "{key}"
url = "{url}/hook"
private_addresses = true
timeout = "20 s"
"""
PATIENCE_S = 300.0


def message(channel: str, recipient: str) -> OutboxMessage:
    words = {"kind": "alarm", "contact": "Sam", "subject": "DANGER", "text": "DANGER", "occurred_at": None}
    return OutboxMessage(
        key=f"{channel}|{recipient}",
        alarm_event_id=None,
        channel=channel,
        recipient=recipient,
        payload=words,
        created_at=datetime.now(UTC),
    )


def test_a_silent_mail_server_holds_up_no_sms(engine: Engine, tmp_path: Path) -> None:
    with http_gateway() as gateway, socket.create_server(("127.0.0.1", 0)) as silent:
        file = tmp_path / "site.toml"
        file.write_text(EXAMPLE.read_text("utf-8") + GATEWAY.format(url=gateway.url), "utf-8")
        site = load_site(file)
        settings = Settings(
            data_dir=tmp_path,
            smtp_host="127.0.0.1",
            smtp_port=silent.getsockname()[1],
            smtp_security="none",
            smtp_from="underweir@example.org",
            smtp_timeout=20.0,
        )
        with transaction(engine) as conn:
            ids = sync_site(conn, site.tanks().values(), site.signals().values())
            enqueue(conn, [message("email", "sam@example.org"), message("sms", "+15550100101")])
        watch = Runtime(Installation(settings, site, engine, ids), [], lambda: datetime.now(UTC))
        telling = [task for task in watch.tasks() if task.name.startswith("deliver")]
        assert [task.name for task in telling] == ["deliver by email", "deliver by sms"]
        timetable = Timetable(telling)
        timetable.start()
        try:
            until = time.monotonic() + PATIENCE_S
            caller, _ = silent.accept()  # the mail is being tried; from here on its thread waits for a greeting
            while time.monotonic() < until and not gateway.asked:
                time.sleep(0.05)
            with transaction(engine) as conn:
                tried = {row.channel: row for row in conn.execute(text("SELECT * FROM outbox"))}
            assert "15550100101" in gateway.asked[0].body
            assert tried["email"].claimed_until is not None  # still in hand
            caller.close()
        finally:
            silent.close()
            timetable.stop()
            watch.close()


def test_a_silent_webhook_holds_up_no_other(engine: Engine, tmp_path: Path) -> None:
    with http_gateway() as gateway, socket.create_server(("127.0.0.1", 0)) as silent:
        file = tmp_path / "site.toml"
        hung = WEBHOOK.format(key="hung", url=f"http://127.0.0.1:{silent.getsockname()[1]}")
        file.write_text(EXAMPLE.read_text("utf-8") + hung + WEBHOOK.format(key="pager", url=gateway.url), "utf-8")
        site = load_site(file)
        with transaction(engine) as conn:
            ids = sync_site(conn, site.tanks().values(), site.signals().values())
            enqueue(conn, [message("webhook", key) for key in ("hung", "pager", "no longer there")])
        watch = Runtime(Installation(Settings(data_dir=tmp_path), site, engine, ids), [], lambda: datetime.now(UTC))
        telling = [task for task in watch.tasks() if task.name.startswith("deliver")]
        assert [task.name for task in telling] == [
            "deliver by webhook hung",
            "deliver by webhook pager",
            "deliver by webhook",
        ]
        timetable = Timetable(telling[:1])
        others = Timetable(telling[1:])
        timetable.start()
        try:
            caller, _ = silent.accept()  # it is being tried; from here on its thread waits for an answer
            others.start()
            found = dict.fromkeys(("hung", "pager", "no longer there"), "waiting")
            until = time.monotonic() + PATIENCE_S
            while time.monotonic() < until and "waiting" in (found["pager"], found["no longer there"]):
                time.sleep(0.05)
                with transaction(engine) as conn:
                    rows = list(conn.execute(text("SELECT * FROM outbox")))
                found = {row.recipient: row.status for row in rows}
            assert found == {"hung": "waiting", "pager": "sent", "no longer there": "failed"}
            [in_hand] = [row for row in rows if row.recipient == "hung"]
            assert in_hand.claimed_until is not None  # the others' beginning let go of nothing in its hand
            assert [in_hand.attempts, len(gateway.asked)] == [1, 1]
            caller.close()
        finally:
            silent.close()
            others.stop()
            timetable.stop()
            watch.close()
