"""Wall-clock times of a zone, against the IANA database by way of zoneinfo (PEP 495) and of pandas."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.csv.times.local_time import Resolved, to_utc, transitions

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001  (wall time)
NYC, AMS = "America/New_York", "Europe/Amsterdam"


def resolve(
    times: list[str], zone: str, *, tags: str = "", last: dict[str, str] | None = None, newest_first: bool | None = None
) -> Resolved:
    wall = np.array([(datetime.fromisoformat(t) - EPOCH) // timedelta(microseconds=1) for t in times], dtype=np.int64)
    series = np.array([ord(tag) for tag in tags or "a" * len(times)], dtype=np.int32)
    known = {ord(tag): _micros(moment) for tag, moment in (last or {}).items()}
    return to_utc(wall, series, zone, known, newest_first)


def _micros(moment: str) -> int:
    return (datetime.fromisoformat(moment) - EPOCH) // timedelta(microseconds=1)


def clock(resolved: Resolved) -> list[str]:
    return [(EPOCH + timedelta(microseconds=int(u))).strftime("%H:%M") for u in resolved.utc]


def words(text: str) -> list[str]:
    return text.split()


def on(day: str, times: str) -> list[str]:
    return [f"{day} {time}" for time in times.split()]


# PEP 495 and the IANA database: New York 2024-11-03 01:30 is 05:30Z, then 06:30Z; Amsterdam 2024-10-27 02:30 is 00:30Z, then 01:30Z.
@pytest.mark.parametrize(
    ("zone", "times", "expected"),
    [
        (NYC, on("2024-11-03", "00:30 01:30 01:30 02:30"), "04:30 05:30 06:30 07:30"),
        (AMS, on("2024-10-27", "01:30 02:30 02:30 03:30"), "23:30 00:30 01:30 02:30"),
        (
            NYC,
            on("2024-11-03", "01:00 01:15 01:30 01:45 01:00 01:15 01:30 01:45"),
            "05:00 05:15 05:30 05:45 06:00 06:15 06:30 06:45",
        ),
    ],
)
def test_the_repeated_hour_goes_by_the_order_of_the_rows(zone: str, times: list[str], expected: str) -> None:
    assert clock(resolve(times, zone)) == expected.split()


def test_each_tag_has_its_own_order() -> None:
    # A file grouped by tag: the second tag starts over, which is no change of the clock.
    times = on("2024-11-03", "00:50 01:20 01:50 01:20 01:50 02:10 00:50 01:20 01:50 01:20 01:50 02:10")
    expected = words("04:50 05:20 05:50 06:20 06:50 07:10")
    assert clock(resolve(times, NYC, tags="aaaaaabbbbbb")) == expected * 2


def test_tags_that_report_by_turns_share_the_step_back() -> None:
    times = on("2024-11-03", "00:59 01:10 01:40 01:50 01:05 01:06 01:50 02:00")
    assert clock(resolve(times, NYC, tags="abababab")) == words("04:59 05:10 05:40 05:50 06:05 06:06 06:50 07:00")


def test_hourly_values_of_several_tags() -> None:
    times = on("2024-11-03", "00:00 00:00 01:00 01:00 01:00 01:00 02:00 02:00")
    assert clock(resolve(times, NYC, tags="abababab")) == words("04:00 04:00 05:00 05:00 06:00 06:00 07:00 07:00")


def test_a_small_step_back_is_not_taken_for_the_change() -> None:
    times = on("2024-11-03", "00:50 01:10 01:09 01:40 01:59 01:01 01:40 02:10")
    assert clock(resolve(times, NYC))[2:5] == words("05:09 05:40 05:59")


def test_newest_first() -> None:
    times = on("2024-11-03", "02:30 01:45 01:15 01:45 01:15 00:45")
    assert clock(resolve(times, NYC)) == words("07:30 06:45 06:15 05:45 05:15 04:45")


@pytest.mark.parametrize(
    ("times", "expected", "why"),
    [
        ("00:59 01:00 01:30", "04:59 05:00 05:30", "it goes on from the row before"),
        ("01:30 01:59 02:00", "06:30 06:59 07:00", "it runs into the row after"),
        ("00:40 01:40 02:00", "04:40 06:40 07:00", "it lies nearer to the row after"),
        (
            "00:40 00:50 01:00 02:00 02:10",
            "04:40 04:50 05:00 07:00 07:10",
            "ten minutes after the row before is the usual step",
        ),
        ("00:30 01:30 03:30 05:30 07:30", "04:30 06:30 08:30 10:30 12:30", "two hours is the usual step"),
        ("01:10 01:30", "05:10 05:30", "nothing tells, so the first pass"),
    ],
)
def test_one_pass_alone_is_placed_by_its_neighbours(times: str, expected: str, why: str) -> None:
    assert clock(resolve(on("2024-11-03", times), NYC)) == expected.split(), why


def test_a_later_file_goes_on_where_the_earlier_one_stopped() -> None:
    times = on("2024-11-03", "01:00 01:30")
    assert clock(resolve(times, NYC, last={"a": "2024-11-03 05:45"})) == ["06:00", "06:30"]
    assert clock(resolve(times, NYC, last={"a": "2024-11-03 04:45"})) == ["05:00", "05:30"]
    # What was read of another year says nothing about this one.
    assert clock(resolve(times, NYC, last={"a": "2025-11-02 05:45"})) == ["05:00", "05:30"]
    assert resolve(times, NYC).last_repeated == {ord("a"): _micros("2024-11-03 05:30")}
    assert resolve(on("2024-11-03", "01:00 01:30 02:00"), NYC).last_repeated == {}


def test_the_missing_hour_is_found_and_nothing_else() -> None:
    # PEP 495: New York 2024-03-10 02:30 does not exist.
    found = resolve(on("2024-03-10", "01:59:59 02:00 02:30 02:59:59 03:00"), NYC)
    assert found.missing.tolist() == [False, True, True, True, False]
    assert [clock(found)[i] for i in (0, 4)] == ["06:59", "07:00"]


def test_days_have_23_and_25_hours() -> None:
    spring = resolve(["2024-03-10 00:00", "2024-03-11 00:00"], NYC).utc
    autumn = resolve(["2024-11-03 00:00", "2024-11-04 00:00"], NYC).utc
    assert (int(np.diff(spring)[0]), int(np.diff(autumn)[0])) == (23 * 3_600_000_000, 25 * 3_600_000_000)


@pytest.mark.parametrize(
    "zone", [NYC, AMS, "Australia/Lord_Howe", "Asia/Kathmandu", "Africa/Casablanca", "Europe/Dublin", "UTC"]
)
def test_transitions_are_those_of_the_database(zone: str) -> None:
    """Every hour of five years, against zoneinfo's own answer for it."""
    table = transitions(zone, 2021, 2025)
    hours = np.arange(_micros("2021-01-01"), _micros("2026-01-01"), 3_600_000_000, dtype=np.int64)
    ours = resolve_array(hours, zone)
    wall = [EPOCH + timedelta(microseconds=int(u)) for u in hours[::7]]
    for moment, utc, missing in zip(wall, ours.utc[::7], ours.missing[::7], strict=True):
        zoned = moment.replace(tzinfo=ZoneInfo(zone))
        back = zoned.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
        assert (back != moment) == bool(missing)
        if not missing:
            either = {zoned.replace(fold=fold).astimezone(UTC).replace(tzinfo=None) for fold in (0, 1)}
            assert EPOCH + timedelta(microseconds=int(utc)) in either
    assert len(table.offset) == len(table.start) + 1


def resolve_array(wall: np.ndarray[tuple[int], np.dtype[np.int64]], zone: str) -> Resolved:
    return to_utc(wall, np.zeros(wall.size, dtype=np.int32), zone)


@settings(derandomize=True)
@given(
    st.sampled_from([NYC, AMS, "Australia/Lord_Howe", "America/St_Johns", "Asia/Kolkata"]),
    st.datetimes(EPOCH.replace(year=2000), EPOCH.replace(year=2037)),
    st.sampled_from([300, 900, 1800, 3600]),
)
def test_a_regular_log_survives_the_change(zone: str, start: datetime, step: int) -> None:
    """A regular log of forty days, written in wall-clock time by pandas, comes back as it was."""
    moments = pd.date_range(
        start.replace(microsecond=0), periods=40 * 86_400 // step, freq=pd.Timedelta(seconds=step), tz="UTC"
    )
    wall = moments.tz_convert(zone).tz_localize(None).as_unit("us").asi8
    resolved = resolve_array(wall, zone)
    if resolve_array(wall[:1], zone).last_repeated:
        return  # it begins inside a repeated hour, where the first row alone cannot be placed
    np.testing.assert_array_equal(resolved.utc, moments.as_unit("us").asi8)
    assert not resolved.missing.any()
