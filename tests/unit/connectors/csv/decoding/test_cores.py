"""Hand cores from a file."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any

import pytest

from connectors.base import HandCore, Reject
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.reader import FileDecoder

NOW = datetime(2026, 1, 1, tzinfo=UTC)


def read(text: str, **options: Any) -> tuple[list[HandCore], list[Reject]]:
    chunks = list(FileDecoder(CsvFormat(**options), NOW, "cores.csv").chunks(io.BytesIO(text.encode())))
    assert all(len(chunk.samples) == 0 for chunk in chunks)
    return [core for chunk in chunks for core in chunk.cores], [r for chunk in chunks for r in chunk.rejects]


def test_every_column_there_is() -> None:
    text = (
        "tank,time,thickness,unit,distance from wall,distance unit,arm,replicate,fluff,surface,taken by,note\n"
        'pst-1,2025-03-01T10:00Z,2.4,ft,5,m,270,2,0.5,"Pin floc; foam|Scum",AB,"said ""soft"",\nhard to read"\n'
    )
    (core,), rejects = read(text)
    assert rejects == []
    assert core == HandCore(
        tank="pst-1",
        time=datetime(2025, 3, 1, 10, tzinfo=UTC),
        thickness=2.4,
        unit="ft",
        distance_from_wall=5.0,
        distance_unit="m",
        arm_position=270.0,
        replicate=2,
        fluff=0.5,
        surface=("pin floc", "foam", "scum"),
        taken_by="AB",
        note='said "soft",\nhard to read',
        line=2,
    )


def test_few_columns_a_unit_in_the_header_and_local_time() -> None:
    text = "Clarifier;Date;Time;Blanket (ft);Who\nCL1;03.11.2024;01:30;2,5;AB\nCL2;03.11.2024;01:45;1;CD\n"
    cores, rejects = read(text, zone="America/New_York")
    assert rejects == []
    # In the repeated hour a core stands alone, so it is the first pass: 05:30Z, not 06:30Z (PEP 495, fold 0).
    assert [(c.tank, c.time.strftime("%H:%M"), c.thickness, c.unit, c.distance_from_wall) for c in cores] == [
        ("CL1", "05:30", 2.5, "ft", None),
        ("CL2", "05:45", 1.0, "ft", None),
    ]


def test_a_distance_without_a_unit_of_its_own_has_the_cores_unit() -> None:
    (core,), _ = read("tank,time,core,position\nA,2025-03-01T10:00Z,2,5\n", core_unit="ft")
    assert (core.distance_from_wall, core.distance_unit) == (5.0, "ft")


@pytest.mark.parametrize(
    ("row", "field", "reason"),
    [
        (",2025-03-01T10:00Z,2,ft,1", "tank", "the tank is empty"),
        ("a1,2025-03-01T10:00Z,2,ft,1", "tank", "no tank is called 'a1'; did you mean 'A1'?"),
        ("A1,2025-03-01T10:00Z,,ft,1", "thickness", "the thickness is empty"),
        ("A1,2025-03-01T10:00Z,2 ft,ft,1", "thickness", "text 'ft' after the number"),
        ("A1,2025-03-01T10:00Z,nan,ft,1", "thickness", "not a number"),
        ("A1,2025-03-01T10:00Z,2,,1", "unit", "no unit"),
        ("A1,2025-03-01T10:00Z,2,ft,0", "replicate", "a whole number from 1"),
        ("A1,2025-03-09 02:30,2,ft,1", "time", "put forward over this time"),
        ("A1,2031-03-09T02:30Z,2,ft,1", "time", "in the future"),
        ("A1,0001-01-01 00:00,2,ft,1", "time", "lies before 1990"),
        ("A1,yesterday,2,ft,1", "time", "not a time written as ISO 8601"),
        ("A1,2025-03-01T10:00Z,2", "line", "has 3 fields where this file has 5"),
        ("A1", "line", "has 1 field where this file has 5"),
        ("tank,time,thickness,unit,replicate", "line", "the header once more"),
    ],
)
def test_a_row_that_is_no_core_is_told_and_the_next_one_read(row: str, field: str, reason: str) -> None:
    good = "A1,2025-03-01T11:00Z,2.5,ft,"
    text = f"tank,time,thickness,unit,replicate\n{good}\n{row}\n{good}\n"
    cores, (reject,) = read(text, tanks=frozenset({"A1", "A2"}), zone="America/New_York")
    assert [(core.line, core.thickness, core.replicate) for core in cores] == [(2, 2.5, 1), (4, 2.5, 1)]
    assert (reject.line, reject.field) == (3, field)
    assert reason in reject.reason
