"""What a node lost is told, whoever reads the source now."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine

from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.status import StatusWriter
from service.storage.database.session import transaction
from service.storage.readings.connector_state import ConnectorHealth, connector_health, record_status
from service.storage.readings.spool import Spool
from tests.unit.jobs.ingest.test_forward import Counting

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)


def health(engine: Engine) -> ConnectorHealth:
    with transaction(engine) as conn:
        [found] = connector_health(conn)
    return found


def test_losses_of_a_node_that_no_longer_reads_the_source_are_told_once(engine: Engine, tmp_path: Path) -> None:
    with transaction(engine) as conn:  # by the node that reads it
        record_status(conn, "plc", NOW, {"circuit": "closed"}, lost=1)
    spool = Spool(tmp_path, max_bytes=5000, segment_bytes=4096)
    source = ForwardingSource(Counting(), spool)
    keeper = StatusWriter(engine, source, lambda: NOW)
    keeper.write_losses()
    assert health(engine).lost == 1
    while not source.spooled().lost_samples:
        source.poll_to_spool()
    lost = source.spooled().lost_samples
    keeper.write_losses()
    keeper.write_losses()
    assert (health(engine).lost, health(engine).lost_at) == (1 + lost, NOW)
    assert health(engine).standing == {"circuit": "closed"}
    assert source.spooled().lost_samples == 0
    source.close()
