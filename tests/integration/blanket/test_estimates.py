"""Estimates, assessments and checkpoints in PostgreSQL: replaced from a time on, thinned with age."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from sqlalchemy import Engine

from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, Trust
from service.domain.plant.reading import ReadingReason
from service.storage.blanket.checkpoints import (
    Checkpoint,
    checkpoint_at,
    checkpoint_before,
    drop_checkpoints,
    drop_earlier_in_hour,
    latest_checkpoint,
    save_checkpoint,
    thin_checkpoints,
)
from service.storage.blanket.estimates import (
    assessments_between,
    estimates_between,
    latest_assessments,
    latest_estimates,
    replace_assessments,
    replace_estimates,
)
from service.storage.database.session import transaction
from tests.support.plant import NIGHT, NOON, describe

MINUTE = timedelta(minutes=1)


def estimate(minute: float, height: float = 1.0, tank: str = "east") -> Estimate:
    return Estimate(
        tank=tank,
        time=NIGHT + minute * MINUTE,
        height=height,
        sd=0.1,
        rate=-0.02,
        trust=Trust.DOUBTFUL,
        reason=EstimateReason.READS_HIGH_UNCONFIRMED,
    )


def assessment(minute: float, height: float = 1.0) -> Assessment:
    return Assessment(
        tag="LT-E", time=NIGHT + minute * MINUTE, height=height, corrected=height - 0.1, verdict=ReadingReason.ARM_PASS
    )


def test_estimates_are_replaced_from_a_time_on(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        east, west = ids.tanks["east"], ids.tanks["west"]
        replace_estimates(conn, west, None, [estimate(1, tank="west")])
        replace_estimates(conn, east, None, [estimate(m) for m in (3, 0, 1, 2)])
        again = [estimate(2, 2.0), estimate(4, 2.0)]
        replace_estimates(conn, east, NIGHT + 2 * MINUTE, again)
        assert estimates_between(conn, [east]) == [estimate(0), estimate(1), *again]
        assert estimates_between(conn, [east, west], NIGHT + MINUTE, NIGHT + 2 * MINUTE) == [
            estimate(1),
            estimate(1, tank="west"),
        ]
        assert latest_estimates(conn, [east, west]) == {east: again[-1], west: estimate(1, tank="west")}
        assert latest_estimates(conn, [east], until=NIGHT + 3 * MINUTE) == {east: again[0]}
        assert latest_estimates(conn, [east], until=NIGHT - MINUTE) == {}


def test_a_stretch_in_the_middle_is_replaced_alone(engine: Engine) -> None:
    with transaction(engine) as conn:
        east = describe(conn).tanks["east"]
        replace_estimates(conn, east, None, [estimate(m) for m in range(5)])
        replace_estimates(conn, east, NIGHT + MINUTE, [estimate(1, 9.0)], NIGHT + 3 * MINUTE)
        assert [e.height for e in estimates_between(conn, [east])] == [1.0, 9.0, 1.0, 1.0]


def test_estimates_may_span_months_that_had_no_partition(engine: Engine) -> None:
    with transaction(engine) as conn:
        east = describe(conn).tanks["east"]
        far_apart = [estimate(0), estimate(60 * 24 * 100)]
        replace_estimates(conn, east, None, far_apart)
        assert estimates_between(conn, [east]) == far_apart


def test_assessments_are_replaced_and_keep_what_has_no_number(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        tags = {"LT-E": ids.signals["LT-E"]}
        replace_assessments(conn, tags, None, [assessment(1), assessment(0, math.nan)])
        replace_assessments(conn, tags, NIGHT + MINUTE, [assessment(2)])
        found = assessments_between(conn, list(tags.values()))
        assert [a.time for a in found] == [NIGHT, NIGHT + 2 * MINUTE]
        assert math.isnan(found[0].height)
        assert found[1] == assessment(2)
        assert latest_assessments(conn, list(ids.signals.values())) == {tags["LT-E"]: assessment(2)}
        assert assessments_between(conn, list(tags.values()), NIGHT + MINUTE, NIGHT + 2 * MINUTE) == []
        replace_assessments(conn, tags, None, [])
        assert assessments_between(conn, list(tags.values())) == []


def test_checkpoints_are_found_by_time_and_dropped_when_their_past_changes(engine: Engine) -> None:
    with transaction(engine) as conn:
        east = describe(conn).tanks["east"]
        assert latest_checkpoint(conn, east) is None
        for minute in range(3):
            save_checkpoint(conn, east, NIGHT + minute * MINUTE, {"seen": [minute], "sd": 0.5})
        at_one = Checkpoint(NIGHT + MINUTE, {"seen": [1], "sd": 0.5})
        assert checkpoint_at(conn, east, NIGHT + MINUTE) == at_one
        assert checkpoint_before(conn, east, NIGHT + 2 * MINUTE) == at_one
        assert checkpoint_before(conn, east, NIGHT) is None
        assert drop_checkpoints(conn, east, NIGHT + MINUTE) == 2
        save_checkpoint(conn, east, NIGHT, {"seen": []})
        assert latest_checkpoint(conn, east) == Checkpoint(NIGHT, {"seen": []})


def test_live_running_keeps_a_few_checkpoints_an_hour(engine: Engine) -> None:
    with transaction(engine) as conn:
        east = describe(conn).tanks["east"]
        for minute in range(-2, 9):
            save_checkpoint(conn, east, NIGHT + minute * MINUTE, {"minute": minute})
        drop_earlier_in_hour(conn, east, NIGHT + 8 * MINUTE)
        left, found = [], latest_checkpoint(conn, east)
        while found is not None:
            left.append(found.state["minute"])
            found = checkpoint_before(conn, east, found.time)
        # Three behind the newest, and what an earlier hour left.
        assert left == [8, 7, 6, 5, -1, -2]


def test_old_checkpoints_are_thinned_to_hours_then_days(engine: Engine) -> None:
    with transaction(engine) as conn:
        ids = describe(conn)
        east, west = ids.tanks["east"], ids.tanks["west"]
        moments = [NOON - i * timedelta(minutes=10) for i in range(6 * 24 * 5)]
        for moment in moments:
            save_checkpoint(conn, east, moment, {})
        save_checkpoint(conn, west, NOON - timedelta(days=400), {"only": 1})
        gone = thin_checkpoints(conn, NOON)

        def left() -> list[datetime]:
            found: list[datetime] = []
            newest = latest_checkpoint(conn, east)
            while newest is not None:
                found.append(newest.time)
                newest = checkpoint_before(conn, east, newest.time)
            return found

        kept = left()
        assert gone == len(moments) - len(kept)
        recent = [moment for moment in kept if moment >= NOON - timedelta(days=2)]
        assert recent[0] == NOON
        assert [moment.minute for moment in recent[1:]] == [50] * 48, "the last of every hour of two days"
        older = kept[len(recent) :]
        assert [(moment.hour, moment.minute) for moment in older] == [(11, 50), (23, 50), (23, 50), (23, 50)]
        assert latest_checkpoint(conn, west) == Checkpoint(NOON - timedelta(days=400), {"only": 1})
        assert thin_checkpoints(conn, NOON) == 0
