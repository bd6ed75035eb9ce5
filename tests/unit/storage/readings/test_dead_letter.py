"""The folder of what cannot be stored: bounded, and what it gives up is counted."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.storage.readings.dead_letter import DeadLetterFolder, samples_of
from service.storage.readings.spool import Spool


def put_all(refused: DeadLetterFolder, count: int) -> list[tuple[int, int]]:
    """Records 0 to *count*, each a second younger than the one before, with as many samples as its number says."""
    gone = []
    for number in range(count):
        gone.append(refused.put(f"record {number}".encode(), number, "no reason"))
        for path in refused.folder.glob(f"*-{number}.record"):
            os.utime(path, (1000 + number, 1000 + number))
    return gone


def test_the_oldest_go_when_there_are_too_many(tmp_path: Path) -> None:
    refused = DeadLetterFolder(tmp_path, max_records=3)
    assert put_all(refused, 5) == [(0, 0), (0, 0), (0, 0), (1, 0), (1, 1)]
    assert sorted(samples_of(path) for path in refused.folder.glob("*.record")) == [2, 3, 4]
    assert len(list(refused.folder.iterdir())) == 6
    assert refused.count().records == 3


def test_and_when_they_take_too_much(tmp_path: Path) -> None:
    refused = DeadLetterFolder(tmp_path, max_bytes=20)
    put_all(refused, 4)
    assert sorted(samples_of(path) for path in refused.folder.glob("*.record")) == [2, 3]
    assert refused.put(bytes(1000), 7, "larger than all there may be") == (2, 5)
    assert [samples_of(path) for path in refused.folder.glob("*.record")] == [7]


def test_the_same_record_is_one_file(tmp_path: Path) -> None:
    refused = DeadLetterFolder(tmp_path)
    refused.put(b"the same", 1, "first")
    refused.put(b"the same", 1, "second")
    assert refused.count().records == 1
    [reason] = refused.folder.glob("*.reason.txt")
    assert reason.read_text().startswith("second\n")


def test_a_spool_counts_what_its_folder_gave_up_as_lost(tmp_path: Path) -> None:
    spool = Spool(tmp_path, max_bytes=1 << 20)
    spool.dead_letters = DeadLetterFolder(tmp_path, max_records=1)
    spool.put_dead_letter(b"first", 5, "")
    assert spool.counts().lost_samples == 0
    [first] = spool.dead_letters.folder.glob("*.record")
    os.utime(first, (1000, 1000))
    spool.put_dead_letter(b"second", 1, "")
    assert (spool.counts().lost_samples, spool.counts().lost_records) == (5, 1)
    spool.close()


@pytest.mark.parametrize(("name", "samples"), [("0a-12.record", 12), ("renamed.record", 0), ("a-b.record", 0)])
def test_a_name_tells_how_many(name: str, samples: int) -> None:
    assert samples_of(Path(name)) == samples
