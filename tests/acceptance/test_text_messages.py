"""What people and their phones write back, to the service as a process, through a gateway of text messages."""

from __future__ import annotations

import json
import re
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
from sqlalchemy import Engine, text

from service.storage.database.session import transaction
from tests.support.http_gateway import Gateway, http_gateway
from tests.support.plant_servers import free_port
from tests.support.service_process import ServiceProcess

PATIENCE_S = 300.0
SECRET = "an invented secret of the gateway"
BEN, ANNA, CHIEF = "+15550100102", "+15550100101", "+15550100103"
#: Who is next is called by a no, or after an hour.
SITE = f"""\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "UTC"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "EAST_BLANKET"
kind = "blanket"
tank = "east"
unit = "ft"
measures = "height"
zero_height = 0
low = 0
high = 14
stale_after = "8 h"

[[connector]]
key = "export"
kind = "csv"
folder = "drop"
settle = "0 s"

[[alarm]]
kind = "high-high"
clearance = 4
on_delay = "0 s"
improve_within = "20 s"

[[alarm]]
kind = "high"
enabled = false

[[alarm]]
kind = "core overdue"
enabled = false

[[contact]]
name = "Ben"
phone = "{BEN}"
channels = ["sms"]

[[contact]]
name = "Anna"
phone = "{ANNA}"
channels = ["sms"]

[[contact]]
name = "Chief"
phone = "{CHIEF}"
channels = ["sms"]

[[escalation]]
key = "danger"
priorities = ["high"]
steps = [
  {{ after = "0 min", contact = "Ben" }},
  {{ after = "1 h", contact = "Anna" }},
  {{ after = "2 h", contact = "Chief" }},
]

[[gateway]]
key = "phones"
channel = "sms"
url = "GATEWAY/send"
body = '{{"to": "${{to}}", "text": "${{text}}"}}'
success = '"queued"'
hook_secret = "SECRET_FILE"
replies = {{ id = "id", sender = "from", text = "text" }}
"""


@dataclass
class Phones:
    """The phones of three people at one gateway."""

    gateway: Gateway
    service: ServiceProcess
    engine: Engine
    port: int
    replies: int = 0
    read: list[tuple[str, str]] = field(default_factory=list)

    def received(self, number: str) -> list[str]:
        """What a phone has received."""
        asked = [json.loads(one.body) for one in self.gateway.asked]
        return [one["text"] for one in asked if one["to"] == number]

    def wait(self, what: str, happened: Callable[[], list[str]]) -> str:
        """The newest of what is waited for."""
        deadline = time.monotonic() + PATIENCE_S
        while not (found := happened()):
            if time.monotonic() > deadline:
                pytest.fail(f"{what}: {[json.loads(one.body) for one in self.gateway.asked]}")
            time.sleep(0.1)
        return found[-1]

    def called(self, number: str, besides: str = "") -> str:
        """The code of the danger that a phone is called about, once it is; not that of an earlier call."""

        def codes() -> list[str]:
            alarms = [said for said in self.received(number) if said.startswith("DANGER East clarifier")]
            found = [match[1] for said in alarms if (match := re.search(r"Code ([A-Z0-9]{6})", said))]
            return [code for code in found if code != besides]

        return self.wait(f"{number} is called", codes)

    def writes(self, number: str, words: str) -> None:
        """Somebody's phone writes back; it has been dealt with when this returns."""
        self.replies += 1
        posted = {"id": f"reply {self.replies}", "from": number, "text": words}
        url = f"http://127.0.0.1:{self.port}/gateway/phones/reply"
        requests.post(url, json=posted, headers={"X-Gateway-Secret": SECRET}, timeout=PATIENCE_S).raise_for_status()

    def taken_by(self) -> list[str]:
        """Who took the danger, in order."""
        with transaction(self.engine) as conn:
            rows = conn.execute(text("SELECT actor FROM alarm_event WHERE event = 'acknowledged' ORDER BY id"))
            return list(rows.scalars())


@pytest.fixture
def phones(tmp_path: Path, database_url: str, engine: Engine) -> Iterator[Phones]:
    """The blanket has been near the weir for an hour, and stays there."""
    with http_gateway() as gateway:
        (tmp_path / "secret").write_text(SECRET, "utf-8")
        (tmp_path / "secret").chmod(0o600)
        (tmp_path / "drop").mkdir()
        now = datetime.now(UTC)
        rows = [
            f"{now - timedelta(minutes=m):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{11 + 0.01 * (m % 3)}"
            for m in range(60, 0, -1)
        ]
        (tmp_path / "drop" / "night.csv").write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
        site = tmp_path / "site.toml"
        text_of_site = SITE.replace("GATEWAY", gateway.url).replace("SECRET_FILE", str(tmp_path / "secret"))
        site.write_text(text_of_site, "utf-8")
        service = ServiceProcess("node", tmp_path, site_file=site, database_url=database_url, smtp_port=9)
        port = free_port()
        service.environment["UNDERWEIR_HTTP_PORT"] = str(port)
        service.start()
        yield Phones(gateway, service, engine, port)
        if service.running:
            service.end(signal.SIGKILL)


@pytest.mark.slow
def test_only_a_clear_yes_takes_a_danger_a_no_calls_the_next_and_taken_is_not_the_end(phones: Phones) -> None:
    code = phones.called(BEN)
    for _ in range(40):
        phones.writes(BEN, "I have my phone on silent while driving. I will see your message later.")
    phones.wait("Ben's phone is told what to send", lambda: [s for s in phones.received(BEN) if "NOT taken" in s])
    assert (phones.taken_by(), phones.received(ANNA)) == ([], [])

    phones.writes(BEN, f"can't take {code}, in hospital. call somebody else")
    assert phones.called(ANNA) == code
    assert phones.taken_by() == []
    assert phones.received(CHIEF) == []

    phones.writes(ANNA, f"NO {code}")
    assert phones.called(CHIEF) == code
    assert phones.taken_by() == []

    phones.writes(CHIEF, code.lower())
    phones.wait("Chief has it", lambda: [said for said in phones.received(CHIEF) if f"{code} is yours" in said])
    for number in (BEN, ANNA):
        phones.wait("the others are told", lambda n=number: [s for s in phones.received(n) if "Chief has it" in s])  # type: ignore[misc]
    assert phones.taken_by() == ["Chief"]

    # Nothing gets better: whoever has it is called again, under a code that the first answer does not know.
    again = phones.called(CHIEF, besides=code)
    phones.writes(CHIEF, code)
    assert phones.taken_by() == ["Chief"]
    phones.writes(CHIEF, f"OK {again}")
    assert phones.taken_by() == ["Chief", "Chief"]

    answers = [said for said in phones.received(BEN) if not said.startswith(("DANGER", "TAKEN"))]
    assert sum("not you" not in said for said in answers) <= 2, answers
    assert phones.service.end() == 0
    assert [line for line in phones.service.log() if line["level"] in ("error", "critical")] == []
