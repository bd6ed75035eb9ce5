"""What every connector must hold to, whatever it reads. A connector's own tests derive from :class:`ConnectorContract`.

The deriving class provides fixtures ``connector`` (ready to poll, with something to deliver), ``dead_connector`` (its
source is away) and, where the source keeps what was not committed, sets ``redelivers = True``.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from connectors.base import Connector, Delivery, SampleBlock, SourceQuality, SourceReason
from connectors.errors import ConnectorError


def read_once(connector: Connector, state: dict[str, object] | None = None, *, commit: bool = True) -> list[Delivery]:
    """One poll the way the service drives it."""
    deliveries = []
    for delivery in connector.poll(state or {}):
        deliveries.append(delivery)
        if commit:
            connector.committed(delivery)
    return deliveries


def samples_of(deliveries: list[Delivery]) -> list[tuple[str, int, float, int, int]]:
    """Every sample as (address, time in µs, value, quality, reason), in the order delivered."""
    rows = []
    for delivery in deliveries:
        block = delivery.samples
        for i in range(len(block)):
            rows.append(
                (
                    block.addresses[block.address_index[i]],
                    int(block.time_us[i]),
                    float(block.value[i]),
                    int(block.quality[i]),
                    int(block.reason[i]),
                )
            )
    return rows


def check_block(block: SampleBlock) -> None:
    """Columns agree in length, types and meaning."""
    n = len(block)
    for column in (block.address_index, block.time_us, block.value, block.quality, block.reason):
        assert column.shape == (n,)
    assert block.time_us.dtype == np.int64
    assert block.value.dtype == np.float64
    if n:
        assert block.address_index.min() >= 0
        assert block.address_index.max() < len(block.addresses)
    assert set(block.quality.tolist()) <= {int(q) for q in SourceQuality}
    assert set(block.reason.tolist()) <= {int(r) for r in SourceReason}
    doubted = block.quality != SourceQuality.GOOD
    assert (block.reason[doubted] != SourceReason.NONE).all(), "a doubted sample says why"
    assert (block.quality[np.isnan(block.value)] == SourceQuality.BAD).all(), "only a bad sample may lack a number"


class ConnectorContract:
    """The shared tests."""

    redelivers = False

    def test_has_a_key(self, connector: Connector) -> None:
        assert connector.key
        assert connector.key == connector.key.strip()

    def test_samples_are_well_formed(self, connector: Connector) -> None:
        deliveries = read_once(connector)
        assert samples_of(deliveries), "the fixture has something to deliver"
        for delivery in deliveries:
            assert delivery.origin
            check_block(delivery.samples)

    def test_times_are_those_of_this_century(self, connector: Connector) -> None:
        for _, time_us, *_ in samples_of(read_once(connector)):
            at = datetime.fromtimestamp(time_us / 1e6, UTC)
            assert 2000 <= at.year < 2100

    def test_state_survives_json(self, connector: Connector) -> None:
        for delivery in read_once(connector):
            assert json.loads(json.dumps(dict(delivery.state))) == dict(delivery.state)

    def test_what_was_not_committed_comes_again(self, connector: Connector) -> None:
        first = samples_of(read_once(connector, commit=False))
        again = samples_of(read_once(connector))
        if self.redelivers:
            assert repr(again[: len(first)]) == repr(first)  # as text, for a NaN is not equal to itself
        else:
            # A source that shows its present state only shows the same points once more.
            assert [row[0] for row in again] == [row[0] for row in first]

    def test_a_dead_source_raises_a_connector_error_that_may_be_retried(self, dead_connector: Connector) -> None:
        with pytest.raises(ConnectorError) as caught:
            read_once(dead_connector)
        assert caught.value.retryable
        assert caught.value.source
        assert caught.value.problem.rstrip().endswith((".", "…"))

    def test_close_may_be_called_twice(self, connector: Connector) -> None:
        read_once(connector)
        connector.close()
        connector.close()
