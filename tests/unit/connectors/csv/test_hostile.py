"""Files made to hurt, by somebody who may write the drop folder and nothing else: what they can reach, and what they cost."""

from __future__ import annotations

import gzip
import os
import struct
import threading
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from connectors.csv.decoding.lines import MAX_LISTED_REJECTS
from connectors.csv.decoding.parts import Limits
from connectors.errors import Unreachable
from tests.unit.connectors.csv.test_drop import GOOD, MIXED, Bench, bench

__all__ = ["bench"]

SECRET = "the key that signs links\n"


@pytest.fixture
def secret(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of the service's own, outside the drop folder."""
    path = tmp_path_factory.mktemp("data") / "secret.key"
    path.write_text(SECRET)
    return path


@pytest.mark.parametrize(
    "name", [".evil.csv.rejected.csv.tmp", "evil.csv.rejected.csv", "evil.csv.reason.txt", ".evil.csv.reason.txt.tmp"]
)
def test_a_link_where_rejects_are_written_reaches_no_file_of_the_service(bench: Bench, secret: Path, name: str) -> None:
    (bench.folder / name).symlink_to(secret)
    bench.put("evil.csv", MIXED)
    bench.settled()
    assert secret.read_text() == SECRET
    assert not (bench.folder / "processed/evil.csv.rejected.csv").is_symlink()
    assert SECRET not in (bench.folder / "processed/evil.csv.rejected.csv").read_text()


@pytest.mark.parametrize("folder", ["processed", "quarantine"])
def test_a_link_in_the_place_of_our_folders_leads_nowhere(bench: Bench, secret: Path, folder: str) -> None:
    (bench.folder / folder).symlink_to(secret.parent)
    bench.put("evil.csv", MIXED)
    with pytest.raises(Unreachable, match="must be a folder, not a link"):
        bench.settled()
    assert os.listdir(secret.parent) == ["secret.key"]
    assert secret.read_text() == SECRET
    (bench.folder / folder).unlink()
    bench.settled()  # once the link is gone, the file goes its way
    assert (bench.folder / "processed/evil.csv").is_file()


def test_a_second_name_of_a_file_of_the_service_is_not_read_and_the_source_says_so(bench: Bench, secret: Path) -> None:
    os.link(secret, bench.folder / "evil.csv")
    bench.put("good.csv", GOOD)
    with pytest.raises(Unreachable, match=r"evil\.csv has a second name"):
        bench.settled()
    assert bench.names() == ["evil.csv", "processed/good.csv"]
    assert secret.read_text() == SECRET
    assert not any(SECRET.strip() in path.read_text() for path in bench.folder.rglob("*.rejected.csv"))


def test_a_pipe_or_a_sparse_giant_under_the_name_a_file_moves_to_holds_nothing_up(bench: Bench) -> None:
    (bench.folder / "processed").mkdir()
    os.mkfifo(bench.folder / "processed/f.csv")
    _giant(bench.folder / "processed/g.csv")
    bench.put("f.csv", GOOD)
    bench.put("g.csv", GOOD)
    done = threading.Event()

    def run() -> None:
        bench.settled()
        done.set()

    threading.Thread(target=run, daemon=True).start()
    assert done.wait(120), "a file whose place is taken by a pipe or by a giant holds its source up"
    assert [name for name in os.listdir(bench.folder) if name.endswith(".csv")] == []
    assert len(os.listdir(bench.folder / "processed")) == 4


def test_a_sparse_giant_is_not_even_hashed(bench: Bench) -> None:
    _giant(bench.folder / "g.csv")
    done = threading.Event()

    def run() -> None:
        bench.settled()
        done.set()

    threading.Thread(target=run, daemon=True).start()
    assert done.wait(120), "400 GB are being read"
    assert "more than" in (bench.folder / "quarantine/g.csv.reason.txt").read_text()
    assert (bench.folder / "quarantine/g.csv").stat().st_size == 400 << 30


def _giant(path: Path) -> None:
    path.touch()
    os.truncate(path, 400 << 30)


@pytest.mark.parametrize("length", [230, 241, 244, 251])
def test_the_longest_names_a_file_system_takes(bench: Bench, length: int) -> None:
    name = "x" * (length - 4) + ".csv"
    bench.put(name, MIXED)
    bench.put("y" * (length - 4) + ".csv", "nonsense\n")
    bench.settled()
    assert (bench.folder / "processed" / name).is_file()
    (rejected,) = [path for path in (bench.folder / "processed").iterdir() if path.name.endswith(".rejected.csv")]
    assert "abc" in rejected.read_text()
    (reason,) = [path for path in (bench.folder / "quarantine").iterdir() if path.name.endswith(".reason.txt")]
    assert reason.read_text()


def test_a_long_name_taken_by_other_content(bench: Bench) -> None:
    name = "x" * 247 + ".csv"
    bench.put(name, GOOD)
    bench.settled()
    bench.put(name, MIXED)
    bench.settled()
    assert len([path for path in (bench.folder / "processed").iterdir() if path.name.endswith("csv")]) == 3


def _peak(bench: Bench) -> int:
    """Most memory that reading the folder took beyond what there was. [byte]"""
    tracemalloc.start()
    try:
        bench.settled()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize(
    "text",
    [
        b"a\n" * 3_000_000,
        b'time,tag,value\n2025-03-01T00:00:00Z,CL1,1\n"a\n' + b"a\n" * 100_000,
        b"time,tag,value\n" + b"2025-03-01T00:00:00Z,CL1,x\n" * 200_000,
        b"time,tag,value\n" + b"," * 3_000_000,
        b"\n" * 3_000_000,
    ],
    ids=["one letter a line", "after an open quote", "no number in a million rows", "nothing but commas", "blank"],
)
def test_a_few_kilobytes_do_not_unfold_to_a_machine_full(bench: Bench, text: bytes) -> None:
    bench.put("evil.csv.gz", "").write_bytes(gzip.compress(text))
    assert _peak(bench) < 250e6


def test_rejects_beyond_the_first_are_counted(bench: Bench) -> None:
    rows = 3 * MAX_LISTED_REJECTS
    bench.put("many.csv", "time,tag,value\n" + "2025-03-01T00:00:00Z,CL1,x\n" * rows)
    deliveries = bench.settled()
    assert sum(len(d.rejects) + d.unlisted for d in deliveries) == rows
    told = (bench.folder / "processed/many.csv.rejected.csv").read_text()
    assert told.count("\n") == MAX_LISTED_REJECTS + 2
    assert f"{rows - MAX_LISTED_REJECTS} more rows were rejected" in told


def _million_members(path: Path) -> None:
    """An archive of a million empty members, written without the library, which would take minutes."""
    one = struct.pack("<4s6H3L5H2L", b"PK\x01\x02", 20, 20, 0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0) + b"a"
    count = 60_000
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, count, count, len(one) * count, 30, 0)
    path.write_bytes(b"PK\x03\x04" + b"\0" * 26 + one * count + end)


def _endless_directory(path: Path) -> None:
    """A sparse archive whose end claims a list of members that fills it."""
    with path.open("wb") as file:
        file.write(b"PK\x03\x04")
        file.seek(0x1FFFFFF0)
        file.write(struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, 0x1FFFFF00, 0, 0))


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("make", [_million_members, _endless_directory])
def test_an_archive_that_claims_an_endless_list_of_members(bench: Bench, make: Callable[[Path], None]) -> None:
    make(bench.folder / "evil.zip")
    assert _peak(bench) < 60e6
    assert "too many members" in (bench.folder / "quarantine/evil.zip.reason.txt").read_text()


@pytest.mark.untraced  # goes often over what other tests reach
def test_an_archive_of_as_many_members_as_are_allowed_is_read(bench: Bench) -> None:
    with zipfile.ZipFile(bench.folder / "year.zip", "w") as archive:
        for day in range(Limits().max_members):
            archive.writestr(f"{'station north export ' * 10}{day}.csv", GOOD)
    deliveries = bench.settled()
    assert sum(len(delivery.samples) for delivery in deliveries) == 2 * Limits().max_members
