"""Who is on duty when, also in the nights when the clocks change."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.calls.duty import DutyReason, Override, Rota, Shift, next_gap, on_duty, stretches
from service.errors import DomainError

NEW_YORK, AMSTERDAM = ZoneInfo("America/New_York"), ZoneInfo("Europe/Amsterdam")
MONDAY = date(2024, 10, 28)
WEEKLY = Rota(key="ops", zone=NEW_YORK, shifts=(Shift(name="week", people=("Anna", "Ben", "Carl"), first_day=MONDAY),))


def local(text: str, zone: ZoneInfo = NEW_YORK, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)


@pytest.mark.parametrize(
    ("at", "person"),
    [
        ("2024-10-28 07:00", "Anna"),
        ("2024-11-04 06:59", "Anna"),
        ("2024-11-04 07:00", "Ben"),
        ("2024-11-11 07:00", "Carl"),
        ("2024-11-18 07:00", "Anna"),
    ],
)
def test_turns_change_at_the_hand_over(at: str, person: str) -> None:
    assert on_duty(WEEKLY, local(at)).person == person


def test_before_the_first_day_nobody_is_on_duty() -> None:
    found = on_duty(WEEKLY, local("2024-10-28 06:59"))
    assert (found.person, found.reason, found.end) == (None, DutyReason.NOBODY, local("2024-10-28 07:00"))


DAY_AND_NIGHT = Rota(
    key="ops",
    zone=NEW_YORK,
    shifts=(
        Shift(name="day", people=("Dora",), first_day=MONDAY, start=time(7), end=time(19)),
        Shift(name="night", people=("Nick", "Olga"), first_day=MONDAY, start=time(19), end=time(7), turn_days=1),
    ),
)


# IANA time zone data: New York leaves daylight time on 2024-11-03 (a day of 25 h) and enters it on 2025-03-09 (23 h);
# Amsterdam on 2024-10-27 and 2025-03-30.
@pytest.mark.parametrize(("day", "hours"), [("2024-11-01", 12), ("2024-11-02", 13), ("2025-03-08", 11)])
def test_a_night_is_as_long_as_the_clocks_make_it(day: str, hours: int) -> None:
    found = on_duty(DAY_AND_NIGHT, local(f"{day} 23:00"))
    assert found.shift == "night"
    assert found.end - found.start == timedelta(hours=hours)
    assert found.end.astimezone(NEW_YORK).time() == time(7)


@pytest.mark.parametrize(
    ("zone", "day", "hand_over"),
    [(NEW_YORK, date(2024, 11, 3), time(1, 30)), (AMSTERDAM, date(2024, 10, 27), time(2, 30))],
)
def test_a_hand_over_in_the_repeated_hour_happens_once(zone: ZoneInfo, day: date, hand_over: time) -> None:
    shift = Shift(
        name="s",
        people=("Anna", "Ben"),
        first_day=day - timedelta(days=4),
        start=hand_over,
        end=hand_over,
        turn_days=1,
    )
    rota = Rota(key="r", zone=zone, shifts=(shift,))
    start = datetime.combine(day, time(0), zone).astimezone(UTC)
    people = [on_duty(rota, start + timedelta(minutes=5 * n)).person for n in range(12 * 6)]
    assert sum(a != b for a, b in itertools.pairwise(people)) == 1
    first = datetime.combine(day, hand_over, zone).astimezone(UTC)
    assert on_duty(rota, first).start == first


def test_a_hand_over_in_the_missing_hour_still_happens() -> None:
    # America/New_York, 2024-03-10, 02:30 does not exist; fold 0 reads it as 07:30Z (PEP 495, recomputed with zoneinfo).
    day = date(2024, 3, 10)
    shift = Shift(
        name="s",
        people=("Anna", "Ben"),
        first_day=day - timedelta(days=2),
        start=time(2, 30),
        end=time(2, 30),
        turn_days=1,
    )
    found = stretches(
        Rota(key="r", zone=NEW_YORK, shifts=(shift,)), local("2024-03-10 00:00"), local("2024-03-10 12:00")
    )
    assert [s.person for s in found] == ["Ben", "Anna"]
    assert found[1].start == datetime(2024, 3, 10, 7, 30, tzinfo=UTC)


def test_an_override_goes_before_the_rota_and_the_later_one_before_the_earlier() -> None:
    rota = Rota(
        key="ops",
        zone=NEW_YORK,
        shifts=WEEKLY.shifts,
        overrides=(
            Override(start=local("2024-11-05 00:00"), end=local("2024-11-07 00:00"), person="Eve", why="swap"),
            Override(start=local("2024-11-05 12:00"), end=local("2024-11-05 18:00"), person="Fred"),
        ),
    )
    found = stretches(rota, local("2024-11-04 12:00"), local("2024-11-08 00:00"))
    assert [(s.person, s.reason) for s in found] == [
        ("Ben", DutyReason.TURN),
        ("Eve", DutyReason.OVERRIDE),
        ("Fred", DutyReason.OVERRIDE),
        ("Eve", DutyReason.OVERRIDE),
        ("Ben", DutyReason.TURN),
    ]


def test_holidays_have_shifts_of_their_own() -> None:
    christmas = date(2024, 12, 25)
    rota = Rota(
        key="ops",
        zone=NEW_YORK,
        shifts=(
            Shift(name="holiday", people=("Hugo",), first_day=MONDAY, weekdays=frozenset(), on_holidays=True),
            Shift(name="work", people=("Anna",), first_day=MONDAY, on_holidays=False),
        ),
        holidays=frozenset({christmas}),
    )
    assert on_duty(rota, local("2024-12-25 08:00")).person == "Hugo"
    assert on_duty(rota, local("2024-12-26 08:00")).person == "Anna"
    assert on_duty(rota, local("2024-12-25 06:00")).person == "Anna"


def test_a_gap_is_found_ahead() -> None:
    weekdays = Shift(name="week", people=("Anna",), first_day=MONDAY, weekdays=frozenset(range(5)))
    rota = Rota(key="ops", zone=NEW_YORK, shifts=(weekdays,))
    friday = local("2024-11-01 12:00")
    gap = next_gap(rota, friday, timedelta(days=2))
    assert gap is not None
    assert (gap.start, gap.person) == (local("2024-11-02 07:00"), None)
    assert next_gap(rota, friday, timedelta(hours=12)) is None
    assert next_gap(WEEKLY, friday, timedelta(days=60)) is None
    # A shift that begins on the last day of a look fills it.
    days = Rota(
        key="ops",
        zone=NEW_YORK,
        shifts=(Shift(name="day", people=("Anna",), first_day=MONDAY, start=time(0), end=time(0)),),
    )
    assert next_gap(days, friday, timedelta(hours=20)) is None


@pytest.mark.parametrize("wrong", [{"people": ()}, {"turn_days": 0}])
def test_a_shift_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(DomainError):
        Shift(**{"name": "s", "people": ("A",), "first_day": MONDAY} | wrong)  # type: ignore[arg-type]


@given(
    start=st.integers(0, 3 * 365 * 24 * 60).map(lambda n: datetime(2024, 1, 1, tzinfo=UTC) + timedelta(minutes=n)),
    days=st.integers(1, 20),
    hand_over=st.times(),
    turn_days=st.integers(1, 9),
    zone=st.sampled_from([NEW_YORK, AMSTERDAM, ZoneInfo("Australia/Lord_Howe"), UTC]),
)
def test_a_whole_day_rota_never_has_a_hole_or_an_overlap(
    start: datetime, days: int, hand_over: time, turn_days: int, zone: ZoneInfo
) -> None:
    shift = Shift(
        name="s",
        people=("A", "B", "C"),
        first_day=date(2023, 1, 2),
        start=hand_over,
        end=hand_over,
        turn_days=turn_days,
    )
    rota = Rota(key="r", zone=zone, shifts=(shift,))
    end = start + timedelta(days=days)
    found = stretches(rota, start, end)
    assert found[0].start == start
    assert found[-1].end == end
    assert all(a.end == b.start for a, b in itertools.pairwise(found))
    assert None not in {s.person for s in found}
    assert all(on_duty(rota, s.start).person == s.person for s in found)
