"""The site file as rows: kept in step, and nothing that was ever described is forgotten."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

from sqlalchemy import Engine, text

from service.storage.database.session import transaction
from service.storage.plant.site_tables import record_version, revision_in_force, site_ids, sync_site, version_in_force
from service.storage.readings.batches import open_batch
from service.storage.readings.processed_files import find, record
from tests.support.plant import NIGHT, SIGNALS, TANKS, tank


def test_rows_follow_the_site_file_and_keep_their_numbers(engine: Engine) -> None:
    with transaction(engine) as conn:
        first = sync_site(conn, TANKS, SIGNALS)
        assert set(first.tanks) == {"east", "west"}
        assert set(first.signals) == {"LT-E", "LT-W", "FT-1"}
        assert first.tank_key(first.tanks["west"]) == "west"
        assert first.tag(first.signals["FT-1"]) == "FT-1"
        changed = (tank("east", side_water_depth=4.5, label="Old east"), tank("north"))
        moved = replace(SIGNALS[0], tank="north", unit="ft")
        second = sync_site(conn, changed, [moved])
        assert second.tanks["east"] == first.tanks["east"]
        assert second.signals == first.signals
        rows = conn.execute(text("SELECT key, label, side_water_depth, described FROM tank ORDER BY key")).all()
        assert [tuple(row) for row in rows] == [
            ("east", "Old east", 4.5, True),
            ("north", "North tank", 4.0, True),
            ("west", "West tank", 4.0, False),
        ]
        signals = conn.execute(
            text(
                "SELECT s.tag, s.unit, t.key, s.described FROM signal s LEFT JOIN tank t ON t.id = s.tank_id ORDER BY tag"
            )
        ).all()
        assert [tuple(row) for row in signals] == [
            ("FT-1", "MGD", None, False),
            ("LT-E", "ft", "north", True),
            ("LT-W", "ft", "west", False),
        ]
        sync_site(conn, TANKS, SIGNALS)
        assert conn.execute(text("SELECT described FROM tank WHERE key = 'west'")).scalar_one()
        assert site_ids(conn).tanks["west"] == first.tanks["west"]


def test_two_services_may_start_at_once(engine: Engine) -> None:
    def start(order: int) -> dict[str, int]:
        with transaction(engine) as conn:
            return dict(sync_site(conn, TANKS[::order], SIGNALS[::order]).signals)

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(start, [1, -1, 1, -1]))
    assert all(ids == found[0] for ids in found)


def test_a_site_file_is_kept_once_per_change(engine: Engine) -> None:
    with transaction(engine) as conn:
        assert version_in_force(conn) is None
        first = record_version(conn, "a = 1", at=NIGHT, by="Chief")
        again = record_version(conn, "a = 1", at=NIGHT + timedelta(hours=1), by="somebody else")
        assert again == first, "since when and by whom it is in force stays as it was"
        second = record_version(conn, "a = 2", at=NIGHT, by="Chief")
        assert second.id != first.id
        back = record_version(conn, "a = 1", at=NIGHT, by="Chief")
        assert back.id not in (first.id, second.id), "back to the old text is a change too"
        assert version_in_force(conn) == back
        assert revision_in_force(conn) == back.id


def test_of_two_that_take_in_one_content_at_once_one_goes_on(engine: Engine) -> None:
    def take_in(name: str) -> bool:
        with transaction(engine) as conn:
            batch_id = open_batch(conn, "drop", name, NIGHT)
            entered = record(
                conn,
                connector="drop",
                content_hash="ab" * 32,
                origin=name,
                size_bytes=1,
                batch_id=batch_id,
                received_at=NIGHT,
            )
            conn.execute(text("SELECT pg_sleep(0.1)"))
            return entered

    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(take_in, ["a", "b", "c", "d"]))
    assert sorted(outcomes) == [False, False, False, True]
    with transaction(engine) as conn:
        entry = find(conn, "drop", "ab" * 32)
        assert entry is not None
        assert entry.origin == "abcd"[outcomes.index(True)]
        assert find(conn, "other", "ab" * 32) is None
