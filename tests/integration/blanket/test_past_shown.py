"""While the past is estimated again, whatever shows what is believed says so: commands, pages, the examination."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.bootstrap import Installation, apply_and_open, load_configuration, wall_clock
from service.cli.app import program
from service.domain.plant.role import Role
from service.examination import store
from service.jobs.accounts import people
from service.jobs.blanket.estimate import update_estimates
from service.storage.blanket.recompute import advance_backfill, extend_backfill, mark_dirty
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from service.web.app import create_app
from service.web.server import WebServer, bind_socket
from tests.support.alarm_plant import AlarmPlant
from tests.support.plant import columns
from tests.support.web_plant import PASSWORD, Clock, WebSite

SAYS = "is being estimated again"
SITE = """\
[site]
name = "Alder Creek (invented)"
units = "si"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 30
side_water_depth = 4

[[signal]]
tag = "EAST_LEVEL"
kind = "blanket"
tank = "east"
unit = "m"
measures = "height"

[[signal]]
tag = "EAST_FLOW"
kind = "flow"
tank = "east"
unit = "m3/h"

[[signal]]
tag = "EAST_RETURN"
kind = "return_flow"
tank = "east"
unit = "m3/h"
"""
#: Commands that show what is believed of a tank, or what follows from it.
COMMANDS = (
    ("estimate", "--tank", "east", "--every", "1 h"),
    ("drift",),
    ("loading",),
    ("what-if", "east"),
    ("why", "east"),
    ("report", "daily"),
)


@pytest.fixture
def plant(tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Installation]:
    """A tank with an hour of readings; half of the year before them is still to be estimated again."""
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    monkeypatch.setenv("UNDERWEIR_DATABASE_URL", database_url)
    monkeypatch.setenv("UNDERWEIR_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("UNDERWEIR_SITE_FILE", str(tmp_path / "site.toml"))
    with apply_and_open(load_configuration(), by="test") as built:
        now = wall_clock().replace(microsecond=0)
        with transaction(built.engine) as conn:
            writer = ReadingWriter(conn, open_batch(conn, "test", "hour", now))
            said = [1.0 + 0.01 * (minute % 3) for minute in range(60)]
            start = now - timedelta(hours=1)
            writer.store(columns(built.ids.signals["EAST_LEVEL"], said, start=start, step=timedelta(minutes=1)))
            for tag, value in (("EAST_FLOW", 0.15), ("EAST_RETURN", 0.08)):
                writer.store(columns(built.ids.signals[tag], [value] * 60, start=start, step=timedelta(minutes=1)))
            mark_dirty(conn, {built.ids.tanks["east"]: start})
        update_estimates(built.engine, built.setups, built.ids, now)
        with transaction(built.engine) as conn:
            extend_backfill(conn, built.ids.tanks["east"], now - timedelta(days=180), now - timedelta(minutes=5))
            advance_backfill(conn, built.ids.tanks["east"], now - timedelta(days=90))
        yield built


def done(plant: Installation) -> None:
    with transaction(plant.engine) as conn:
        advance_backfill(conn, plant.ids.tanks["east"], None)


@pytest.mark.parametrize("words", COMMANDS, ids=[words[0] for words in COMMANDS])
def test_a_command_says_so_beside_its_numbers(plant: Installation, words: tuple[str, ...]) -> None:
    said = CliRunner().invoke(program(words[0]), list(words))
    assert "note: East clarifier: the past from" in said.stderr
    assert f"{SAYS}: 50 % done" in said.stderr
    assert SAYS not in said.stdout  # a table for a program stays one
    done(plant)
    assert SAYS not in CliRunner().invoke(program(words[0]), list(words)).stderr


@pytest.mark.parametrize("words", [("loading",), ("what-if", "east"), ("status",)], ids=lambda words: words[0])
def test_a_program_learns_it_too(plant: Installation, words: tuple[str, ...]) -> None:
    said = CliRunner().invoke(program(words[0]), [*words, "--json"])
    told = json.loads(said.stdout or said.stderr)
    assert told["past"]["east"]["share"] == pytest.approx(0.5, abs=0.01)
    done(plant)
    assert json.loads(CliRunner().invoke(program(words[0]), [*words, "--json"]).stdout)["past"] == {}


def test_status_and_examination_say_so(plant: Installation) -> None:
    said = CliRunner().invoke(program("status"), ["status"])
    assert f"{SAYS}: 50 % done" in said.stdout
    assert SAYS not in said.stderr
    with transaction(plant.engine) as conn:
        [verdict] = store.past(conn, datetime.now(UTC))
    assert SAYS in verdict.found
    done(plant)
    assert SAYS not in CliRunner().invoke(program("status"), ["status"]).stdout
    with transaction(plant.engine) as conn:
        assert list(store.past(conn, datetime.now(UTC))) == []


def test_the_board_and_the_page_of_the_tank_say_so(plant: Installation) -> None:
    clock = Clock(wall_clock())
    people.add(
        plant.engine, name="operator", label="Op", role=Role.OPERATOR, password=PASSWORD, now=clock.now, actor="test"
    )
    web = plant.pages(clock)
    app = create_app(web)
    server = WebServer(app, bind_socket("127.0.0.1", 0))
    server.start()
    site = WebSite(app, web, AlarmPlant(plant.engine, plant.alarms, plant.ids), clock, server.address)
    try:
        client = site.client(Role.OPERATOR)
        for page in ("/", "/tanks/east"):
            assert SAYS in client.get(page).text
        done(plant)
        clock.forward(timedelta(minutes=1))
        for page in ("/", "/tanks/east"):
            assert SAYS not in client.get(page).text
    finally:
        for client in site.clients:
            client.close()
        server.stop()
