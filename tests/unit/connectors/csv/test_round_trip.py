"""Rows written in any dialect we claim to read come back equal."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.base import Sample, SourceQuality
from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.reader import FileDecoder
from tests.support.csv_samples import samples_of

NOW = datetime(2026, 1, 1, tzinfo=UTC)
START = datetime(2025, 10, 26, tzinfo=UTC)  # the week of the change in Europe, a week before that in America
TAGS = ("CL1.BLANKET", "CL2.BLANKET", "007", "Höhe 1", 'with "quote"', "a,b;c|d", "NA")

FORMATS: dict[str, Callable[[datetime], str]] = {
    "iso": lambda t: t.isoformat(),
    "iso_z": lambda t: t.astimezone(UTC).isoformat().replace("+00:00", "Z"),
    "%d.%m.%Y %H:%M:%S": lambda t: t.strftime("%d.%m.%Y %H:%M:%S"),
    "%m/%d/%Y %I:%M:%S %p": lambda t: t.strftime("%m/%d/%Y %I:%M:%S %p"),
    "%d-%b-%Y %H:%M:%S.%f": lambda t: t.strftime("%d-%b-%Y %H:%M:%S.%f"),
    "epoch": lambda t: repr(t.timestamp()) if t.microsecond else str(int(t.timestamp())),
    "epoch_ms": lambda t: str(round(t.timestamp() * 1000)),
}
QUALITY = {SourceQuality.GOOD: "192", SourceQuality.UNCERTAIN: "64", SourceQuality.BAD: "0"}
NUMBER = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**6), 10**6).map(float)


@st.composite
def rows(draw: st.DrawFn) -> list[Sample]:
    """A log in time order, every few minutes, one value a tag and time: through both changes of the clock."""
    step = timedelta(seconds=draw(st.sampled_from([300, 900, 1800])))
    count = draw(st.integers(1, 40))
    # It begins before any repeated hour and not in it: nothing in a wall-clock time could tell which pass it began in.
    start = START + timedelta(days=draw(st.sampled_from([-204, -210, 0, 7])), minutes=-draw(st.integers(121, 180)))
    start -= timedelta(hours=draw(st.sampled_from([0, 8])))
    tags = draw(st.lists(st.sampled_from(TAGS), min_size=1, max_size=3, unique=True))
    values = draw(st.lists(NUMBER, min_size=1, max_size=6))
    qualities = draw(st.lists(st.sampled_from(list(SourceQuality)), min_size=1, max_size=4))
    return [
        Sample(tag, start + i * step, values[(i + k) % len(values)], qualities[i % len(qualities)])
        for i in range(count)
        for k, tag in enumerate(tags)
    ]


@settings(derandomize=True)
@given(
    rows(),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    st.sampled_from(list(FORMATS)),
    st.sampled_from(["UTC", "America/New_York", "Europe/Amsterdam", "Australia/Lord_Howe"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.sampled_from(["\r\n", "\n", "\r"]),
    st.integers(500, 1 << 16),
)
def test_long_form(
    log: list[Sample],
    delimiter: str,
    decimal: str,
    encoding: str,
    name: str,
    zone: str,
    quoting: int,
    ending: str,
    block: int,
) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator=ending)  # type: ignore[arg-type]
    writer.writerow(("time", "tag", "value", "quality"))
    for sample in log:
        time = FORMATS[name](sample.time.astimezone(ZoneInfo(zone)))
        value = repr(sample.value).replace(".", decimal)
        writer.writerow((time, sample.address, value, QUALITY[sample.quality]))
    options = CsvFormat(
        layout=Layout.LONG,
        delimiter=delimiter,
        decimal=decimal,
        header=True,
        encoding=encoding if encoding.startswith("utf-16-") else None,
        time_format=name.removesuffix("_z"),
        zone=zone,
        quality_code=QualityCode.CLASSIC,
    )
    chunks = list(
        FileDecoder(options, NOW, "log.csv", block_bytes=block).chunks(io.BytesIO(text.getvalue().encode(encoding)))
    )

    assert [reject for chunk in chunks for reject in chunk.rejects] == []
    read = [sample for chunk in chunks for sample in samples_of(chunk.samples)]
    assert [(s.address, s.time, s.value, s.quality) for s in read] == [
        (s.address, s.time, s.value, s.quality) for s in log
    ]


@settings(derandomize=True)
@given(
    rows(), st.sampled_from([",", ";", "\t"]), st.sampled_from(["America/New_York", "Europe/Amsterdam"]), st.booleans()
)
def test_wide_form_sniffed(log: list[Sample], delimiter: str, zone: str, newest_first: bool) -> None:
    decimal = "," if delimiter == ";" else "."
    tags = list(dict.fromkeys(s.address for s in log))
    cells = {(s.time, s.address): s.value for s in log}
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerow(("Time", *tags))
    times = sorted({s.time for s in log}, reverse=newest_first)
    for time in times:
        values = (repr(cells[time, tag]).replace(".", decimal) for tag in tags)
        writer.writerow((time.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S"), *values))
    options = CsvFormat(zone=zone, tags=frozenset(TAGS), decimal=decimal)
    chunks = list(FileDecoder(options, NOW, "log.csv").chunks(io.BytesIO(text.getvalue().encode())))

    assert [reject for chunk in chunks for reject in chunk.rejects] == []
    read = {(s.time, s.address): s.value for chunk in chunks for s in samples_of(chunk.samples)}
    assert read == cells
