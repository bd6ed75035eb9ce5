"""From what a connector delivers to what is stored: everything or nothing, counted, marked, and told only afterwards."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from threading import Barrier
from typing import Any

import pytest
from sqlalchemy import Engine, text

from connectors.base import Delivery, HandCore, Reject, Sample, SampleBlock, SourceQuality, block_of
from connectors.errors import Unreachable
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.cores.core import Surface
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.errors import StorageError
from service.jobs.ingest import IngestReport, IngestStep, Plant, ingest
from service.storage.blanket.estimates import replace_estimates
from service.storage.blanket.recompute import claim_due, lock_tank, settle
from service.storage.cores.cores import CoreRecord, core_history, current_cores
from service.storage.database.session import transaction
from service.storage.readings.connector_state import ConnectorHealth, connector_health, load_state
from service.storage.readings.readings import readings_between
from tests.support.ingest_victim import plant as described_plant
from tests.support.ingest_victim import take_in as drop
from tests.support.plant import NIGHT, NOON, describe

MINUTE = timedelta(minutes=1)


class Scripted:
    """A connector that delivers what the test gives it, and remembers what it was told."""

    key = "scripted"

    def __init__(self, *deliveries: Delivery, error: Exception | None = None) -> None:
        self.deliveries = deliveries
        self.error = error
        self.states: list[Mapping[str, Any]] = []
        self.told: list[Delivery] = []
        self.on_told: Callable[[], None] = lambda: None

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        self.states.append(dict(state))
        yield from self.deliveries
        if self.error is not None:
            raise self.error

    def committed(self, delivery: Delivery) -> None:
        self.on_told()
        self.told.append(delivery)

    def close(self) -> None:
        pass


def samples(tag: str, *values: float, start: datetime = NIGHT) -> SampleBlock:
    return block_of([Sample(tag, start + i * MINUTE, value) for i, value in enumerate(values)])


def delivery(block: SampleBlock | None = None, **more: Any) -> Delivery:
    return Delivery(origin="night.csv", samples=block or block_of([]), **more)


def hand_core(thickness: float = 1.2, **more: Any) -> HandCore:
    given: dict[str, Any] = {"tank": "east", "time": NIGHT, "thickness": thickness, "unit": "m", "line": 2}
    return HandCore(**(given | more))


@pytest.fixture
def plant(engine: Engine) -> Plant:
    with transaction(engine) as conn:
        describe(conn)
    return described_plant(engine)


def take_in(engine: Engine, plant: Plant, connector: Scripted, at: datetime = NOON, **more: Any) -> IngestReport:
    return ingest(connector, plant, engine, lambda: at, **more)


def stored(engine: Engine, plant: Plant) -> list[Reading]:
    tag_of = {number: tag for tag, number in plant.ids.signals.items()}
    with transaction(engine) as conn:
        return list(readings_between(conn, list(tag_of)).readings(tag_of))


def health(engine: Engine) -> ConnectorHealth:
    with transaction(engine) as conn:
        [found] = connector_health(conn)
    return found


def marks(engine: Engine, plant: Plant) -> dict[str, datetime]:
    with transaction(engine) as conn:
        return {plant.ids.tank_key(item.tank_id): item.dirty_from for item in claim_due(conn)}


def count(engine: Engine, table: str) -> int:
    with transaction(engine) as conn:
        return int(conn.execute(text(f"SELECT count(*) FROM {table}")).scalar_one())


def test_samples_become_readings_in_si_with_what_the_source_says_of_them(engine: Engine, plant: Plant) -> None:
    block = block_of(
        [
            Sample("LT-E", NIGHT, 1.5),
            Sample("LT-W", NIGHT, 5.0),
            Sample("FT-1", NIGHT, 2.0, SourceQuality.UNCERTAIN),
            Sample("LT-E", NIGHT + MINUTE, math.inf),
        ]
    )
    report = take_in(engine, plant, Scripted(delivery(block)))
    assert (report.accepted, report.rejected, report.error) == (4, 0, "")
    got = {(reading.tag, reading.time): reading for reading in stored(engine, plant)}
    # 1 ft = 0.3048 m and 1 US gal = 3.785 411 784 L, exactly: NIST SP 811 (2008), appendix B.
    assert got["LT-E", NIGHT].value == 1.5
    assert got["LT-W", NIGHT].value == pytest.approx(1.524, rel=1e-15)
    assert got["FT-1", NIGHT].value == pytest.approx(2 * 3785.411784 / 86_400, rel=1e-15)
    assert got["FT-1", NIGHT].quality is Quality.UNCERTAIN
    no_number = got["LT-E", NIGHT + MINUTE]
    assert math.isnan(no_number.value)
    assert (no_number.quality, no_number.reason) == (Quality.BAD, ReadingReason.NOT_A_NUMBER)


def test_tanks_are_marked_from_the_earliest_change_and_a_plant_signal_marks_them_all(
    engine: Engine, plant: Plant
) -> None:
    take_in(engine, plant, Scripted(delivery(samples("LT-E", 1.0, 1.1))))
    assert marks(engine, plant) == {"east": NIGHT}
    take_in(engine, plant, Scripted(delivery(samples("LT-E", 0.9, start=NIGHT - MINUTE))))
    assert marks(engine, plant) == {"east": NIGHT - MINUTE}
    take_in(engine, plant, Scripted(delivery(samples("FT-1", 3.0, start=NIGHT - 2 * MINUTE))))
    assert marks(engine, plant) == {"east": NIGHT - 2 * MINUTE, "west": NIGHT - 2 * MINUTE}


def test_marks_made_while_an_estimate_runs_neither_stop_it_nor_are_overlooked(engine: Engine, plant: Plant) -> None:
    take_in(engine, plant, Scripted(delivery(samples("LT-E", 1.0))))
    with transaction(engine) as conn:
        [claimed] = claim_due(conn)
    assert claimed.dirty_from == NIGHT
    with transaction(engine) as estimating:
        assert lock_tank(estimating, claimed.tank_id)
        take_in(engine, plant, Scripted(delivery(samples("LT-E", 1.0, 1.1))))
        with transaction(engine) as elsewhere:
            assert not lock_tank(elsewhere, claimed.tank_id)
            assert claim_due(elsewhere) == [claimed], "another process may not claim what came meanwhile"
        assert settle(estimating, claimed)
    assert marks(engine, plant) == {"east": NIGHT + MINUTE}


def test_a_claim_of_a_process_that_died_is_due_again_with_what_came_since(engine: Engine, plant: Plant) -> None:
    take_in(engine, plant, Scripted(delivery(samples("LT-E", 1.0))))
    with transaction(engine) as conn:
        [died] = claim_due(conn)
    take_in(engine, plant, Scripted(delivery(samples("LT-E", 1.0, start=NIGHT - MINUTE))))
    with transaction(engine) as conn:
        [again] = claim_due(conn)
        assert again.dirty_from == NIGHT - MINUTE
        assert not settle(conn, died), "the first was not dead after all: the second's work stands"
        assert settle(conn, again)
    assert marks(engine, plant) == {}


def test_the_same_again_changes_nothing_and_marks_nothing(engine: Engine, plant: Plant) -> None:
    block = samples("LT-E", 1.0, 1.1)
    take_in(engine, plant, Scripted(delivery(block)))
    with transaction(engine) as conn:
        assert settle(conn, claim_due(conn)[0])
    report = take_in(engine, plant, Scripted(delivery(block)))
    assert (report.accepted, report.duplicate, report.revised) == (0, 2, 0)
    assert marks(engine, plant) == {}


def test_the_same_file_content_is_recognised_whatever_its_name(engine: Engine, plant: Plant) -> None:
    first = delivery(samples("LT-E", 1.0), content_hash="ab" * 32, size_bytes=20)
    take_in(engine, plant, Scripted(first))
    again = Scripted(replace(first, origin="copy of night.csv", state={"seen": 2}))
    [report] = take_in(engine, plant, again, NOON + MINUTE).deliveries
    assert report.already_taken_in
    assert report.first_taken_in_at == NOON
    assert report.batch_id is None
    assert [told.origin for told in again.told] == ["copy of night.csv"], "so that it can be moved away"
    assert (count(engine, "batch"), count(engine, "file_ledger")) == (1, 1)
    with transaction(engine) as conn:
        assert load_state(conn, "scripted") == {"seen": 2}


def test_a_file_in_parts_is_one_batch_and_the_connector_hears_of_every_part(engine: Engine, plant: Plant) -> None:
    bad = (Reject(9, "value", "--", "not a number"),)
    parts = [
        replace(
            delivery(samples("LT-E", float(i), start=NIGHT + i * MINUTE), content_hash="cd" * 32, rejects=bad),
            part=i,
            last_part=i == 3,
        )
        for i in range(4)
    ]
    connector = Scripted(*parts)
    [report] = take_in(engine, plant, connector).deliveries
    assert (report.accepted, report.rejected, len(report.rejects)) == (4, 4, 4)
    assert count(engine, "batch") == 1
    assert [told.part for told in connector.told] == [0, 1, 2, 3]
    assert all(len(told.samples) == 0 for told in connector.told), "samples are not kept in memory until the end"
    assert all(told.rejects == () for told in connector.told), "nor are rejects"
    assert [reading.value for reading in stored(engine, plant)] == [0.0, 1.0, 2.0, 3.0]


def test_nothing_is_stored_of_a_file_that_breaks_off(engine: Engine, plant: Plant) -> None:
    part = delivery(samples("LT-E", 1.0), content_hash="ef" * 32, last_part=False)
    gone = Scripted(part, replace(part, part=1), error=Unreachable("scripted", "the share went away."))
    report = take_in(engine, plant, gone)
    assert report.retryable
    assert "the share went away" in report.error
    cut = take_in(engine, plant, Scripted(part))
    assert "ended before its last part" in cut.error
    assert gone.told == []
    assert stored(engine, plant) == []
    assert (count(engine, "batch"), count(engine, "file_ledger")) == (0, 0)
    assert health(engine).failures == 2


def test_what_came_before_an_error_is_kept(engine: Engine, plant: Plant) -> None:
    connector = Scripted(delivery(samples("LT-E", 1.0)), error=Unreachable("scripted", "gone."))
    report = take_in(engine, plant, connector)
    assert (report.accepted, len(connector.told)) == (1, 1)
    assert health(engine).failures == 1
    take_in(engine, plant, Scripted(), NOON + MINUTE)
    assert (health(engine).failures, health(engine).last_good_at) == (0, NOON + MINUTE)
    assert health(engine).last_error == "scripted: gone.", "still there to be read"


def test_a_defect_in_a_connector_is_its_error_not_ours(engine: Engine, plant: Plant) -> None:
    report = take_in(engine, plant, Scripted(error=ZeroDivisionError("division by zero")))
    assert "ZeroDivisionError: division by zero" in report.error
    assert not report.retryable
    assert health(engine).failures == 1


def test_a_database_that_is_away_while_a_connector_asks_it_is_no_defect_of_the_connector(
    engine: Engine, plant: Plant
) -> None:
    away = StorageError("Database: could not extend file. The database's disk is full. [53100]", retryable=True)
    with pytest.raises(StorageError, match="disk is full"):
        take_in(engine, plant, Scripted(error=away))
    with transaction(engine) as conn:
        assert connector_health(conn) == []


def test_a_connector_that_cannot_move_on_is_reported_and_its_data_kept(engine: Engine, plant: Plant) -> None:
    def locked() -> None:
        raise Unreachable("scripted", "night.csv is stored but cannot be moved.")

    connector = Scripted(delivery(samples("LT-E", 1.0), content_hash="12" * 32))
    connector.on_told = locked
    report = take_in(engine, plant, connector)
    assert report.accepted == 1
    assert "cannot be moved" in report.error
    connector.on_told = lambda: None
    assert take_in(engine, plant, connector).deliveries[0].already_taken_in


def test_the_connector_continues_from_the_state_it_committed(engine: Engine, plant: Plant) -> None:
    connector = Scripted(delivery(samples("LT-E", 1.0), state={"offset": 7}))
    take_in(engine, plant, connector)
    connector.deliveries = (delivery(state={"offset": 8}),)
    take_in(engine, plant, connector, NOON + MINUTE)
    take_in(engine, plant, connector)
    assert connector.states == [{}, {"offset": 7}, {"offset": 8}]
    assert count(engine, "batch") == 1, "a poll that finds nothing leaves no batch"
    found = health(engine)
    assert (found.delivered, found.last_sample_at, found.failures) == (1, NIGHT, 0)


def test_a_batch_is_no_older_than_what_its_readings_were_judged_by(engine: Engine, plant: Plant) -> None:
    """The clock is set back by a year while a delivery is stored: what rests on the two belonging together still holds."""
    clock = iter([NOON, NOON])
    report = ingest(
        Scripted(delivery(samples("LT-E", 1.0))), plant, engine, lambda: next(clock, NOON - timedelta(days=365))
    )
    assert report.accepted == 1
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT received_at FROM batch")).scalar_one() == NOON


def test_what_has_no_signal_or_no_possible_time_is_rejected_with_its_reason(engine: Engine, plant: Plant) -> None:
    block = block_of(
        [
            Sample("LT-E", NIGHT, 1.0),
            Sample("LT-X", NIGHT, 1.0),
            Sample("LT-X", NIGHT + MINUTE, 1.0),
            Sample("LT-E", datetime.fromisoformat("1999-12-31T23:00+00:00"), 1.0),
            Sample("LT-E", NOON + timedelta(days=2), 1.0),
        ]
    )
    given = delivery(block, rejects=(Reject(9, "value", "--", "not a number"),))
    connector = Scripted(given)
    report = take_in(engine, plant, connector)
    assert (report.accepted, report.rejected) == (1, 5)
    found = {(reject.field, reject.text): reject.reason for reject in report.deliveries[0].rejects}
    assert "no signal" in found["LT-X", "2 samples"]
    assert found["value", "--"] == "not a number"
    assert sum("LT-E" in key for key in found) == 1, "one line per address and reason; the last reason is shown"
    assert len(report.deliveries[0].rejects) == 4
    [told] = connector.told
    assert (told.rejects, len(told.refused)) == (given.rejects, 3)


def test_addresses_stand_for_the_signals_the_site_maps_them_to(engine: Engine, plant: Plant) -> None:
    block = block_of([Sample("40001", NIGHT, 1.0), Sample("LT-E", NIGHT, 2.0)])
    report = take_in(engine, plant, Scripted(delivery(block)), tags={"40001": "LT-E"})
    assert (report.accepted, report.rejected) == (1, 1)
    assert [reading.value for reading in stored(engine, plant)] == [1.0]


def test_a_database_that_refuses_is_not_swallowed(engine: Engine, plant: Plant) -> None:
    with transaction(engine) as conn:
        conn.execute(text("ALTER TABLE batch RENAME TO away"))
    connector = Scripted(delivery(samples("LT-E", 1.0)))
    with pytest.raises(StorageError):
        take_in(engine, plant, connector)
    assert connector.told == []


def test_two_deliveries_that_deadlock_both_go_through(engine: Engine, plant: Plant) -> None:
    """Two files bring the same keys in opposite order; one of them is read again."""
    east, west = samples("LT-E", 1.0), samples("LT-W", 5.0)
    met = Barrier(2, timeout=300)

    def run(key: str, first: SampleBlock, second: SampleBlock) -> IngestReport:
        connector = Scripted(delivery(first, last_part=False), delivery(second, part=1))
        connector.key = key
        waited: list[bool] = []

        def on_step(step: IngestStep, part: Delivery) -> None:
            if step is IngestStep.STORED and part.part == 0 and not waited:
                waited.append(True)
                met.wait()

        return take_in(engine, plant, connector, on_step=on_step)

    take_in(engine, plant, Scripted(delivery(samples("FT-1", 1.0))))
    with ThreadPoolExecutor(2) as pool:
        reports = [pool.submit(run, "one", east, west), pool.submit(run, "two", west, east)]
        accepted = [(r.result().accepted, r.result().duplicate) for r in reports]
    assert sorted(accepted) == [(0, 2), (2, 0)]


# --- hand cores -------------------------------------------------------------------------------------------------------


def cores(engine: Engine, plant: Plant) -> list[CoreRecord]:
    with transaction(engine) as conn:
        return current_cores(conn, list(plant.ids.tanks.values()))


def test_a_delivered_core_is_kept_in_si_with_what_was_typed(engine: Engine, plant: Plant) -> None:
    typed = hand_core(
        3.9,
        tank=" East  tank",
        unit="ft",
        distance_from_wall=16.0,
        fluff=0.5,
        surface=("Pin_Floc", "milky"),
        taken_by="R. Okafor",
        note="calm",
    )
    report = take_in(engine, plant, Scripted(delivery(cores=(typed,))))
    assert report.deliveries[0].cores_accepted == 1
    [record] = cores(engine, plant)
    assert record.core.thickness == pytest.approx(3.9 * 0.3048)
    assert record.core.distance_from_wall == pytest.approx(16 * 0.3048)
    assert record.core.fluff == pytest.approx(0.5 * 0.3048)
    assert record.core.surface == (Surface.PIN_FLOC,)
    assert record.core.note == "calm; surface: milky"
    assert (record.typed_value, record.typed_unit, record.source) == (3.9, "ft", "night.csv")
    assert record.core.recorded_at == NOON
    assert marks(engine, plant) == {"east": NIGHT}


def test_a_core_without_position_was_taken_at_the_customary_spot(engine: Engine, plant: Plant) -> None:
    take_in(engine, plant, Scripted(delivery(cores=(hand_core(),))))
    assert cores(engine, plant)[0].core.distance_from_wall == 5.0


def test_the_same_core_in_another_file_is_a_duplicate(engine: Engine, plant: Plant) -> None:
    take_in(engine, plant, Scripted(delivery(cores=(hand_core(), hand_core(1.3, replicate=2)))))
    [report] = take_in(
        engine, plant, Scripted(delivery(cores=(hand_core(note="again"), hand_core(1.25, replicate=3))))
    ).deliveries
    assert (report.cores_accepted, report.cores_duplicate, report.cores_corrected) == (1, 1, 0)
    assert [record.core.thickness for record in cores(engine, plant)] == [1.2, 1.3, 1.25]


def test_another_thickness_for_the_same_core_in_a_later_file_corrects_it(engine: Engine, plant: Plant) -> None:
    take_in(engine, plant, Scripted(delivery(cores=(hand_core(1.2),))))
    [report] = take_in(
        engine, plant, Scripted(replace(delivery(cores=(hand_core(1.4),)), origin="fixed.csv")), NOON + MINUTE
    ).deliveries
    assert (report.cores_accepted, report.cores_corrected) == (0, 1)
    [record] = cores(engine, plant)
    assert record.core.thickness == 1.4
    assert "fixed.csv" in record.correction_reason
    with transaction(engine) as conn:
        assert [version.core.thickness for version in core_history(conn, record.core.id)] == [1.2, 1.4]


def test_two_cores_of_one_file_with_the_same_number_are_both_kept(engine: Engine, plant: Plant) -> None:
    both = delivery(cores=(hand_core(1.2, line=2), hand_core(1.3, line=3)))
    assert take_in(engine, plant, Scripted(both)).deliveries[0].cores_accepted == 2
    longer = replace(both, cores=(*both.cores, hand_core(1.5, time=NIGHT + 60 * MINUTE)))
    [report] = take_in(engine, plant, Scripted(longer)).deliveries
    assert (report.cores_accepted, report.cores_duplicate, report.cores_corrected) == (1, 2, 0)


def test_cores_that_cannot_be_are_rejected_with_their_line(engine: Engine, plant: Plant) -> None:
    given = delivery(
        cores=(
            hand_core(12.0, line=2),
            hand_core(tank="north", line=3),
            hand_core(unit="furlong", line=4),
            hand_core(time=NOON + timedelta(hours=1), line=5),
            hand_core(line=6),
        )
    )
    connector = Scripted(given)
    [report] = take_in(engine, plant, connector).deliveries
    assert (report.cores_accepted, report.cores_rejected, report.rejected) == (1, 4, 0)
    found = {reject.line: reject for reject in report.rejects}
    assert "more than East tank holds" in found[2].reason
    assert "east, west" in found[3].reason
    assert found[4].field == "unit"
    assert "ahead of now" in found[5].reason
    assert connector.told[0].refused == report.rejects
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT accepted, rejected FROM batch")).one() == (1, 4)


def test_a_doubtful_core_of_a_file_is_kept_with_its_warning(engine: Engine, plant: Plant) -> None:
    with transaction(engine) as conn:
        east = plant.ids.tanks["east"]
        estimate = Estimate(
            tank="east", time=NIGHT, height=0.8, sd=0.1, rate=0.0, trust=Trust.GOOD, reason=EstimateReason.SENSOR
        )
        replace_estimates(conn, east, None, [estimate])
    [report] = take_in(engine, plant, Scripted(delivery(cores=(hand_core(3.9, time=NIGHT + MINUTE),)))).deliveries
    assert report.cores_accepted == 1
    assert report.warnings[0].startswith("line 2: 3.90 m is far from the rest")
    assert "3.9 ft (1.19 m) would fit" in report.warnings[0]
    [record] = cores(engine, plant)
    assert record.warnings == ("unit slip suspected",)


def test_without_an_estimate_recent_cores_say_what_is_expected(engine: Engine, plant: Plant) -> None:
    usual = tuple(hand_core(1.2, time=NIGHT - day * timedelta(days=1), line=day) for day in (1, 2, 3))
    assert take_in(engine, plant, Scripted(delivery(cores=usual))).deliveries[0].warnings == ()
    [report] = take_in(engine, plant, Scripted(delivery(cores=(hand_core(3.9),)))).deliveries
    assert "would fit" in report.warnings[0]


# --- files really dropped ---------------------------------------------------------------------------------------------


def test_what_the_service_refuses_stands_in_the_quarantine_file_beside_what_the_reader_rejected(
    engine: Engine, plant: Plant, tmp_path: Path
) -> None:
    (tmp_path / "cores.csv").write_text(
        "tank,time,thickness,unit,note\n"
        "east,2026-03-14T22:00Z,1.2,m,fine\n"
        "east,2026-03-14T23:00Z,abc,m,no number\n"
        "east,2026-03-14T23:30Z,40,m,too deep\n"
    )
    [report] = drop(engine, tmp_path).deliveries
    assert (report.cores_accepted, report.cores_rejected, report.rejected) == (1, 1, 1)
    lines = (tmp_path / "processed" / "cores.csv.rejected.csv").read_text().splitlines()
    assert lines[0] == "line,field,text,reason"
    assert [line.split(",")[0] for line in lines[1:]] == ["3", "4"]
    assert "more than East tank holds" in lines[2]


def test_a_file_whose_name_is_no_utf_8_is_taken_in_and_holds_up_nothing(
    engine: Engine, plant: Plant, tmp_path: Path
) -> None:
    for minute, name in enumerate((b"a.csv", b"h\xf6he.csv", b"z.csv")):
        row = f"tag,time,value\nLT-E,2026-03-14T22:0{minute}:00Z,{minute}\nLT-E,2026-03-14T22:3{minute}:00Z,abc\n"
        (tmp_path / os.fsdecode(name)).write_text(row)
    report = drop(engine, tmp_path)
    assert [done.origin for done in report.deliveries] == ["a.csv", r"h\xf6he.csv", "z.csv"]
    assert [reading.value for reading in stored(engine, plant)] == [0.0, 1.0, 2.0]
    processed = {os.fsencode(path.name) for path in (tmp_path / "processed").iterdir()}
    assert {b"h\xf6he.csv", b"h\xf6he.csv.rejected.csv"} <= processed
    assert [path for path in tmp_path.iterdir() if path.is_file()] == []
