"""Store and forward: order, nothing twice, nothing lost."""

from __future__ import annotations

import errno
import math
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.base import Delivery, Sample, SourceQuality, SourceReason, block_of
from connectors.errors import Unreachable
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.record import decode, encode
from service.storage.readings.spool import Spool

START = datetime(2026, 3, 1, tzinfo=UTC)


class Counting:
    """A source whose n-th sample is n; what was committed does not come again."""

    key = "plc"

    def __init__(self) -> None:
        self.produced = 0
        self.dead = False
        self.states: list[Mapping[str, Any]] = []
        self.committed_states: list[Mapping[str, Any]] = []

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        self.states.append(dict(state))
        if self.dead:
            raise Unreachable("plc", "no answer.")
        for _ in range(2):
            self.produced += 1
            sample = Sample("a", START + timedelta(seconds=self.produced), float(self.produced))
            yield Delivery(origin="plc/d", samples=block_of([sample]), state={"n": self.produced})

    def committed(self, delivery: Delivery) -> None:
        self.committed_states.append(delivery.state)

    def close(self) -> None:
        pass


class Store:
    """What the service would have stored; refuses while away, at a chosen delivery."""

    def __init__(self) -> None:
        self.values: list[float] = []
        self.state: Mapping[str, Any] = {}

    def take(self, source: ForwardingSource, refuse_at: int | None = None) -> bool:
        """One poll; False when the database went away at the delivery of that number."""
        for number, delivery in enumerate(source.poll(self.state)):
            if number == refuse_at:
                return False
            self.values += delivery.samples.value.tolist()
            self.state = delivery.state
            source.committed(delivery)
        return True


def forwarding(folder: Path, source: Counting) -> ForwardingSource:
    return ForwardingSource(source, Spool(folder, max_bytes=1 << 20, segment_bytes=4096))


def test_a_delivery_survives_the_spool() -> None:
    samples = [
        Sample("Höhe 1", START, 1.5),
        Sample("b", START + timedelta(microseconds=1), math.nan, SourceQuality.BAD, SourceReason.LOOP_FAULT_LOW),
        Sample("Höhe 1", START, -0.0, SourceQuality.UNCERTAIN, SourceReason.OVER_RANGE),
    ]
    before = Delivery(origin="plc/d", samples=block_of(samples), state={"seen_to": "x", "n": 1})
    after = decode(encode(before))
    assert (after.origin, after.state, after.samples.addresses) == (
        before.origin,
        before.state,
        before.samples.addresses,
    )
    for name in ("address_index", "time_us", "value", "quality", "reason"):
        np.testing.assert_array_equal(getattr(after.samples, name), getattr(before.samples, name))


def test_what_was_held_goes_first_in_order(tmp_path: Path) -> None:
    plc, store = Counting(), Store()
    source = forwarding(tmp_path, plc)
    assert source.poll_to_spool() == 2
    assert source.poll_to_spool() == 2
    assert store.take(source)
    assert store.values == [1, 2, 3, 4, 5, 6]
    assert source.spooled().records == 0
    assert store.take(source)
    assert store.values == [1, 2, 3, 4, 5, 6, 7, 8]
    source.close()


def test_what_was_held_before_the_place_was_known_leaves_the_place_alone(tmp_path: Path) -> None:
    plc, store = Counting(), Store()
    store.state = {"n": "as stored last"}
    before = ForwardingSource(plc, Spool(tmp_path, max_bytes=1 << 20), place_known=False)
    before.poll_to_spool()
    before.close()
    assert plc.states == [{}]
    source = forwarding(tmp_path, plc)
    assert store.take(source)
    assert store.values == [1, 2, 3, 4]
    assert plc.states == [{}, {"n": "as stored last"}], "the source is asked from where it was read last"
    source.close()


def test_the_delivery_on_its_way_is_not_lost(tmp_path: Path) -> None:
    plc, store = Counting(), Store()
    source = forwarding(tmp_path, plc)
    assert not store.take(source, refuse_at=1)
    source.poll_to_spool()
    assert store.take(source)
    assert store.values == list(range(1, plc.produced + 1))
    source.close()


def test_a_replay_that_is_refused_is_replayed_again_before_anything_new(tmp_path: Path) -> None:
    plc, store = Counting(), Store()
    source = forwarding(tmp_path, plc)
    source.poll_to_spool()
    assert not store.take(source, refuse_at=1)
    assert store.take(source)
    assert store.values == list(range(1, plc.produced + 1))
    source.close()


def test_a_dead_source_still_hands_over_what_was_held(tmp_path: Path) -> None:
    plc, store = Counting(), Store()
    source = forwarding(tmp_path, plc)
    source.poll_to_spool()
    plc.dead = True
    with pytest.raises(Unreachable):
        store.take(source)
    assert store.values == [1, 2]
    source.close()


def test_the_state_goes_on_from_what_was_held_even_after_a_restart(tmp_path: Path) -> None:
    plc = Counting()
    source = forwarding(tmp_path, plc)
    source.poll_to_spool()
    source.close()
    again = forwarding(tmp_path, plc)
    again.poll_to_spool()
    assert plc.states[-1] == {"n": 2}
    store = Store()
    assert store.take(again)
    assert plc.states[-1] == {"n": 4}
    assert store.values == [1, 2, 3, 4, 5, 6]
    again.close()


def test_database_away_and_disk_full_at_once_cost_nothing_while_it_is_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plc, store = Counting(), Store()
    source = forwarding(tmp_path, plc)
    source.poll_to_spool()

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr("service.storage.readings.spool.os.fsync", full)
        for _ in range(100):
            assert source.poll_to_spool() == 2
    assert source.spooled().in_memory == 200
    assert store.take(source)
    assert store.values == list(range(1, plc.produced + 1))
    assert (source.spooled().records, source.spooled().lost_samples) == (0, 0)
    source.close()


@given(
    st.lists(
        st.sampled_from(["take", "refuse0", "refuse1", "refuse2", "hold", "restart", "die", "revive"]), max_size=30
    )
)
@settings(max_examples=60, deadline=None)  # real files: a busy disk takes its time
def test_whatever_happens_every_sample_is_stored_once_or_waits(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("spool")
    plc, store = Counting(), Store()
    source = forwarding(folder, plc)
    for step in steps:
        try:
            if step == "take":
                store.take(source)
            elif step.startswith("refuse"):
                if not store.take(source, refuse_at=int(step[-1])):
                    source.poll_to_spool()
            elif step == "hold":
                source.poll_to_spool()
            elif step == "restart":
                source.close()
                source = forwarding(folder, plc)
            else:
                plc.dead = step == "die"
        except Unreachable:
            assert plc.dead
    plc.dead = False
    store.take(source)
    assert store.values == list(range(1, plc.produced + 1))
    assert source.spooled().samples == 0
    source.close()
