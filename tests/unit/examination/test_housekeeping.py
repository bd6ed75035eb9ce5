"""What is said of a server that cannot go on clearing up."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.examination import Grade
from service.examination.housekeeping import judged
from service.storage.operations.housekeeping import DeadRows, Housekeeping, IdleSlot, OpenSnapshot

NOW = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
SOUND = Housekeeping(
    now=NOW,
    autovacuum=True,
    oldest_transaction=201_000_000,
    snapshot=OpenSnapshot(application="underweir backup", since=NOW - timedelta(hours=11)),
    prepared=0,
    slots=(IdleSlot(name="two", kept_bytes=1 << 30),),
    synchronous_standbys="standby",
    standbys=1,
    dead=(),
)


def test_of_a_sound_server_nothing_is_said() -> None:
    assert list(judged(SOUND)) == []


@pytest.mark.parametrize(
    ("found", "grade", "words"),
    [
        (replace(SOUND, autovacuum=False), Grade.LOOK, "does not clear up by itself"),
        (replace(SOUND, oldest_transaction=600_000_000), Grade.LOOK, "rows 600 million transactions old"),
        (replace(SOUND, oldest_transaction=1_600_000_000), Grade.WRONG, "rows 1,600 million transactions old"),
        (
            replace(SOUND, snapshot=OpenSnapshot(application="report tool", since=NOW - timedelta(hours=13))),
            Grade.LOOK,
            "of 'report tool' is open since 2026-03-14 09:00 UTC",
        ),
        (replace(SOUND, prepared=2), Grade.LOOK, "2 prepared transactions were never ended"),
        (replace(SOUND, standbys=0), Grade.WRONG, "every store waits for a standby (standby) and none is connected"),
        (replace(SOUND, slots=(IdleSlot(name="two", kept_bytes=3 << 30),)), Grade.WRONG, "3 GB of log are kept"),
        (
            replace(SOUND, dead=(DeadRows(table="batch", alive=1000, dead=2_000_000),)),
            Grade.LOOK,
            "table batch holds 2,000,000 dead rows beside 1,000 living ones",
        ),
    ],
)
def test_each_trouble_is_named_with_what_to_do(found: Housekeeping, grade: Grade, words: str) -> None:
    (verdict,) = judged(found)
    assert verdict.grade is grade
    assert words in verdict.found
    assert verdict.remedy
