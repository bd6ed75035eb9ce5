"""The spool: order, bounds, damage, and being killed."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.storage.readings.spool import Spool, SpoolRecord
from tests.support.small_disk import SmallDisk

MIB = 1 << 20


@pytest.fixture
def opened() -> Iterator[Callable[..., Spool]]:
    """A maker of spools, all closed at the end."""
    made: list[Spool] = []

    def make(folder: Path, *, max_bytes: int = MIB, segment_bytes: int | None = None) -> Spool:
        made.append(Spool(folder, max_bytes=max_bytes, segment_bytes=segment_bytes))
        return made[-1]

    yield make
    for spool in made:
        spool.close()


def payloads(spool: Spool) -> list[bytes]:
    return [record.payload for record in spool.pending()]


def test_first_in_first_out_and_trimmed(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    spool = opened(tmp_path)
    first, second, third = (spool.append(p, 1) for p in (b"a", b"bb", b""))
    assert list(spool.pending()) == [
        SpoolRecord(first, 1, b"a"),
        SpoolRecord(second, 1, b"bb"),
        SpoolRecord(third, 1, b""),
    ]
    spool.trim(first)
    assert payloads(spool) == [b"bb", b""]
    spool.trim(third)
    assert payloads(spool) == []
    assert spool.counts().size_bytes == 0, "nothing is kept for nothing"


def test_everything_is_there_after_a_restart(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    spool = opened(tmp_path, segment_bytes=4096)
    sent = [bytes([i]) * 1000 for i in range(20)]
    numbers = [spool.append(p, 2) for p in sent]
    spool.trim(numbers[6])
    spool.close()
    again = opened(tmp_path, segment_bytes=4096)
    assert payloads(again) == sent[7:]
    assert again.counts().samples == 26
    assert again.append(b"next", 1) == numbers[-1] + 1


def test_a_torn_last_record_is_cut_off_wherever_it_tore(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    whole = opened(tmp_path / "whole")
    whole.append(b"first record", 1)
    kept = whole.counts().size_bytes
    whole.append(b"second record", 1)
    whole.close()
    [segment] = (tmp_path / "whole").glob("*.segment")
    data = segment.read_bytes()
    for length in range(kept, len(data)):
        folder = tmp_path / str(length)
        folder.mkdir()
        (folder / segment.name).write_bytes(data[:length])
        torn = opened(folder)
        assert payloads(torn) == [b"first record"]
        assert torn.counts().damaged == 0
        torn.append(b"third", 1)
        torn.close()
        assert payloads(opened(folder)) == [b"first record", b"third"]


@given(st.integers(0, 200), st.integers(1, 255))
@settings(max_examples=60, deadline=None)  # real files: a busy disk takes its time
def test_a_flipped_byte_costs_one_record_and_is_counted(
    tmp_path_factory: pytest.TempPathFactory, place: int, flip: int
) -> None:
    folder = tmp_path_factory.mktemp("spool")
    spool = Spool(folder, max_bytes=MIB)
    for i in range(5):
        spool.append(b"record %d, twenty bytes" % i, 1)
    spool.close()
    [segment] = folder.glob("*.segment")
    data = bytearray(segment.read_bytes())
    data[place % len(data)] ^= flip
    segment.write_bytes(data)
    again = Spool(folder, max_bytes=MIB)
    left = payloads(again)
    assert len(left) == 4, "the other four are read"
    assert left == sorted(left)
    last_was_hit = place % len(data) >= len(data) // 5 * 4
    assert again.counts().damaged == (0 if last_was_hit else 1)


def test_when_full_the_oldest_go_and_are_counted(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    spool = opened(tmp_path, max_bytes=40_000, segment_bytes=4096)
    for i in range(100):
        spool.append(bytes([i]) * 1000, 3)
    left = payloads(spool)
    assert left == [bytes([i]) * 1000 for i in range(100 - len(left), 100)], "the newest, in order"
    counts = spool.counts()
    assert counts.size_bytes <= 40_000
    assert counts.lost_records == 100 - len(left)
    assert counts.lost_samples == 3 * counts.lost_records
    assert counts.samples + counts.lost_samples == 300


def test_losses_are_remembered_until_they_are_reported(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    spool = opened(tmp_path, max_bytes=20_000, segment_bytes=4096)
    for i in range(40):
        spool.append(bytes([i]) * 1000, 1)
    before = spool.counts()
    assert before.lost_samples > 0
    spool.close()
    again = opened(tmp_path, max_bytes=20_000, segment_bytes=4096)
    assert again.counts().lost_samples == before.lost_samples
    again.append(b"x" * 8000, 1)
    later = again.counts().lost_samples - before.lost_samples
    again.acknowledge_losses(before)
    assert again.counts().lost_samples == later


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("append"), st.integers(0, 3000)),
            st.tuples(st.just("trim"), st.integers(0, 5)),
            st.tuples(st.just("reopen"), st.just(0)),
        ),
        max_size=40,
    )
)
@settings(max_examples=60, deadline=None)  # real files: a busy disk takes its time
def test_nothing_vanishes_unaccounted(tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]) -> None:
    folder = tmp_path_factory.mktemp("spool")
    spool = Spool(folder, max_bytes=20_000, segment_bytes=4096)
    appended: list[int] = []
    stored: list[int] = []
    for what, size in steps:
        if what == "append":
            appended.append(spool.append(b"p" * size, 1))
        elif what == "trim":
            for record in [r for _, r in zip(range(size), spool.pending(), strict=False)]:
                stored.append(record.sequence)
                spool.trim(record.sequence)
        else:
            spool.close()
            spool = Spool(folder, max_bytes=20_000, segment_bytes=4096)
    waiting = [r.sequence for r in spool.pending()]
    assert len(appended) == len(stored) + len(waiting) + spool.counts().lost_samples
    assert stored + waiting == sorted(stored + waiting)
    assert waiting == appended[len(appended) - len(waiting) :]
    spool.close()


class Disk:
    """Refuses every sync while it is full."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = False
        self._sync = os.fsync
        monkeypatch.setattr("service.storage.readings.spool.os.fsync", self.sync)

    def sync(self, handle: int) -> None:
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        self._sync(handle)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


def test_while_the_disk_is_full_records_wait_in_memory_and_go_to_disk_when_it_is_not(
    tmp_path: Path, opened: Callable[..., Spool], disk: Disk
) -> None:
    spool = opened(tmp_path, segment_bytes=4096)
    sent = [bytes([i]) * 1000 for i in range(30)]
    for payload in sent[:10]:
        spool.append(payload, 1)
    disk.full = True
    for payload in sent[10:20]:
        spool.append(payload, 1)
    assert payloads(spool) == sent[:20]
    assert (spool.counts().records, spool.counts().samples, spool.counts().in_memory) == (20, 20, 10)
    disk.full = False
    for payload in sent[20:]:
        spool.append(payload, 1)
    assert (spool.counts().in_memory, spool.counts().lost_samples) == (0, 0)
    spool.close()
    assert payloads(opened(tmp_path, segment_bytes=4096)) == sent


def test_what_waits_in_memory_goes_to_disk_though_nothing_more_comes(
    tmp_path: Path, opened: Callable[..., Spool], disk: Disk
) -> None:
    spool = opened(tmp_path)
    disk.full = True
    spool.append(b"read while the disk was full", 1)
    spool.flush()
    assert spool.counts().in_memory == 1
    disk.full = False
    spool.flush()
    assert spool.counts().in_memory == 0
    assert payloads(opened(tmp_path)) == [b"read while the disk was full"], "as after a kill"


def test_what_is_stored_elsewhere_leaves_memory_too(tmp_path: Path, opened: Callable[..., Spool], disk: Disk) -> None:
    spool = opened(tmp_path)
    disk.full = True
    first, second = spool.append(b"first", 1), spool.append(b"second", 1)
    spool.trim(first)
    assert list(spool.pending()) == [SpoolRecord(second, 1, b"second")]
    spool.trim(second)
    assert spool.counts().in_memory == 0
    spool.close()
    assert spool.counts().lost_samples == 0


def test_memory_is_bounded_and_the_oldest_go_first(tmp_path: Path, opened: Callable[..., Spool], disk: Disk) -> None:
    spool = Spool(tmp_path, max_bytes=MIB, segment_bytes=4096, memory_bytes=5000)
    for i in range(10):
        spool.append(bytes([i]) * 1000, 3)
    disk.full = True
    for i in range(10, 30):
        spool.append(bytes([i]) * 1000, 3)
    assert payloads(spool) == [bytes([i]) * 1000 for i in range(25, 30)], "the newest, in order"
    assert spool.counts().lost_samples == 3 * 25
    spool.close()
    assert spool.counts().lost_samples == 3 * 30, "what the disk does not take at the end is lost, and counted"


def test_losses_are_in_the_books_although_the_disk_is_full(tmp_path: Path) -> None:
    """The books have had their place on the disk from the beginning: only what needs a new place is refused."""
    disk = SmallDisk(tmp_path / "disk", "64k")
    if not disk.mounted:
        pytest.skip("only root can mount a small disk")
    try:
        spool = Spool(disk.folder / "spool", max_bytes=MIB, memory_bytes=1000)
        disk.fill()
        for i in range(10):
            spool.append(bytes([i]) * 500, 1)
        assert (spool.counts().in_memory, spool.counts().lost_samples) == (2, 8)
        # Killed now: the disk is as full as before, the count is not forgotten.
        assert Spool(disk.folder / "spool", max_bytes=MIB).counts().lost_samples == 8
        disk.free()
        spool.append(b"room again", 1)
        assert spool.counts().in_memory == 0
        spool.close()
    finally:
        disk.unmount()


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("append"), st.integers(0, 2000)),
            st.tuples(st.just("trim"), st.integers(0, 5)),
            st.tuples(st.sampled_from(["full", "free", "reopen"]), st.just(0)),
        ),
        max_size=50,
    )
)
@settings(max_examples=60, deadline=None)  # real files: a busy disk takes its time
def test_a_disk_that_is_full_at_times_loses_nothing_uncounted(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    folder = tmp_path_factory.mktemp("spool")
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(patch)
        spool = Spool(folder, max_bytes=20_000, segment_bytes=4096, memory_bytes=6000)
        appended, stored = 0, []
        for what, size in steps:
            match what:
                case "append":
                    appended += 1
                    spool.append(b"%d," % appended + b"p" * size, 1)
                case "trim":
                    for record in [r for _, r in zip(range(size), spool.pending(), strict=False)]:
                        stored.append(int(record.payload.split(b",")[0]))
                        spool.trim(record.sequence)
                case "reopen":
                    spool.close()
                    disk.full = False
                    lost = spool.counts().lost_samples
                    spool.acknowledge_losses(replace(spool.counts(), lost_samples=0, lost_records=0))
                    spool = Spool(folder, max_bytes=20_000, segment_bytes=4096, memory_bytes=6000)
                    assert spool.counts().lost_samples == lost
                case _:
                    disk.full = what == "full"
        waiting = [int(payload.split(b",")[0]) for payload in payloads(spool)]
        assert stored + waiting == sorted(set(stored + waiting)), "in order, and none twice"
        assert appended == len(stored) + len(waiting) + spool.counts().lost_samples
        if not any(what == "full" for what, _ in steps):
            assert spool.counts().in_memory == 0
        spool.close()


WRITER = """
import sys
from pathlib import Path
from service.storage.readings.spool import Spool
spool = Spool(Path(sys.argv[1]), max_bytes=1 << 24, segment_bytes=8192)
while True:
    number = spool.append(b"%08d" % (spool._next) * 40, 1)
    print(number, flush=True)
"""


def test_what_was_acknowledged_survives_kill_9(tmp_path: Path, opened: Callable[..., Spool]) -> None:
    acknowledged = 0
    for killing in range(4):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        for _ in range(30 + 17 * killing):
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().splitlines()
        writer.stdout.close()
        writer.wait()
        acknowledged = max([acknowledged, *(int(line) for line in rest if line.isdigit() and len(line) < 9)])
        spool = opened(tmp_path, max_bytes=1 << 24, segment_bytes=8192)
        kept = list(spool.pending())
        spool.close()
        assert [r.sequence for r in kept] == list(range(1, len(kept) + 1))
        assert len(kept) >= acknowledged
        assert all(r.payload == b"%08d" % r.sequence * 40 for r in kept)


def test_a_full_disk_does_not_hold_up_what_is_stored_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spool = Spool(tmp_path, max_bytes=10_000)
    for payload in (b"first", b"second"):
        spool.append(payload, 1)

    def full(self: Spool) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr(Spool, "_write_trimmed", full)
        spool.trim(1)
        spool.acknowledge_losses(spool.counts())
        assert [record.payload for record in spool.pending()] == [b"second"]
    spool.close()
    # Killed before the place could be written: what was stored comes again, nothing is skipped.
    assert [record.payload for record in Spool(tmp_path, max_bytes=10_000).pending()] == [b"first", b"second"]
