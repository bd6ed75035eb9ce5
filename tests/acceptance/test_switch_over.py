"""The primary dies, the standby takes its place: nothing the service had stored is lost, and the call still comes."""

from __future__ import annotations

import shutil
import signal
import threading
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from service.demo.mail_sink import MailSink
from service.errors import StorageError
from service.jobs.operations.leadership import LeaseKeeper
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine, transaction
from service.storage.operations.leases import Holder
from tests.acceptance.test_service import SITE
from tests.conftest import reachable_folder
from tests.support.plant_servers import FaultProxy
from tests.support.postgres_servers import PostgresPair, postgres_pair, wait_for
from tests.support.service_process import PATIENCE_S, ServiceProcess

pytestmark = pytest.mark.postgresql


@pytest.fixture(scope="module")
def pair() -> Iterator[PostgresPair]:
    folder = reachable_folder("underweir-pair-", in_memory=True)
    with postgres_pair(folder) as made:
        yield made
    shutil.rmtree(folder, ignore_errors=True)


def export(drop: Path, name: str, start: datetime, heights: list[float]) -> None:
    rows = [
        f"{start + timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{height:.2f}"
        for i, height in enumerate(heights)
    ]
    unfinished = drop / f"{name}.part"
    unfinished.write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
    unfinished.rename(drop / f"{name}.csv")


def test_a_server_that_no_longer_answers_does_not_hold_the_jobs_for_ever(pair: PostgresPair) -> None:
    migrate(pair.url)
    with FaultProxy(pair.primary.port) as network:
        engine = make_engine(f"postgresql://underweir@127.0.0.1:{network.port}/underweir")
        keeper = LeaseKeeper(
            engine, Holder(node="n", node_name="n", process="p"), ["deliver"], renew_every=0.1, hang_after=1.0
        )
        keeper.start()
        held = keeper.grant("deliver")
        assert held is not None
        told: list[StorageError] = []
        hung = threading.Event()

        def work() -> None:
            assert held is not None
            try:
                with transaction(held.engine) as conn:
                    conn.execute(text("SELECT 1"))
                    network.mode = "swallow"
                    hung.set()
                    conn.execute(text("SELECT 2"))
            except StorageError as error:
                told.append(error)

        job = threading.Thread(target=work)
        job.start()
        assert hung.wait(PATIENCE_S)
        job.join(PATIENCE_S)
        assert [error.retryable for error in told] == [True]
        network.mode = "pass"
        with transaction(engine) as conn:
            assert conn.execute(text("SELECT 3")).scalar_one() == 3
        keeper.stop()
        engine.dispose()


def test_a_lock_that_is_waited_for_in_vain_again_and_again_does_not_hold_the_jobs_for_ever(
    pair: PostgresPair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each try to renew ends before patience does, as at the database's own limit for a lock."""
    migrate(pair.url)
    engine = make_engine(pair.url)
    keeper = LeaseKeeper(
        engine, Holder(node="n", node_name="n", process="p"), ["deliver"], renew_every=0.1, hang_after=2.0
    )
    keeper.start()
    cut = threading.Event()

    def in_vain(*_: object) -> dict[str, int]:
        threading.Event().wait(0.8)
        raise StorageError("canceling statement due to lock timeout", retryable=True)

    def noted() -> int:
        cut.set()
        return 0

    monkeypatch.setattr(keeper, "kill_connections", noted)
    monkeypatch.setattr("service.jobs.operations.leadership.leases.renew", in_vain)
    assert cut.wait(PATIENCE_S)
    keeper.stop()
    engine.dispose()


def test_a_service_stops_although_its_database_is_silent(pair: PostgresPair, tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    with MailSink() as mails, FaultProxy(pair.primary.port) as network:
        url = f"postgresql://underweir@127.0.0.1:{network.port}/underweir?connect_timeout=3"
        node = ServiceProcess(
            "north", tmp_path, site_file=tmp_path / "site.toml", database_url=url, smtp_port=mails.port
        )
        node.start()
        try:
            wait_for(lambda: any(line.get("event") == "work taken on" for line in node.log()), "it does not start")
            network.mode = "swallow"
            threading.Event().wait(6.0)  # every job has begun to wait
            assert node.end(signal.SIGTERM) == 0
            assert any(line.get("event") == "stopped" for line in node.log())
        finally:
            if node.running:
                node.end(signal.SIGKILL)


def test_the_call_still_comes_after_the_primary_is_killed(pair: PostgresPair, tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    (tmp_path / "site.toml").write_text(SITE.replace('on_delay = "5 s"', 'on_delay = "0 s"'), "utf-8")
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    with MailSink() as mails:
        node = ServiceProcess(
            "north", tmp_path, site_file=tmp_path / "site.toml", database_url=pair.url, smtp_port=mails.port
        )
        node.start()
        try:
            export(drop, "calm", now - timedelta(minutes=230), [4.0 + i / 100 for i in range(30)])
            # A file is moved only once it is stored: with synchronous replication, on both servers.
            wait_for(lambda: (drop / "processed" / "calm.csv").exists(), str(node.log()[-20:]), PATIENCE_S)
            pair.fail_over()
            assert pair.primary.ask("SELECT count(*) FROM reading") == 30
            export(drop, "storm", now - timedelta(minutes=200), [4.3 + 0.04 * i for i in range(200)])  # 2.4 ft/h
            wait_for(
                lambda: any("DANGER" in str(mail["Subject"]) for mail in mails.mails),
                str(node.log()[-20:]),
                PATIENCE_S,
            )
            assert node.end() == 0
        finally:
            if node.running:
                node.end(signal.SIGKILL)
    assert pair.primary.ask("SELECT count(*) FROM reading") == 230
    assert pair.primary.ask("SELECT count(*) FROM outbox WHERE status <> 'sent'") == 0
    assert max(Counter(str(mail["Message-ID"]) for mail in mails.mails).values()) == 1
