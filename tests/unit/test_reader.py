"""Dropped files are decoded by a process that can do no harm: what it may not do, how it ends, and what is believed of its answers."""

from __future__ import annotations

import gzip
import io
import lzma
import os
import socket
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from connectors.base import HandCore, Reject, SampleBlock, block_of
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.parts import Chunk, FileOutcome, Limits, ReadJob
from connectors.csv.decoding.wire import SAMPLES, decode, decode_job, encode, encode_job, split
from connectors.csv.delivery import GuardedReader
from connectors.csv.file import read_file
from connectors.errors import ReaderEnded, Unreachable
from service.confinement import Confinement, landlock_version
from service.reader import Reader
from tests.support.inline_reader import InlineReader
from tests.unit.connectors.csv.test_drop import GOOD, MIXED, Bench

NOW = datetime(2026, 1, 1, tzinfo=UTC)
FORM = CsvFormat(tags=frozenset({"CL1", "CL2"}), tanks=frozenset({"east"}))
CORES = "tank,time,thickness (m),note,surface\neast,2025-03-01T00:00:00Z,1.5,clear,ash;pop-ups\neast,2025-03-01,x,,\n"
WIDE = "time;CL1;CL2;CL9\n01.03.2025 00:00;1,5;2;3\n13.03.2025 00:01;;x;4\n"


def job(name: str, size: int, form: CsvFormat = FORM, **other: Any) -> ReadJob:
    return ReadJob("drop", name, size, form, NOW, **other)


@pytest.fixture(scope="module")
def reader() -> Iterator[Reader]:
    made = Reader()
    yield made
    made.stop()


def read(reader: Reader | InlineReader, path: Path, **other: Any) -> list[Chunk | FileOutcome]:
    with path.open("rb") as file:
        return list(reader.read(file, job(path.name, path.stat().st_size, **other)))


def flat(items: list[Chunk | FileOutcome]) -> list[object]:
    """What was read, in a form that can be compared."""
    chunks = [item for item in items if isinstance(item, Chunk)]
    found: list[object] = [reject for chunk in chunks for reject in chunk.rejects]
    found += [core for chunk in chunks for core in chunk.cores]
    for block in (chunk.samples for chunk in chunks):
        names = [block.addresses[i] for i in block.address_index.tolist()]
        columns = (block.time_us, np.nan_to_num(block.value, nan=-1.0), block.quality, block.reason)
        found += list(zip(names, *(column.tolist() for column in columns), strict=True))
    return [*found, sum(chunk.unlisted for chunk in chunks), items[-1]]


@pytest.mark.parametrize("text", [GOOD, MIXED, CORES, WIDE, "nonsense\n", "", "a\n" * 50_000])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_it_reads_just_what_this_process_would(
    reader: Reader, tmp_path: Path, text: str, pack: Callable[[bytes], bytes]
) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(pack(text.encode()))
    assert flat(read(reader, path, block_bytes=4_000)) == flat(read(InlineReader(), path, block_bytes=4_000))


def test_a_large_file_comes_in_pieces_that_are_not_large(reader: Reader, tmp_path: Path) -> None:
    path = tmp_path / "many.csv"
    rows = "".join(f"2025-03-01T{i // 3600:02}:{i // 60 % 60:02}:{i % 60:02}Z,1,2\n" for i in range(80_000))
    path.write_text("time,CL1,CL2\n" + 2 * rows)
    chunks = [item for item in read(reader, path, block_bytes=64 << 20) if isinstance(item, Chunk)]
    assert sum(len(chunk.samples) for chunk in chunks) == 4 * 80_000
    assert all(len(chunk.samples) <= SAMPLES for chunk in chunks)
    assert len(chunks) > 1


# What it could not do, whatever was done to it. Each of these deeds is done in the place of decoding.

_SABOTAGED = """
import service.reader_child as child
def _decoded(line, file, job):
    exec(job.format.zone, {"child": child, "line": line, "file": file})
    return 0
child._decoded = _decoded
child.main()
"""


class Sabotaged(Reader):
    """A reader whose process does what stands in the place of the time zone."""

    _program = _SABOTAGED


@pytest.fixture(scope="module")
def sabotaged() -> Iterator[Reader]:
    made = Sabotaged()
    yield made
    made.stop()


def _attempt(reader: Reader, tmp_path: Path, deed: str) -> str:
    """Why the file was given up after the process did this."""
    path = tmp_path / "evil.csv"
    path.write_text(GOOD)
    with pytest.raises(ReaderEnded) as seen:
        read(reader, path, form=CsvFormat(zone=deed))
    return str(seen.value)


def _tried(deed: str) -> str:
    """The deed, and the name of what came of it as an answer."""
    rows = "".join(f"    {row}\n" for row in deed.strip().splitlines())
    return (
        "import os, socket, subprocess, signal\n"
        f"try:\n{rows}    word = b'done'\nexcept Exception as error:\n    word = type(error).__name__.encode()\n"
        "child.send(line, child.DEFECT, [word])"
    )


needs_landlock = pytest.mark.skipif(landlock_version() < 6, reason="this kernel has no Landlock, or an early one")


@needs_landlock
@pytest.mark.parametrize("way", ["open({path!r})", "os.listdir({folder!r})", "open({folder!r} + '/new', 'w')"])
def test_it_opens_no_file_of_the_service(sabotaged: Reader, tmp_path: Path, way: str) -> None:
    secret = tmp_path / "secret.key"
    secret.write_text("the key that signs links")
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
            folder.chmod(0o755)  # nothing but Landlock shall stand in its way
    secret.chmod(0o644)
    deed = way.format(path=str(secret), folder=str(tmp_path))
    assert "(PermissionError)" in _attempt(sabotaged, tmp_path, _tried(deed))


@needs_landlock
def test_it_does_not_see_into_other_processes_or_signal_them(sabotaged: Reader, tmp_path: Path) -> None:
    assert "(PermissionError)" in _attempt(sabotaged, tmp_path, _tried(f"open('/proc/{os.getpid()}/environ')"))
    assert "(PermissionError)" in _attempt(sabotaged, tmp_path, _tried(f"os.kill({os.getpid()}, 0)"))


def test_it_reaches_no_network(sabotaged: Reader, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        deed = f"socket.create_connection({listener.getsockname()!r}, 5)"
        assert "Error)" in _attempt(sabotaged, tmp_path, _tried(deed))


@pytest.mark.parametrize(
    "deed",
    ["os.fork()", "subprocess.run(['/bin/true'])", "import resource; resource.setrlimit(resource.RLIMIT_AS, (-1, -1))"],
)
def test_it_starts_nothing_and_raises_no_limit(sabotaged: Reader, tmp_path: Path, deed: str) -> None:
    told = _attempt(sabotaged, tmp_path, _tried(deed))
    assert "Error)" in told, told


def test_it_knows_no_secret(monkeypatch: pytest.MonkeyPatch, sabotaged: Reader, tmp_path: Path) -> None:
    monkeypatch.setenv("UNDERWEIR_SECRET_KEY", "do not tell")
    sabotaged.restart()
    deed = _tried("assert not [name for name in os.environ if name.startswith('UNDERWEIR')]\nassert os.getcwd() == '/'")
    assert "(done)" in _attempt(sabotaged, tmp_path, deed)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_started_by_root_it_is_somebody_else(sabotaged: Reader, tmp_path: Path) -> None:
    assert "(done)" in _attempt(
        sabotaged, tmp_path, _tried("assert os.getuid() and os.getgid() and not os.getgroups()")
    )
    assert "(PermissionError)" in _attempt(sabotaged, tmp_path, _tried("os.setuid(0)"))


def test_it_writes_nothing_into_the_file_it_reads(sabotaged: Reader, tmp_path: Path) -> None:
    assert "(OSError)" in _attempt(sabotaged, tmp_path, _tried("os.write(file, b'x')"))
    assert (tmp_path / "evil.csv").read_text() == GOOD


# How it ends, and what is said of the file then.


@pytest.mark.parametrize(
    ("deed", "limits", "why"),
    [
        ("import os; os.kill(os.getpid(), 9)", {}, "killed, perhaps by the system"),
        ("import os; os.kill(os.getpid(), 11)", {}, "crashed (SIGSEGV)"),
        ("import os; os._exit(3)", {}, "ended with status 3"),
        ("line.close()", {}, "ended before the file did"),
        ("while True: pass", {"_processor_s": 1}, "more than 1 s of processor time"),
        ("import time; time.sleep(3600)", {"_silence_s": 1.0}, "nothing came of reading it for 1 s"),
        ("line.close()\nimport time; time.sleep(3600)", {"_silence_s": 1.0}, "closed its line and went on"),
        ("import os; os.kill(os.getppid(), 9)", {}, "killed"),
        ("len(b'x' * (2 << 30))", {}, "more than 640 MB of memory"),
        ("raise KeyError('x')", {}, "ended with status 71"),
    ],
    ids=["killed", "crashed", "left", "silent", "busy", "asleep", "hung up", "killed its parent", "memory", "broke"],
)
def test_why_a_file_ended_its_reader_is_said_in_words(
    monkeypatch: pytest.MonkeyPatch, sabotaged: Reader, tmp_path: Path, deed: str, limits: dict[str, Any], why: str
) -> None:
    for name, limit in limits.items():
        monkeypatch.setattr(sabotaged, name, limit)
    assert why in _attempt(sabotaged, tmp_path, deed)


NONSENSE = {
    "a pickle": "import pickle\nchild.send(line, child.ITEM, [pickle.dumps(print)])",
    "text": "line.sendall(b'HTTP/1.1 200 OK\\r\\n\\r\\n' * 100)",
    "nothing": "child.send(line, child.ITEM, [])",
    "endless": "line.sendall(child.HEAD.pack(child.ITEM, 1 << 60))",
    "a huge column": "import struct\nchild.send(line, child.ITEM, [struct.pack('<Qqq', 1 << 62, 1, 0)])",
    "no kind": "child.send(line, b'?', [bytes(16)])",
    "no text": "child.send(line, child.DEFECT, [bytes(range(256))])",
}


@pytest.mark.parametrize("deed", NONSENSE.values(), ids=NONSENSE)
def test_a_reader_that_was_taken_over_is_not_believed(sabotaged: Reader, tmp_path: Path, deed: str) -> None:
    told = _attempt(sabotaged, tmp_path, deed)
    assert "answered what cannot be" in told or "reading it failed" in told
    assert told.isprintable()


def test_one_that_is_killed_is_followed_by_another(reader: Reader, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(GOOD)
    read(reader, path)
    assert reader._process is not None
    reader._process.kill()
    reader._process.wait()
    assert sum(len(item.samples) for item in read(reader, path) if isinstance(item, Chunk)) == 2


ASLEEP = CsvFormat(zone="import time; time.sleep(3600)")


def test_told_to_stop_it_waits_for_no_file(tmp_path: Path) -> None:
    reader = Sabotaged()
    path = tmp_path / "a.csv"
    path.write_text(GOOD)
    ended: list[Exception] = []
    reader.confinement()

    def run() -> None:
        try:
            read(reader, path, form=ASLEEP)
        except Exception as error:
            ended.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    reader.stop()
    thread.join(60)
    assert [type(error) for error in ended] == [Unreachable]
    with pytest.raises(Unreachable, match="being stopped"):
        read(reader, path)


def _children(reader: Reader) -> str:
    if reader._process is None:  # not begun yet
        return ""
    return Path(f"/proc/{reader._process.pid}/task/{reader._process.pid}/children").read_text()


def test_nothing_is_left_behind(monkeypatch: pytest.MonkeyPatch, sabotaged: Reader, tmp_path: Path) -> None:
    monkeypatch.setattr(sabotaged, "_silence_s", 1.0)
    sabotaged.confinement()
    before = set(os.listdir("/proc/self/fd"))
    _attempt(sabotaged, tmp_path, ASLEEP.zone)
    until = time.monotonic() + 60
    while _children(sabotaged) and time.monotonic() < until:
        time.sleep(0.05)
    assert _children(sabotaged) == ""
    assert set(os.listdir("/proc/self/fd")) == before


def test_the_process_of_a_file_ends_with_its_parent(sabotaged: Reader, tmp_path: Path) -> None:
    sabotaged.confinement()
    path = tmp_path / "a.csv"
    path.write_text(GOOD)
    given = job("a.csv", 1, ASLEEP)
    threading.Thread(target=_ignored, args=(sabotaged, path, given), daemon=True).start()
    until = time.monotonic() + 60
    while not _children(sabotaged) and time.monotonic() < until:
        time.sleep(0.05)
    pids = _children(sabotaged).split()  # that of another file may not have been reaped yet
    assert pids
    sabotaged.restart()
    left = pids
    while left and time.monotonic() < until:
        left = [pid for pid in pids if Path(f"/proc/{pid}").exists()]
        time.sleep(0.05)
    assert left == []


def _ignored(reader: Reader, path: Path, given: ReadJob) -> None:
    with suppress(ReaderEnded, Unreachable), path.open("rb") as file:
        list(reader.read(file, given))


# What files can be made to do to it.


def _archive_of_another_kind() -> bytes:
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.csv", b"\0" * (1 << 24))
    return zipped.getvalue()


#: Each made by the test that needs it: some take half a second.
BOMBS: dict[str, Callable[[], bytes]] = {
    "many columns": lambda: b"time," + b",".join(b"C%d" % i for i in range(120_000)) + b"\n" + b"1," * 120_000 + b"\n",
    "a header without end": lambda: b"time,tag,value" * 200_000,
    "a megabyte for a name": lambda: b"time,tag,value\n" + b"2025-03-01T00:00:00Z," + b"x" * 900_000 + b",1\n" * 3,
    "a gigabyte in an archive of another kind": _archive_of_another_kind,
    "signs of four bytes": lambda: (("time,tag,value\n" + "\U0001d11e" * 300_000 + "\n") * 4).encode("utf-16"),
    "quotes within quotes": lambda: b"time,tag,value\n" + b'""""""""""""""""""\n' * 20_000,
    "one open quote a line": lambda: b"time,tag,value\n" + b'"a\n' * 20_000,
    "unknown tags without end": lambda: (
        b"time,tag,value\n" + b"".join(b"2025-03-01T00:00:00Z,T%d,1\n" % i for i in range(30_000))
    ),
    "a gzip in a gzip": lambda: gzip.compress(gzip.compress(b"a\n" * 1_000_000)),
    "zeros": lambda: bytes(5_000_000),
    "cut-off lzma": lambda: lzma.compress(b"x" * 1000)[:40],
}


@pytest.mark.parametrize("name", BOMBS)
def test_whatever_a_file_is_made_of_it_is_read_refused_or_ends_its_reader_and_the_next_one_is_read(
    reader: Reader, tmp_path: Path, name: str
) -> None:
    path = tmp_path / "evil.csv"
    path.write_bytes(BOMBS[name]())
    with suppress(ReaderEnded):
        rejects = [r for item in read(reader, path) if isinstance(item, Chunk) for r in item.rejects]
        assert all(len(reject.field) + len(reject.text) + len(reject.reason) < 1_300 for reject in rejects)
    path.write_text(GOOD)
    assert sum(len(item.samples) for item in read(reader, path) if isinstance(item, Chunk)) == 2


def test_an_archive_that_unfolds_to_all_memory_ends_its_reader(tmp_path: Path) -> None:
    """What comes out of one piece of LZMA has no bound in the standard library: 128 MB out of 20 kB."""
    path = tmp_path / "evil.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.csv", b"a\n" * (1 << 26))
    reader = Reader(memory=256 << 20)
    with pytest.raises(ReaderEnded, match="more than 256 MB of memory"):
        read(reader, path)
    reader.stop()


# In the folder: into quarantine, once, and everything beside it goes on.


class Ends:
    """A reader that files of a certain name end, at once or after a part of them."""

    def __init__(self, *, after: int = 0) -> None:
        self.after = after
        self.tried: list[str] = []

    def read(self, file: Any, given: ReadJob) -> Iterator[Chunk | FileOutcome]:
        self.tried.append(given.origin)
        for number, item in enumerate(read_file(file, given)):
            if given.origin.startswith("evil") and number >= self.after:
                raise ReaderEnded(given.source, f"{given.origin}: its reader was ended.", "It lies in quarantine.")
            yield item

    def stop(self) -> None:
        """Nothing to stop."""


@pytest.mark.parametrize("keep", [False, True])
def test_a_file_that_ended_its_reader_is_read_once_and_the_others_go_in(tmp_path: Path, keep: bool) -> None:
    bench = Bench(tmp_path, keep=keep)
    ends = bench.reader = Ends()
    bench.restart()
    bench.put("evil.csv", GOOD)
    bench.put("good.csv", GOOD.replace("1.5", "1.7"))
    deliveries = bench.settled()
    assert sorted((d.origin, len(d.samples)) for d in deliveries) == [("evil.csv", 0), ("good.csv", 2)]
    assert "was ended" in (tmp_path / "quarantine/evil.csv.reason.txt").read_text()
    assert "Nothing of it is stored" in (tmp_path / "quarantine/evil.csv.reason.txt").read_text()
    bench.restart()
    bench.settled(state=dict(deliveries[-1].state))
    assert ends.tried.count("evil.csv") == 1


def test_one_that_ended_it_in_the_midst_stores_nothing_and_is_put_away_with_the_next_look(tmp_path: Path) -> None:
    bench = Bench(tmp_path, block_bytes=40)
    ends = bench.reader = Ends(after=2)
    bench.restart()
    bench.put("evil.csv", GOOD + GOOD.partition("\n")[2] * 5)
    with pytest.raises(ReaderEnded):
        bench.settled()
    bench.put("good.csv", GOOD)
    assert not [d for d in bench.settled() if d.origin == "evil.csv" and (len(d.samples) or not d.last_part)]
    assert sorted(bench.names()) == ["processed/good.csv", "quarantine/evil.csv", "quarantine/evil.csv.reason.txt"]
    assert ends.tried.count("evil.csv") == 1


def test_the_same_file_dropped_again_is_looked_at_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.reader = Ends()
    bench.restart()
    bench.put("evil.csv", GOOD)
    (delivery,) = bench.settled()
    assert delivery.content_hash is None  # not in the ledger of what is known
    bench.reader = InlineReader()
    bench.restart()
    bench.put("evil.csv", GOOD)
    assert sum(len(delivery.samples) for delivery in bench.settled()) == 2


def test_a_file_during_which_the_service_ended_three_times_is_read_no_more(tmp_path: Path) -> None:
    note = tmp_path / "spool" / "drop.reading"
    (tmp_path / "in").mkdir()
    bench = Bench(tmp_path / "in", attempts=note)
    bench.put("evil.csv", GOOD)
    for _ in range(3):
        bench.restart()
        bench.look(commit=False)
        bench.seconds += 10
        left = bench.drop.poll({})
        deliveries = _cut_short(left, bench)
        assert deliveries
        assert note.is_file()
    bench.restart()
    bench.settled()
    assert "ended 3 times" in (tmp_path / "in/quarantine/evil.csv.reason.txt").read_text()
    assert not note.exists()


def _cut_short(deliveries: Iterator[Any], bench: Bench) -> str:
    """What stands in the note while a file is read, left there as a kill would leave it."""
    note = bench.drop._config.attempts
    assert note is not None
    path: Path = note
    held = ""
    real = bench.reader.read

    class Watched(InlineReader):
        def read(self, file: Any, given: ReadJob) -> Iterator[Chunk | FileOutcome]:
            nonlocal held
            held = path.read_text()
            yield from real(file, given)

    assert isinstance(bench.drop._reader, GuardedReader)
    bench.drop._reader._reader = Watched()
    list(deliveries)
    note.write_text(held)
    return held


def test_a_file_that_was_read_leaves_no_note(tmp_path: Path) -> None:
    bench = Bench(tmp_path, attempts=tmp_path / "note")
    bench.put("a.csv", GOOD)
    bench.settled()
    assert bench.names() == ["processed/a.csv"]


# What is sent, and what is believed.

ROW = HandCore("east", NOW, 1.5, "m", 2.0, "m", None, 2, 1.7, ("ash", "pop-ups"), "Kim", "calm", 7)
WHOLE = Chunk(
    SampleBlock(
        ("CL1", "CL2"),
        np.array([0, 1, 1], np.int32),
        np.array([1, 2, 3], np.int64),
        np.array([1.0, np.nan, 2.0]),
        np.array([0, 2, 0], np.int16),
        np.array([0, 7, 0], np.int16),
    ),
    (Reject(3, "value", "x", "not a number"), Reject(0, "file", "ä\ud800", "")),
    (ROW, HandCore("east", NOW + timedelta(microseconds=1), 0.0, "ft")),
    4,
)


def sent(item: Chunk | FileOutcome) -> bytearray:
    return bytearray(b"".join(bytes(part) for part in encode(item)))


def test_what_was_sent_is_what_came() -> None:
    came = decode(sent(WHOLE), job("a", 1))
    assert isinstance(came, Chunk)
    assert came.cores == WHOLE.cores
    assert came.rejects == (WHOLE.rejects[0], Reject(0, "file", "ä?", ""))
    assert came.unlisted == 4
    for name in ("address_index", "time_us", "value", "quality", "reason"):
        assert np.array_equal(getattr(came.samples, name), getattr(WHOLE.samples, name), equal_nan=name == "value")
    outcome = FileOutcome("why", False, {"CL1": 5})
    assert decode(sent(outcome), job("a", 1)) == outcome


@given(st.integers(0, 10_000), st.integers(0, 255), st.integers(-3, 3))
def test_what_is_damaged_on_the_way_is_refused_or_is_still_what_a_file_may_hold(
    place: int, byte: int, cut: int
) -> None:
    data = sent(WHOLE)
    data[place % len(data)] = byte
    if cut:
        data = data[:cut] if cut > 0 else data[: len(data) + cut]
    try:
        came = decode(data, job("a", 1))
    except ValueError:
        return
    if isinstance(came, Chunk):
        block = came.samples
        assert set(block.addresses) <= FORM.tags
        assert not block.address_index.size or 0 <= block.address_index.min() <= block.address_index.max() < 2
        assert {0, 1, 2} >= set(block.quality.tolist())
        assert all(core.time.tzinfo is UTC and core.thickness == core.thickness for core in came.cores)


@pytest.mark.parametrize(
    "wrong",
    [
        Chunk(SampleBlock(("CLX",), *(np.zeros(1, k) for k in ("i4", "i8", "f8", "i2", "i2")))),
        Chunk(SampleBlock(("CL1",), np.array([1], "i4"), *(np.zeros(1, k) for k in ("i8", "f8", "i2", "i2")))),
        Chunk(SampleBlock(("CL1",), *(np.full(1, 77, k) for k in ("i4", "i8", "f8", "i2", "i2")))),
        Chunk(block_of([]), cores=(HandCore("east", NOW, float("nan"), "m"),)),
        Chunk(block_of([]), cores=(HandCore("east", NOW, 1.0, "m", replicate=0),)),
        Chunk(block_of([]), unlisted=-1),
        Chunk(block_of([]), tuple(Reject(1, "", "", "") for _ in range(5_000))),
        FileOutcome(repeated={"CLX": 1}),
    ],
)
def test_what_no_file_of_this_source_can_hold_is_refused(wrong: Chunk | FileOutcome) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        decode(sent(wrong), job("a", 1))


def test_a_job_is_the_same_over_there() -> None:
    form = CsvFormat(layout=Layout.WIDE, columns={"time": 1}, tags=frozenset({"ä", "b"}), header=False, decimal=",")
    given = job("a\u2028.csv", 7, form, repeated={"ä": 5}, limits=Limits(max_members=3))
    assert decode_job(encode_job(given)) == given


def test_pieces_are_the_whole() -> None:
    many = Chunk(block_of([]), tuple(Reject(i, "", "", "") for i in range(5_001)), unlisted=3)
    parts = [part for part in split(many) if isinstance(part, Chunk)]
    assert tuple(reject for part in parts for reject in part.rejects) == many.rejects
    assert sum(part.unlisted for part in parts) == 3


def test_what_is_missing_is_said() -> None:
    assert Confinement(landlock=7, network=True).words() == ()
    assert any("Landlock" in words for words in Confinement(network=True).words())
    assert any("network" in words for words in Confinement(landlock=3).words())
