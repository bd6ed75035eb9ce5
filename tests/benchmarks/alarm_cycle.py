"""Every tank in alarm at once: how long a look at all alarms takes, and how long until the last message is handed over.

    python -m tests.benchmarks.alarm_cycle --tanks 1000

Beside it the bare sending of the same messages through the same channel, in the same run. The tanks are invented.
"""

from __future__ import annotations

import argparse
import logging
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

import structlog
from sqlalchemy import Engine, text

from service.domain.blanket.estimate import TankSetup
from service.jobs.alarms.evaluate import evaluate
from service.jobs.calls.deliver import deliver
from service.notify.channels.base import Message
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.storage.alarms.alarms import sync_alarms
from service.storage.blanket.estimates import latest_assessments, latest_estimates
from service.storage.cores.cores import latest_core_times
from service.storage.database.session import make_engine, transaction
from service.storage.embedded.server import EmbeddedServer
from service.storage.plant.site_tables import sync_site
from tests.support.alarm_plant import (
    MINUTE,
    NIGHT,
    NIGHT_OPERATOR,
    AlarmPlant,
    alarm_setup,
    definitions,
    plant_of,
    tank_setup,
)
from tests.support.embedded_server import make_tables
from tests.support.mail_server import Mailbox, mail_server
from tests.support.stopping import in_order

T = TypeVar("T")


def main() -> None:
    """Run the storm and print the times."""
    arguments = argparse.ArgumentParser(description="Alarm cycle with every tank in alarm.")
    arguments.add_argument("--tanks", type=int, default=1000)
    given = arguments.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    with tempfile.TemporaryDirectory(prefix="underweir-cycle-", dir="/tmp") as folder:
        Path(folder).chmod(0o711)
        with EmbeddedServer(Path(folder) / "database") as server:
            make_tables(server)
            engine = make_engine(server.url)
            try:
                tanks = [tank_setup(f"t{number}", f"Tank {number}") for number in range(given.tanks)]
                show(storm(build(engine, tanks), tanks))
            finally:
                engine.dispose()


def build(engine: Engine, tanks: list[TankSetup]) -> AlarmPlant:
    """The plant with its tanks and alarms, and one person to tell."""
    alarms = [definition for tank in tanks for definition in definitions(tank.tank.key)[:3]]
    setup = alarm_setup(alarms=alarms, contacts=(NIGHT_OPERATOR,))
    with transaction(engine) as conn:
        ids = sync_site(conn, [t.tank for t in tanks], [signal for t in tanks for signal in t.blankets])
        sync_alarms(conn, setup.definitions, NIGHT)
    return AlarmPlant(engine, setup, ids)


@dataclass(frozen=True, slots=True)
class Storm:
    """What it took. [s]"""

    tanks: int
    sent: int
    written: int
    quiet: float
    #: The look in which all are raised.
    loud: float
    #: A look a minute later, all still standing and nobody having answered.
    standing: float
    #: Reading what a look has to read, and nothing else.
    bare_look: float
    sending: float
    bare_sending: float


def storm(plant: AlarmPlant, tanks: list[TankSetup]) -> Storm:
    """Quiet, then every tank beyond its danger limit."""

    def look(at: datetime) -> int:
        return evaluate(plant.engine, plant_of(plant.setup, tanks, plant.ids), projected={}, now=at).messages

    def believe(at: datetime, clearance: float) -> None:
        for tank in tanks:
            plant.believe(at, clearance, tank=tank)

    believe(NIGHT, 2.0)
    look(NIGHT)
    believe(NIGHT + MINUTE, 2.0)
    quiet, _ = timed(lambda: look(NIGHT + MINUTE))
    bare_look, _ = timed(lambda: _read(plant))
    believe(NIGHT + 2 * MINUTE, 0.3)
    look(NIGHT + 2 * MINUTE)
    now = NIGHT + 3 * MINUTE
    believe(now, 0.3)
    loud, written = timed(lambda: look(now))
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        account = SmtpAccount(host="127.0.0.1", port=port, sender="underweir@example.org", security="none")
        sending, done = timed(
            lambda: deliver(plant.engine, plant.setup, {"email": SmtpNotifier(account)}, clock=lambda: now)
        )
        mails = [mail.get_body(("plain",)) for mail in mailbox.mails]
        texts = [str(body.get_content()) for body in mails if body is not None]
        bare, _ = timed(lambda: _bare(SmtpNotifier(account), texts, now))
    believe(now + MINUTE, 0.3)
    standing, _ = timed(lambda: look(now + MINUTE))
    return Storm(len(tanks), done.sent, written, quiet, loud, standing, bare_look, sending, bare)


def show(took: Storm) -> None:
    """Print it."""
    print(f"tanks {took.tanks}, messages {took.sent} (written with the last look {took.written})")
    print(f"quiet look at every alarm      {took.quiet:7.2f} s, {took.quiet / took.tanks * 1e3:.2f} ms a tank")
    print(f"bare reading of what it needs  {took.bare_look:7.2f} s: {took.quiet / took.bare_look:.1f} times")
    print(f"look that raises every tank    {took.loud:7.2f} s, {took.loud / took.tanks * 1e3:.2f} ms a tank")
    print(f"look while all of them stand   {took.standing:7.2f} s, {took.standing / took.tanks * 1e3:.2f} ms a tank")
    print(f"last message handed over after {took.loud + took.sending:7.2f} s")
    print(
        f"delivery {took.sending:.2f} s, bare sending of as many {took.bare_sending:.2f} s:"
        f" {took.sending / took.bare_sending:.2f} times"
    )


def _read(plant: AlarmPlant) -> None:
    with transaction(plant.engine) as conn:
        latest_estimates(conn, list(plant.ids.tanks.values()))
        latest_assessments(conn, list(plant.ids.signals.values()))
        latest_core_times(conn, list(plant.ids.tanks.values()))
        conn.execute(text("SELECT * FROM alarm")).all()


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Seconds it took, and what came of it."""
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result


def _bare(notifier: SmtpNotifier, texts: list[str], now: datetime) -> None:
    for number, words in enumerate(texts):
        notifier.send(
            Message(key=str(number), recipient="a@example.org", subject="bare", text=words, created_at=now), now
        )
    notifier.close()


if __name__ == "__main__":
    in_order(main)
