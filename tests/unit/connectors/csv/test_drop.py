"""The life of a dropped file, told by what lies in the folder after each step."""

from __future__ import annotations

import gzip
import os
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from connectors.base import Delivery
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.parts import FileReader, Limits
from connectors.csv.drop import CsvDrop, CsvDropConfig, CsvFiles
from connectors.csv.folder import Folder
from connectors.errors import Misconfigured, Unreachable
from tests.support.inline_reader import InlineReader

NOW = datetime(2026, 1, 1, tzinfo=UTC)
GOOD = "time,tag,value\n2025-03-01T00:00:00Z,CL1,1.5\n2025-03-01T00:01:00Z,CL1,1.6\n"
MIXED = "time,tag,value\n2025-03-01T00:00:00Z,CL1,1.5\n2025-03-01T00:01:00Z,CL1,abc\n2025-03-01T00:02:00Z,CLX,1\n"


class Bench:
    """A drop folder, a clock to turn, and the deliveries of each look."""

    def __init__(self, folder: Path, **config: Any) -> None:
        self.folder = folder
        self.seconds = 0.0
        self.now = NOW
        self.known: set[str] = set()
        self.reader: FileReader = InlineReader()
        self._config = CsvDropConfig(key="drop", folder=folder, format=CsvFormat(tags=frozenset({"CL1"})), **config)
        self.restart()

    def restart(self) -> None:
        self.drop = CsvDrop(
            self._config,
            reader=self.reader,
            now=lambda: self.now,
            is_stored=self.known.__contains__,
            clock=lambda: self.seconds,
        )

    def look(self, *, after: float = 10.0, state: dict[str, Any] | None = None, commit: bool = True) -> list[Delivery]:
        self.seconds += after
        deliveries = []
        for delivery in self.drop.poll(state or {}):
            deliveries.append(delivery)
            if commit:
                self.drop.committed(delivery)
        return deliveries

    def settled(self, **kwargs: Any) -> list[Delivery]:
        self.look(commit=False)
        return self.look(**kwargs)

    def names(self) -> list[str]:
        return sorted(str(path.relative_to(self.folder)) for path in self.folder.rglob("*") if path.is_file())

    def put(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text)
        return path


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_a_file_is_taken_once_it_rests_and_moved_once_it_is_stored(bench: Bench) -> None:
    bench.put("a.csv", GOOD)
    assert bench.look() == []
    (delivery,) = bench.look(commit=False)
    assert (delivery.origin, len(delivery.samples), delivery.last_part) == ("a.csv", 2, True)
    assert bench.names() == ["a.csv"]
    bench.drop.committed(delivery)
    assert bench.names() == ["processed/a.csv"]
    assert bench.settled() == []


def test_a_growing_file_waits(bench: Bench) -> None:
    path = bench.put("a.csv", GOOD)
    bench.look()
    with path.open("a") as file:
        file.write("2025-03-01T00:02:00Z,CL1,1.7\n")
    assert bench.look() == []
    assert bench.look(after=1.0) == []
    (delivery,) = bench.look(after=5.0)
    assert len(delivery.samples) == 3


def test_a_file_renamed_in_is_taken_at_once(bench: Bench) -> None:
    path = bench.put("a.csv.tmp", GOOD)
    assert bench.look() == []
    assert bench.look() == []
    path.rename(bench.folder / "a.csv")
    assert [delivery.origin for delivery in bench.look(after=0.1)] == ["a.csv"]


def test_a_file_that_grew_before_it_was_renamed_in_still_has_to_rest(bench: Bench) -> None:
    path = bench.put("a.csv.tmp", GOOD[:40])
    bench.look()
    path.write_text(GOOD)
    path.rename(bench.folder / "a.csv")
    assert bench.look(after=0.1) == []
    assert len(bench.look(after=5.0)) == 1


@pytest.mark.parametrize(
    "name",
    [".a.csv", "a.csv.tmp", "a.csv.part", "a.CSV.PARTIAL", "~a.csv", "a.rejected.csv", "a.csv.reason.txt", "a.xlsx"],
)
def test_names_that_are_not_ours(bench: Bench, name: str) -> None:
    bench.put(name, GOOD)
    assert bench.settled() == []
    assert bench.names() == [name]


def test_good_rows_go_in_and_the_others_are_told_beside_the_file(bench: Bench) -> None:
    bench.put("a.csv", MIXED)
    (delivery,) = bench.settled(commit=False)
    assert delivery.samples.value.tolist() == [1.5]
    expected = (
        "line,field,text,reason\r\n"
        "3,value,abc,not a number\r\n"
        "4,tag,CLX,no signal has the tag 'CLX'; did you mean 'CL1'?\r\n"
    )
    assert (bench.folder / "a.csv.rejected.csv").read_bytes().decode() == expected
    bench.drop.committed(delivery)
    assert bench.names() == ["processed/a.csv", "processed/a.csv.rejected.csv"]


def test_rejected_text_is_no_formula(bench: Bench) -> None:
    bench.put("a.csv", 'time,tag,value\n2025-03-01T00:00:00Z,"=HYPERLINK(""x"")",1\n2025-03-01T00:00:00Z,CL1,-2.5.1\n')
    bench.settled()
    lines = (bench.folder / "processed/a.csv.rejected.csv").read_text().splitlines()
    assert lines[1].startswith("2,tag,\"'=HYPERLINK(")
    assert lines[2].startswith("3,value,-2.5.1,")


def test_a_crash_before_the_commit_repeats_the_delivery(bench: Bench) -> None:
    bench.put("a.csv", MIXED)
    (first,) = bench.settled(commit=False)
    bench.restart()
    (second,) = bench.settled()
    assert second.content_hash == first.content_hash
    assert second.samples.value.tolist() == first.samples.value.tolist()
    assert bench.names() == ["processed/a.csv", "processed/a.csv.rejected.csv"]


def test_a_crash_between_commit_and_move_moves_without_reading_again(bench: Bench) -> None:
    bench.put("a.csv", GOOD)
    (first,) = bench.settled(commit=False)
    assert first.content_hash is not None
    bench.known.add(first.content_hash)
    bench.restart()
    (second,) = bench.settled()
    assert (len(second.samples), second.last_part, second.content_hash) == (0, True, first.content_hash)
    assert bench.names() == ["processed/a.csv"]


def test_a_crash_before_an_unreadable_file_is_moved_does_not_pass_it_off_as_read(bench: Bench) -> None:
    bench.put("a.csv", "no table at all\n")
    (first,) = bench.settled(commit=False)
    assert bench.names() == ["a.csv", "a.csv.reason.txt"]
    assert first.content_hash is not None
    bench.known.add(first.content_hash)
    bench.restart()
    bench.settled()
    assert bench.names() == ["quarantine/a.csv", "quarantine/a.csv.reason.txt"]


def test_a_crash_between_moving_the_reason_and_the_file_leaves_them_together(bench: Bench) -> None:
    bench.put("a.csv", "no table at all\n")
    (first,) = bench.settled(commit=False)
    assert first.content_hash is not None
    bench.known.add(first.content_hash)
    (bench.folder / "quarantine").mkdir()
    (bench.folder / "a.csv.reason.txt").rename(bench.folder / "quarantine/a.csv.reason.txt")
    bench.restart()
    bench.settled()
    assert bench.names() == ["quarantine/a.csv", "quarantine/a.csv.reason.txt"]


def test_a_reader_that_stops_half_way_leaves_nothing_behind(tmp_path: Path) -> None:
    bench = Bench(tmp_path, block_bytes=64)
    bench.put("a.csv", MIXED + "".join(f"2025-03-01T01:{i:02d}:00Z,CL1,x\n" for i in range(50)))
    bench.look()
    bench.seconds += 10
    deliveries = bench.drop.poll({})
    first = next(deliveries)
    assert (first.part, first.last_part) == (0, False)
    assert isinstance(deliveries, Iterator)
    del deliveries
    assert bench.names() == ["a.csv"]
    parts = bench.look()
    assert [part.part for part in parts] == list(range(len(parts)))
    assert [part.last_part for part in parts] == [False] * (len(parts) - 1) + [True]
    assert len({part.content_hash for part in parts}) == 1
    assert len((tmp_path / "processed/a.csv.rejected.csv").read_text().splitlines()) == 53


def test_the_same_name_with_other_content_is_kept_beside(bench: Bench) -> None:
    bench.put("a.csv", GOOD)
    bench.settled()
    bench.put("a.csv", GOOD)
    bench.settled()
    assert bench.names() == ["processed/a.csv"]
    bench.put("a.csv", MIXED)
    (delivery,) = bench.settled()
    assert delivery.content_hash is not None
    name = f"a.{delivery.content_hash[:8]}.csv"
    assert set(bench.names()) == {"processed/a.csv", f"processed/{name}", f"processed/{name}.rejected.csv"}


def test_a_file_that_cannot_be_read_is_set_aside_with_its_reason_and_the_rest_goes_on(bench: Bench) -> None:
    bench.put("a.csv", "no table at all\n")
    bench.put("b.csv", GOOD)
    os.utime(bench.folder / "a.csv", (1, 1))
    bad, good = bench.settled()
    assert (len(bad.samples), [reject.line for reject in bad.rejects], len(good.samples)) == (0, [0], 2)
    assert bench.names() == ["processed/b.csv", "quarantine/a.csv", "quarantine/a.csv.reason.txt"]
    assert "no line is divided by comma" in (bench.folder / "quarantine/a.csv.reason.txt").read_text()


def test_a_file_that_changes_while_it_is_read_is_not_finished(tmp_path: Path) -> None:
    bench = Bench(tmp_path, block_bytes=64)
    path = bench.put("a.csv", GOOD * 4)
    bench.look()
    bench.seconds += 10
    deliveries = bench.drop.poll({})
    assert not next(deliveries).last_part
    with path.open("a") as file:
        file.write("2025-03-01T00:02:00Z,CL1,1.7\n")
    with pytest.raises(Unreachable, match=r"a\.csv changed while it was read"):
        list(deliveries)
    assert bench.names() == ["a.csv"]
    assert bench.settled()[-1].last_part


def test_a_file_that_changes_before_its_commit_stays(bench: Bench) -> None:
    path = bench.put("a.csv", GOOD)
    (delivery,) = bench.settled(commit=False)
    with path.open("a") as file:
        file.write("2025-03-01T00:02:00Z,CL1,1.7\n")
    bench.drop.committed(delivery)
    assert bench.names() == ["a.csv"]
    (again,) = bench.settled()
    assert len(again.samples) == 3


def test_rows_written_after_the_move_come_in_too(bench: Bench) -> None:
    with (bench.folder / "a.csv").open("w") as file:
        file.write(GOOD)
        file.flush()
        bench.settled()
        assert bench.names() == ["processed/a.csv"]
        file.write("2025-03-01T00:02:00Z,CL1,1.7\n")
    (delivery,) = bench.settled()
    assert len(delivery.samples) == 3
    assert bench.names() == ["processed/a.csv"]


def test_links_pipes_and_folders_are_left_alone(bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside") / "secret.csv"
    outside.write_text(GOOD)
    (bench.folder / "link.csv").symlink_to(outside)
    (bench.folder / "folder.csv").mkdir()
    os.mkfifo(bench.folder / "pipe.csv")
    assert bench.settled() == []
    assert outside.exists()


def test_gzip_and_zip(bench: Bench) -> None:
    with gzip.open(bench.folder / "a.csv.gz", "wt") as file:
        file.write(GOOD)
    with zipfile.ZipFile(bench.folder / "b.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../one.csv", GOOD)
        archive.writestr("two/two.csv", "2025-03-02 00:00;CL1;2,5\n2025-03-02 00:01;CL1;x\n")
        archive.writestr("empty/", "")
        archive.writestr("__MACOSX/._one.csv", b"\0\5\x16\7")
    deliveries = bench.settled()
    assert sum(len(d.samples) for d in deliveries if d.origin == "a.csv.gz") == 2
    assert [v for d in deliveries if d.origin == "b.zip" for v in d.samples.value.tolist()] == [1.5, 1.6, 2.5]
    (reject,) = [reject for d in deliveries for reject in d.rejects]
    assert (reject.line, reject.reason) == (2, "not a number (in two/two.csv)")
    assert bench.names() == ["processed/a.csv.gz", "processed/b.zip", "processed/b.zip.rejected.csv"]
    assert not (bench.folder.parent / "one.csv").exists()


def test_a_gzip_cut_off_gives_what_it_holds_and_says_so(bench: Bench) -> None:
    rows = "".join(f"2025-03-01T{i // 60:02d}:{i % 60:02d}:00Z,CL1,{i * 7919 % 1000 / 100}\n" for i in range(1000))
    data = gzip.compress(("time,tag,value\n" + rows).encode())
    (bench.folder / "a.csv.gz").write_bytes(data[: len(data) // 2])
    deliveries = bench.settled()
    rejects = [reject for d in deliveries for reject in d.rejects]
    assert [reject.field for reject in rejects][-1] == "file"
    assert "damaged or cut off" in rejects[-1].reason
    reason = (bench.folder / "quarantine/a.csv.gz.reason.txt").read_text()
    assert reason.startswith("Only a part of this file could be read")


#: Its list of members names none at all; found by fuzzing.
NAMELESS = (Path(__file__).parents[3] / "data" / "fuzz" / "archive" / "nameless.zip").read_bytes()


@pytest.mark.parametrize(
    ("make", "problem"),
    [
        (lambda path: path.write_bytes(b"PK\x03\x04 and no more"), "the archive cannot be opened"),
        (lambda path: _zip(path, {}), "the archive is empty"),
        (lambda path: path.write_bytes(NAMELESS), "a member of the archive has no name"),
        (
            lambda path: _zip(path, {"[Content_Types].xml": "x", "xl/workbook.xml": "x"}),
            "this is a spreadsheet workbook",
        ),
        (lambda path: _zip(path, {f"{i}.csv": GOOD for i in range(11)}), "has 11 members, more than 10"),
        (
            lambda path: _zip(path, {"a.csv": "time,tag,value\n" + "2025-03-01T00:00:00Z,CL1,1\n" * 99}),
            "more than 2 times its size",
        ),
    ],
)
def test_archives_that_are_refused(tmp_path: Path, make: Callable[[Path], object], problem: str) -> None:
    bench = Bench(tmp_path, limits=Limits(max_members=10, max_ratio=2, ratio_from=1000))
    make(tmp_path / "a.zip")
    deliveries = bench.settled()
    assert any(problem in reject.reason for d in deliveries for reject in d.rejects)
    assert "quarantine/a.zip.reason.txt" in bench.names()


def _zip(path: Path, members: dict[str, str]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in members.items():
            archive.writestr(name, text)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "missing")
    with pytest.raises(Unreachable, match="cannot be opened"):
        bench.look()


def test_a_file_taken_away_between_look_and_reading_is_no_fault(bench: Bench) -> None:
    bench.put("a.csv", GOOD)
    bench.put("b.csv", GOOD + "2025-03-01T00:02:00Z,CL1,1.7\n")
    os.utime(bench.folder / "a.csv", (1, 1))
    bench.look()
    bench.seconds += 10
    deliveries = bench.drop.poll({})
    assert next(deliveries).origin == "a.csv"
    (bench.folder / "b.csv").unlink()
    assert list(deliveries) == []


def test_stored_files_go_after_their_time_and_rejected_ones_never(tmp_path: Path) -> None:
    bench = Bench(tmp_path, processed_for=timedelta(days=30))
    for name, text in (("good.csv", GOOD), ("mixed.csv", MIXED), ("young.csv", GOOD.replace("CL1", "CL1 "))):
        bench.put(name, text)
    bench.settled()
    # Both times of a file are those of this machine, so the clock of the drop is set instead: 29 and 31 days on.
    moved = (tmp_path / "processed" / "good.csv").lstat().st_ctime
    bench.now = datetime.fromtimestamp(moved, UTC) + timedelta(days=29)
    bench.look(after=7200)
    assert "processed/good.csv" in bench.names()
    bench.now += timedelta(days=2)
    bench.look(after=60)
    assert "processed/good.csv" in bench.names()  # looked at once an hour
    bench.look(after=7200)
    assert bench.names() == ["processed/mixed.csv", "processed/mixed.csv.rejected.csv"]


def test_files_are_taken_oldest_first(bench: Bench) -> None:
    for age, name in ((5, "b.csv"), (9, "c.csv"), (1, "a.csv")):
        bench.put(name, GOOD)
        os.utime(bench.folder / name, (10**9 - age, 10**9 - age))
    assert [delivery.origin for delivery in bench.settled()] == ["c.csv", "b.csv", "a.csv"]


def test_a_file_that_comes_while_a_crowd_is_read_does_not_wait_for_all_of_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who may write the folder can put thousands into it; those of another account are read with the next look, and first but one."""
    owners: dict[str, int] = {}
    scan = Folder.scan
    monkeypatch.setattr(
        Folder, "scan", lambda folder: [(name, _owned(status, owners[name])) for name, status in scan(folder)]
    )

    def put(name: str, owner: int, age: int) -> None:
        bench.put(name, GOOD.replace("1.5", f"1.{age}"))
        os.utime(bench.folder / name, (10**9 - age, 10**9 - age))
        owners[name] = owner

    for number in range(60):
        put(f"crowd{number:02}.csv", 7, 1000 - number)
    bench.look(commit=False)
    bench.seconds += 10.0
    read: list[str] = []
    for delivery in bench.drop.poll({}):
        bench.seconds += 1.0  # what each takes
        if not read:
            put("storm.csv", 8, 1)
        read.append(delivery.origin)
        bench.drop.committed(delivery)
    assert read == [f"crowd{number:02}.csv" for number in range(21)]
    bench.look(commit=False, after=0.0)  # seen, and at rest the next time
    assert [delivery.origin for delivery in bench.look(after=6.0)][:3] == ["crowd21.csv", "storm.csv", "crowd22.csv"]


def _owned(status: os.stat_result, owner: int) -> os.stat_result:
    return os.stat_result((*status[:4], owner, *status[5:10]), {"st_mtime_ns": status.st_mtime_ns})


@pytest.mark.parametrize("name", ["a.csv", os.fsdecode(b"h\xf6he.csv")])
def test_a_share_that_must_not_be_altered(tmp_path: Path, name: str) -> None:
    share, ours = tmp_path / "share", tmp_path / "ours"
    share.mkdir()
    bench = Bench(share, keep=True, quarantine=ours)
    bench.put(name, MIXED)
    (delivery,) = bench.settled()
    assert [path.name for path in share.iterdir()] == [name]
    assert [path.name for path in ours.iterdir()] == [f"{name}.rejected.csv"]
    state = dict(delivery.state)
    bench.restart()
    assert bench.settled(state=state) == []
    bench.put(name, MIXED + "2025-03-01T00:03:00Z,CL1,2\n")
    bench.look(state=state)
    (again,) = bench.look(state=state)
    assert len(again.samples) == 2


def test_the_second_pass_of_the_repeated_hour_in_a_file_of_its_own(tmp_path: Path) -> None:
    # America/New_York 2024-11-03 01:30, fold 0 = 05:30Z and fold 1 = 06:30Z (PEP 495, IANA tz database).
    config = CsvDropConfig(key="drop", folder=tmp_path, format=CsvFormat(zone="America/New_York"))
    drop = CsvDrop(config, reader=InlineReader(), now=lambda: NOW, clock=iter(range(0, 1000, 10)).__next__)
    state: dict[str, Any] = {}
    times = []
    for name in ("first.csv", "second.csv"):
        (tmp_path / name).write_text("time,tag,value\n2024-11-03 01:00,CL1,1\n2024-11-03 01:30,CL1,1\n")
        list(drop.poll(state))
        (delivery,) = drop.poll(state)
        drop.committed(delivery)
        state = dict(delivery.state)
        times.append(
            [datetime.fromtimestamp(t / 1e6, UTC).strftime("%H:%M") for t in delivery.samples.time_us.tolist()]
        )
    assert times == [["05:00", "05:30"], ["06:00", "06:30"]]


def test_named_files(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(MIXED)
    (tmp_path / "bad.csv").write_text("nothing\n")
    config = CsvDropConfig(key="files", folder=tmp_path, format=CsvFormat(tags=frozenset({"CL1"})))
    paths = [tmp_path / "missing.csv", tmp_path / "a.csv", tmp_path / "bad.csv"]
    files = CsvFiles(config, paths, reader=InlineReader(), now=lambda: NOW)
    deliveries: list[Delivery] = []

    def take() -> None:
        for delivery in files.poll({}):
            deliveries.append(delivery)
            files.committed(delivery)

    with pytest.raises(Unreachable, match=r"missing\.csv cannot be opened"):
        take()
    assert [(Path(d.origin).name, len(d.samples), len(d.rejects)) for d in deliveries] == [
        ("a.csv", 1, 2),
        ("bad.csv", 0, 1),
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "a.csv",
        "a.csv.rejected.csv",
        "bad.csv",
        "bad.csv.reason.txt",
    ]

    files = CsvFiles(config, paths[1:], reader=InlineReader(), now=lambda: NOW, move=True)
    for delivery in files.poll({}):
        files.committed(delivery)
    assert (tmp_path / "processed/a.csv").exists()
    assert (tmp_path / "quarantine/bad.csv.reason.txt").exists()


@pytest.mark.parametrize(
    ("options", "problem"),
    [
        ({"delimiter": ",,"}, "delimiter"),
        ({"decimal": "'"}, "decimal"),
        ({"encoding": "utf-9"}, "encoding"),
        ({"encoding": "base64"}, "encoding"),
        ({"zone": "Europe/Amsterdm"}, "zone"),
        ({"time_format": "%H:%M"}, "gives no full date"),
        ({"time_format": "%d.%m.%Y %Q"}, "%Q is not supported"),
        ({"time_format": "%m/%d/%Y %I:%M"}, "%I needs %p"),
    ],
)
def test_a_format_that_asks_for_the_impossible(tmp_path: Path, options: dict[str, str], problem: str) -> None:
    config = CsvDropConfig(key="drop", folder=tmp_path, format=CsvFormat(**options))  # type: ignore[arg-type]
    with pytest.raises(Misconfigured, match=problem):
        CsvDrop(config, reader=InlineReader(), now=lambda: NOW)


def test_settle_is_honoured(tmp_path: Path) -> None:
    bench = Bench(tmp_path, settle=timedelta(minutes=2))
    bench.put("a.csv", GOOD)
    assert bench.look() == []
    assert bench.look(after=119.0) == []
    assert len(bench.look(after=1.0)) == 1
