"""Commands that read change nothing: a PostgreSQL role without the right to write can run every one of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import typer
from sqlalchemy import Engine, make_url, text
from typer.testing import CliRunner, Result

from service.cli.app import PARTS, program
from service.storage.database.session import transaction
from tests.acceptance.test_commands import EXAMPLE

READS, STORES, ELSEWHERE = "reads the database", "stores something", "has nothing to do with the plant's database"

#: Every command, classified by hand: a new one has to be added here.
COMMANDS = {
    "demo": ELSEWHERE,
    "check": ELSEWHERE,
    "probe": ELSEWHERE,
    "client-certificate": ELSEWHERE,
    "watch-over": ELSEWHERE,
    "status": READS,
    "alarms": READS,
    "journal": READS,
    "why": READS,
    "figures": READS,
    "duty": READS,
    "drift": READS,
    "certificate": READS,
    "estimate": READS,
    "loading": READS,
    "diagnose": READS,
    "what-if": READS,
    "replay": READS,
    "shift": READS,
    "report": READS,
    "permit": READS,
    "core list": READS,
    "round list": READS,
    "laboratory list": READS,
    "laboratory sheet": READS,
    "people list": READS,
    "people tokens": READS,
    "archive list": READS,
    "archive check": READS,
    "backup": READS,
    "examine": READS,
    "apply": READS,  # what is shown; with --yes it is what it is for
    "run": STORES,
    "ingest": STORES,
    "core add": STORES,
    "core correct": STORES,
    "core withdraw": STORES,
    "round add": STORES,
    "round correct": STORES,
    "round withdraw": STORES,
    "calibrate": STORES,
    "ack": STORES,
    "shelve": STORES,
    "unshelve": STORES,
    "reset": STORES,
    "out-of-service": STORES,
    "in-service": STORES,
    "note": STORES,
    "permit-sign": STORES,
    "migrate": STORES,
    "restore": STORES,
    "archive now": STORES,
    "archive restore": STORES,
    "people add": STORES,
    "people password": STORES,
    "people email": STORES,
    "people role": STORES,
    "people off": STORES,
    "people on": STORES,
    "people second-factor-off": STORES,
    "people token": STORES,
    "people revoke": STORES,
}


@dataclass
class Desk:
    """Somebody who types commands."""

    folder: Path
    url: str
    patch: pytest.MonkeyPatch
    work: str = ""

    def connect(self, role: str | None = None) -> None:
        url = make_url(self.url)
        if role is not None:
            url = url.update_query_dict({"options": f"-c role={role}"})
        self.patch.setenv("UNDERWEIR_DATABASE_URL", url.render_as_string(hide_password=False))

    def __call__(self, *words: str, status: int = 0) -> Result:
        done = CliRunner().invoke(program(words[0]), list(words))
        assert done.exit_code == status, (words, done.output, done.exception)
        return done

    def refused(self, *words: str) -> BaseException | None:
        return CliRunner().invoke(program(words[0]), list(words)).exception

    def words(self, command: str) -> list[str]:
        """What makes a reading command really read."""
        more = {
            "why": ["east"],
            "diagnose": ["east"],
            "certificate": [self.work, "--out", str(self.folder / "certificate.pdf")],
            "estimate": ["--tank", "east", "--from", "2 h", "--every", "10m"],
            "what-if": ["east", "--return-flow", "+20%"],
            "replay": ["--from", "2 h"],
            "report": ["daily"],
            "backup": [str(self.folder / "backups")],
            "examine": ["--no-probe"],
            "apply": ["--site", str(self.folder / "other.toml")],
        }
        return [*command.split(), *more.get(command, [])]


@pytest.fixture
def desk(tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setenv("UNDERWEIR_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("UNDERWEIR_SITE_FILE", str(tmp_path / "site.toml"))
    plant = EXAMPLE.read_text("utf-8")
    flow = '[[signal]]\ntag = "{}"\nkind = "{}"\ntank = "east"\nunit = "MGD"\n\n'
    flows = flow.format("EAST_FLOW", "flow") + flow.format("EAST_RETURN", "return_flow")
    plant = plant.replace("\n[[connector]]\n", f"\n{flows}[[connector]]\n", 1)
    (tmp_path / "site.toml").write_text(plant, "utf-8")
    (tmp_path / "other.toml").write_text(plant.replace("stale_after", "# stale_after"), "utf-8")
    found = Desk(tmp_path, database_url, monkeypatch)
    found.connect()
    found("apply", "--yes")
    now = datetime.now(UTC).replace(microsecond=0)
    rows = ["time,tag,value"]
    for minute in range(180, 0, -1):
        at = f"{now - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
        rows += [f"{at},EAST_BLANKET,11.0", f"{at},EAST_FLOW,3.0", f"{at},EAST_RETURN,1.5"]
    (tmp_path / "export.csv").write_text("\n".join(rows) + "\n")
    found("ingest", "--connector", "scada-export", str(tmp_path / "export.csv"))
    found("core", "add", "east", "3.4 ft", "--yes")
    found.work = json.loads(found("calibrate", "EAST_BLANKET", "--why", "reads low", "--json").stdout)["id"]
    return found


@pytest.fixture
def reader(engine: Engine) -> Iterator[str]:
    """A role that may look at everything and change nothing."""
    name = "underweir_reader"
    with transaction(engine) as conn:
        conn.execute(text(f"CREATE ROLE {name}"))
        conn.execute(text(f"GRANT SELECT ON ALL TABLES IN SCHEMA public TO {name}"))
        conn.execute(text(f"GRANT SELECT ON ALL SEQUENCES IN SCHEMA public TO {name}"))
    yield name
    with transaction(engine) as conn:
        conn.execute(text(f"DROP OWNED BY {name}"))
        conn.execute(text(f"DROP ROLE {name}"))


def _registered() -> set[str]:
    found: set[str] = set()
    for name, command in vars(typer.main.get_command(program()))["commands"].items():
        parts = vars(command).get("commands")
        found |= {name} if parts is None else {f"{name} {part}" for part in parts}
    return found


def _everything(engine: Engine) -> dict[str, list[str]]:
    """What the database holds, row by row."""
    with transaction(engine) as conn:
        tables = conn.execute(text("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")).scalars().all()
        return {name: sorted(map(str, conn.execute(text(f"SELECT * FROM {name}")))) for name in tables}


def test_every_command_is_classified() -> None:
    assert _registered() == set(COMMANDS)
    assert {name.split()[0] for name in COMMANDS} == {name for names in PARTS.values() for name in names}


def test_a_role_that_may_only_read_can_run_every_reading_command(desk: Desk, reader: str) -> None:
    desk.connect(reader)
    for command in (name for name, kind in COMMANDS.items() if kind == READS):
        done = CliRunner().invoke(program(command.split()[0]), desk.words(command))
        # Some end with 1 because of what they found; none because the database refused.
        assert done.exit_code in ((0, 1) if command in ("alarms", "examine") else (0,)), (command, done.output)
        assert not re.search(r"\[(25006|42501)\]|permission denied", done.output + str(done.exception)), (
            command,
            done.output,
        )
    for words in (("core", "add", "east", "3.4 ft"), ("note", "gate B sticks"), ("apply", "--yes", "--site", "other.toml")):  # fmt: skip
        desk.patch.chdir(desk.folder)
        assert "permission denied" in str(desk.refused(*words)), words


def test_whoever_may_write_changes_nothing_by_reading(desk: Desk, engine: Engine) -> None:
    # As after an evening with the editor: the file on disk takes a tank and its alarms away.
    site = (desk.folder / "site.toml").read_text("utf-8")
    (desk.folder / "site.toml").write_text(site.replace('"high-high"\n', '"high-high"\nkey = "flood"\n', 1), "utf-8")
    before = _everything(engine)
    for command in (name for name, kind in COMMANDS.items() if kind == READS):
        CliRunner().invoke(program(command.split()[0]), desk.words(command))
        assert _everything(engine) == before, command
