"""Files as plants write them, and what becomes of every row."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from connectors.base import Reject, Sample, SourceQuality, SourceReason
from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.reader import FileDecoder
from connectors.errors import Malformed
from tests.support.csv_samples import samples_of

NOW = datetime(2026, 1, 1, tzinfo=UTC)
DATA = Path(__file__).parents[4] / "data" / "csv"
TAGS = frozenset({"CL1.BLANKET", "CL2.BLANKET", "PLANT.FLOW"})


def read(data: bytes | str, name: str = "x.csv", **options: Any) -> tuple[list[Sample], list[Reject]]:
    raw = data.encode() if isinstance(data, str) else data
    chunks = list(FileDecoder(CsvFormat(**options), NOW, name).chunks(io.BytesIO(raw)))
    return [s for chunk in chunks for s in samples_of(chunk.samples)], [r for chunk in chunks for r in chunk.rejects]


def brief(samples: list[Sample]) -> list[tuple[str, str, float]]:
    return [(s.address, s.time.strftime("%m-%d %H:%M"), s.value) for s in samples]


def reasons(rejects: list[Reject]) -> list[tuple[int, str]]:
    return [(reject.line, reject.reason) for reject in rejects]


LONG = [("CL1", "03-01 10:00", 1.5), ("CL2", "03-01 10:00", 2.5)]


@pytest.mark.parametrize(
    "text",
    [
        "time,tag,value\n2025-03-01T10:00:00Z,CL1,1.5\n2025-03-01T10:00:00Z,CL2,2.5\n",
        "Timestamp;Tag Name;Value;Quality\n01.03.2025 10:00;CL1;1,5;Good\n01.03.2025 10:00;CL2;2,5;Good\n",
        "date\ttime\tpoint\tvalue [m]\n2025-03-01\t10:00:00\tCL1\t1.5\n2025-03-01\t10:00:00\tCL2\t2.5\n",
        "value|name|utc\n1.5|CL1|1740823200\n2.5|CL2|1740823200\n",
        "2025-03-01 10:00,CL1,1.5\n2025-03-01 10:00,CL2,2.5\n",
        "01.03.2025;10:00;CL1;1,5\n01.03.2025;10:00;CL2;2,5\n",
        "1740823200000;CL1;1,5\n1740823200000;CL2;2,5\n",
        '"time","tag","value"\n"2025-03-01 10:00","CL1","1.5"\n"2025-03-01 10:00","CL2","2.5"\n',
        "#time,tag,value\n2025-03-01 10:00,CL1,1.5\n2025-03-01 10:00,CL2,2.5\n",
        "TIME,TAG,VALUE,\n2025-03-01 10:00,CL1,1.5,\n2025-03-01 10:00,CL2,2.5,\n",
        "time,tag,value\n2025-03-01 10:00,CL1,1.5,\n2025-03-01 10:00,CL2,2.5,,\n",
        "Time,CL1,CL2\n2025-03-01 10:00,1.5,2.5\n",
        "Zeit;CL1 [m];CL2 [m]\n01.03.2025 10:00;1,5;2,5\n",
        "time,CL1,CL1 quality,CL2,CL2 quality\n2025-03-01 10:00,1.5,192,2.5,192\n",
        "sep=;\nTime;CL1;CL2\n2025-03-01 10:00;1,5;2,5\n",
        "clock,CL1,CL2\n3/1/2025 10:00 AM,1.5,2.5\n3/31/2025 10:00 AM,,\n",
    ],
)
def test_sniffed_without_a_word_from_the_site_file(text: str) -> None:
    samples, rejects = read(text, tags=frozenset({"CL1", "CL2"}))
    assert rejects == []
    assert brief(samples) == LONG
    assert {s.quality for s in samples} == {SourceQuality.GOOD}


def test_columns_named_and_numbered() -> None:
    text = "a,b,c,d\n7,CL1,2025-03-01 10:00,1.5\n7,CL2,2025-03-01 10:00,2.5\n"
    samples, rejects = read(text, columns={"time": "c", "tag": 2, "value": "D"})
    assert (brief(samples), rejects) == (LONG, [])


def test_numbered_columns_without_a_header() -> None:
    text = "7,CL1,2025-03-01 10:00,x,1.5\n7,CL2,2025-03-01 10:00,x,2.5\n"
    samples, rejects = read(text, header=False, columns={"time": 3, "tag": 2, "value": 5})
    assert (brief(samples), rejects) == (LONG, [])


def test_a_time_column_that_says_utc_is_utc_whatever_the_zone() -> None:
    for header in ("Time (UTC)", "time_utc", "UTC time", "GMT"):
        assert brief(read(f"{header},CL1\n2025-03-01 10:00,1.5\n", zone="America/New_York")[0]) == LONG[:1]
    assert brief(read("Time,CL1\n2025-03-01 05:00,1.5\n", zone="America/New_York")[0]) == LONG[:1]


def test_columns_mapped_to_tags() -> None:
    text = "time,Blanket 1,x,y\n2025-03-01 10:00,1.5,2.5,9\n"
    samples, rejects = read(
        text, tag_of_column={"Blanket 1": "CL1", "3": "CL2"}, tags=frozenset({"CL1", "CL2"}), ignored=frozenset({"y"})
    )
    assert (brief(samples), rejects) == (LONG, [])
    samples, _ = read(
        "time,tag,value\n2025-03-01 10:00,Blanket 1,1.5\n", tag_of_column={"Blanket 1": "CL1"}, tags=frozenset({"CL1"})
    )
    assert brief(samples) == LONG[:1]


def test_a_file_of_one_signal() -> None:
    text = "time,value\n2025-03-01 10:00,1.5\n"
    assert brief(read(text, tag="CL1")[0]) == LONG[:1]
    assert brief(read(text, "CL1.csv.gz", tags=frozenset({"CL1"}))[0]) == LONG[:1]
    assert brief(read("2025-03-01 10:00,1.5\n", tag="CL1")[0]) == LONG[:1]


@pytest.mark.parametrize(
    ("text", "options", "problem"),
    [
        ("a,b,c\nx,y,z\n", {}, "no column holds times"),
        ("time,tag,value\n03/04/2025 10:00,CL1,1\n", {}, "cannot tell day from month"),
        ("time,tag,value\nyesterday,CL1,1\n", {}, "times like 'yesterday' cannot be read"),
        (
            "time,tag,value\n2025-03-01,CL1,1\n",
            {"columns": {"value": "valeu"}},
            "no column 'valeu' for value. Did you mean 'value'?",
        ),
        ("time,tag,value\n2025-03-01,CL1,1\n", {"columns": {"value": 4}}, "column 4 for value does not exist"),
        ("time,level\n2025-03-01,1\n", {"layout": Layout.LONG}, "no columns for tag and value"),
        ("time,level\n2025-03-01,1\n", {"layout": Layout.CORES}, "no column for tank and thickness"),
        ("just a text\n", {}, "no line is divided"),
    ],
)
def test_files_that_cannot_be_understood(text: str, options: dict[str, Any], problem: str) -> None:
    with pytest.raises(Malformed) as caught:
        read(text, **options)
    assert problem in str(caught.value)


def test_nothing_in_it() -> None:
    for text in ("", "\n\n", " \r\n", "time,tag,value\n", "\ufeff"):
        assert read(text) == ([], [])


def test_quality_of_every_kind() -> None:
    rows = ["192", "64", "0", "24", "", "Bad", "0x80310000"]
    text = "time,tag,value,quality\n" + "".join(f"2025-03-01 10:0{i},CL1,1,{q}\n" for i, q in enumerate(rows))
    samples, rejects = read(text)
    assert rejects == []
    assert [s.quality.name for s in samples] == ["GOOD", "UNCERTAIN", "BAD", "BAD", "GOOD", "BAD", "BAD"]
    assert [s.reason for s in samples][3] is SourceReason.NO_COMMUNICATION


def test_zeros_alone_are_not_believed_until_the_site_file_says_what_they_mean() -> None:
    text = "time,tag,value,quality\n2025-03-01 10:00,CL1,1,0\n"
    for code, expected in (
        (QualityCode.AUTO, "UNCERTAIN"),
        (QualityCode.CLASSIC, "BAD"),
        (QualityCode.SEVERITY, "GOOD"),
    ):
        assert read(text, quality_code=code)[0][0].quality.name == expected


def test_a_reading_without_a_number_is_a_bad_reading_and_an_empty_wide_cell_none() -> None:
    long = "time,tag,value,quality\n2025-03-01 10:00,CL1,,\n2025-03-01 10:01,CL1,NaN,\n2025-03-01 10:02,CL1,,8\n2025-03-01 10:03,CL1,inf,64\n"
    samples, rejects = read(long)
    assert rejects == []
    assert [(s.value != s.value, s.quality.name, s.reason.name) for s in samples] == [
        (True, "BAD", "NOT_A_NUMBER"),
        (True, "BAD", "NOT_A_NUMBER"),
        (True, "BAD", "NO_COMMUNICATION"),
        (True, "BAD", "NOT_A_NUMBER"),
    ]
    samples, rejects = read("time,CL1,CL2\n2025-03-01 10:00,,2.5\n2025-03-01 10:01,nan, \n")
    assert (len(samples), rejects) == (2, [])
    assert [(s.address, s.quality.name) for s in samples] == [("CL2", "GOOD"), ("CL1", "BAD")]


def test_every_bad_row_has_its_line_field_text_and_reason() -> None:
    text = (
        "Shift report, invented\n"  # 1
        "\n"
        "time,tag,value,quality\n"  # 3
        "2025-03-01 10:00,CL1,1.5,192\n"
        "2025-03-01 10:01,CL1,1.5.2,192\n"
        "2025-03-01 10:02,CL-1,1.5,192\n"
        "2025-03-01 25:02,CL1,1.5,192\n"
        "2025-03-01 10:03,CL1,1.5\n"
        "2025-03-01 10:03,CL1,1.5,192,7\n"  # 9
        "time,tag,value,quality\n"
        "2025-03-01 10:04,,1.5,192\n"
        '2025-03-01 10:05,"CL\n1",1.5,192\n'  # 12 and 13
        "2025-03-09 02:30,CL1,1.5,192\n"
        "2031-03-09 02:30,CL1,1.5,192\n"
        "1970-01-01 00:00,CL1,1.5,192\n"
        "2025-03-01 10:06,CL1,2.4 ft,192\n"
        "2025-03-01 10:07,CL1,\0,192\n"
        "2025-03-01 10:08,CL1,1.6,192"  # 19
    )
    samples, rejects = read(text, tags=frozenset({"CL1"}), zone="America/New_York")
    assert [s.value for s in samples] == [1.5, 1.6]
    assert [(r.line, r.field, r.text) for r in rejects] == [
        (1, "line", "Shift report, invented"),
        (5, "value", "1.5.2"),
        (6, "tag", "CL-1"),
        (7, "time", "2025-03-01 25:02"),
        (8, "line", "2025-03-01 10:03,CL1,1.5"),
        (9, "line", "2025-03-01 10:03,CL1,1.5,192,7"),
        (10, "line", "time,tag,value,quality"),
        (11, "tag", ""),
        (12, "tag", "CL 1"),
        (14, "time", "2025-03-09 02:30"),
        (15, "time", "2031-03-09 02:30"),
        (16, "time", "1970-01-01 00:00"),
        (17, "value", "2.4 ft"),
        (18, "line", "2025-03-01 10:07,CL1, ,192"),
    ]
    told = dict(reasons(rejects))
    assert told[1] == "stands before the table"
    assert told[6] == "no signal has the tag 'CL-1'; did you mean 'CL1'?"
    assert told[7] == "hour 25 does not exist"
    assert told[8] == "has 3 fields where this file has 4"
    assert told[10] == "the header once more"
    assert told[11] == "the tag is empty"
    assert told[14] == "the clock in America/New_York was put forward over this time: it never was"
    assert "in the future: is America/New_York the zone of this file's times?" in told[15]
    assert told[16].startswith("lies before 1990")


def test_a_name_that_stands_twice_and_a_column_nobody_knows() -> None:
    samples, rejects = read(
        "time,CL1,CL1,CL 1\n2025-03-01 10:00,1.5,9,9\n2025-03-01 10:01,,,9\n", tags=frozenset({"CL1"})
    )
    assert brief(samples) == LONG[:1]
    assert reasons(rejects) == [
        (1, "two columns have this name; the first one is read"),
        (1, "another column is read for this tag already (1 value not taken)"),
        (1, "no signal has the tag 'CL 1'; did you mean 'CL1'? (2 values not taken)"),
    ]


def test_tags_that_look_like_numbers_stay_as_they_stand() -> None:
    samples, _ = read(
        "time,tag,value\n2025-03-01 10:00,007,1\n2025-03-01 10:00,7,2\n2025-03-01 10:00,1e3,3\n2025-03-01 10:00,True,4\n"
    )
    assert [s.address for s in samples] == ["007", "7", "1e3", "True"]
    samples, _ = read("time,tag,value\n2025-03-01 10:00,007,1\n2025-03-01 10:00,008,2\n")
    assert [s.address for s in samples] == ["007", "008"]


@pytest.mark.parametrize("bad", ["2025-13-01 10:00,CL1,1", "x,CL1,1", "2025-03-01 10:00,CL1"])
def test_a_damaged_first_row_does_not_pass_for_a_header(bad: str) -> None:
    samples, rejects = read(f"{bad}\n2025-03-01 10:00,CL1,1.5\n2025-03-01 10:01,CL1,1.6\n", tags=frozenset({"CL1"}))
    assert [s.value for s in samples] == [1.5, 1.6]
    assert [(reject.line, reject.reason != "") for reject in rejects] == [(1, True)]


@pytest.mark.parametrize("text", ["2025-13-01 10:00,CL1,1\n", "garbage,3\n", "1,2\n"])
def test_one_damaged_row_alone_is_not_lost_either(text: str) -> None:
    with pytest.raises(Malformed):
        read(text, tags=frozenset({"CL1"}))


def test_a_header_in_words_nobody_knows() -> None:
    assert brief(read("Fecha;CL1;CL2\n01.03.2025 10:00;1,5;2,5\n")[0]) == LONG
    assert brief(read("Horloge;CL1 [m]\n01.03.2025 10:00;1,5\n", tags=frozenset({"CL1"}))[0]) == LONG[:1]


def test_a_day_past_the_twelfth_far_down_tells_day_from_month() -> None:
    rows = [f"{1 + i // 1440:02d}/03/2025 {i // 60 % 24:02d}:{i % 60:02d},CL1,{i}\n" for i in range(20 * 1440)]
    samples, rejects = read("time,tag,value\n" + "".join(rows))
    assert (len(samples), rejects) == (len(rows), [])
    assert samples[-1].time == datetime(2025, 3, 20, 23, 59, tzinfo=UTC)


def test_a_file_with_no_decimals_in_sight_is_read_with_care() -> None:
    head = "time;tag;value\n" + "".join(f"2025-03-01 {i // 60:02d}:{i % 60:02d};CL1;{i}\n" for i in range(240))
    samples, rejects = read(head + "2025-03-01 11:00;CL1;2.5\n2025-03-01 11:01;CL1;2,5\n2025-03-01 11:02;CL1;1.250\n")
    # The first rows give no decimal mark away. Further down both are read, but for 1.250, which may be a thousand.
    assert [s.value for s in samples][240:] == [2.5, 2.5]
    assert reasons(rejects)[0][0] == 244


@pytest.mark.parametrize("name", sorted(path.name for path in DATA.glob("*.csv")))
def test_the_invented_files_give_what_their_notes_say(name: str) -> None:
    """Each file in tests/data/csv begins its name with how many readings and rejects it gives."""
    readings, refused = (int(part) for part in name.split("_")[:2])
    options: dict[str, Any] = {"tags": TAGS, "zone": "America/New_York" if "new_york" in name else "Europe/Amsterdam"}
    samples, rejects = read((DATA / name).read_bytes(), name, **options)
    assert (len(samples), len(rejects)) == (readings, refused)
    assert len({(s.address, s.time) for s in samples}) == readings
