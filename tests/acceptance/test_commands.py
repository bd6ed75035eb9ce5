"""The command as people and scripts use it: its output, its exit status."""

from __future__ import annotations

import json
import math
import os
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.storage.database.session import make_engine, transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support.command_line import run_command
from tests.support.plant import columns

EXAMPLE = Path(__file__).parents[2] / "deploy" / "site.example.toml"


class Command:
    """Runs ``underweir`` against one database and one site file."""

    def __init__(self, folder: Path, database_url: str) -> None:
        self.folder = folder
        self.site = folder / "site.toml"
        self.site.write_text(EXAMPLE.read_text("utf-8"), "utf-8")
        self.environment = {
            **os.environ,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(folder / "data"),
            "UNDERWEIR_SITE_FILE": str(self.site),
        }

    def set(self, name: str, value: str) -> None:
        self.environment[name] = value

    def __call__(self, *words: str, status: int = 0) -> str:
        done = self.run(*words)
        assert done.returncode == status, done.stdout + done.stderr
        return done.stdout

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return run_command(self.environment, *words, folder=self.folder)

    def apply(self) -> None:
        """Bring the site file into force."""
        self("apply", "--yes")

    def json(self, *words: str, status: int = 0) -> Any:
        return json.loads(self(*words, "--json", status=status))


@pytest.fixture
def underweir(tmp_path: Path, database_url: str) -> Command:
    command = Command(tmp_path, database_url)
    command.apply()
    return command


def test_check_reports_every_mistake_and_its_line(underweir: Command) -> None:
    assert "no mistakes found" in underweir("check", str(underweir.site))
    permitted = underweir.site.with_name("permitted.toml")
    permit = '[permit]\nname = "P (invented)"\nsolids = { monthly_average = 30 }\nsampled_tanks = ["east"]\n'
    permitted.write_text(f"{underweir.site.read_text('utf-8')}\n{permit}", "utf-8")
    said = underweir("check", str(permitted))
    assert "permit, P (invented): effluent solids, monthly average 30.0 mg/L" in said
    assert "laboratory values that count for it: of the whole plant, East clarifier" in said
    broken = underweir.site.read_text("utf-8").replace("diameter = 80", "daimeter = 80", 1)
    underweir.site.write_text(broken, "utf-8")
    found = underweir.json("check", str(underweir.site), status=1)
    assert not found["usable"]
    [finding] = [f for f in found["findings"] if "diameter" in f["remedy"]]
    assert broken.splitlines()[finding["line"] - 1].startswith("daimeter")


def test_a_wrong_site_file_is_refused_with_status_two_and_the_reason(underweir: Command) -> None:
    underweir.site.write_text("[site]\nname = 3\n", "utf-8")
    for words in (("apply",), ("apply", "--yes"), ("run",)):
        done = underweir.run(*words)
        assert done.returncode == 2
        assert "site.toml:2" in done.stderr
        assert done.stdout == ""
    assert underweir.run("status").returncode == 0, "what is in force stays in force"


def test_misuse_ends_with_status_two(underweir: Command) -> None:
    assert underweir.run("no-such-command").returncode == 2
    assert underweir.run("core", "add", "north", "3 ft").returncode == 2
    assert underweir.run("ingest", "no-such-file.csv").returncode == 2


def test_files_are_taken_in_once_and_what_is_wrong_is_said_with_its_line(underweir: Command) -> None:
    now = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    rows = [f"{now + timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{10 - i / 100:.2f}" for i in range(30)]
    file = underweir.folder / "export.csv"
    file.write_text("\n".join(["time,tag,value", *rows, f"{now:%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,wet"]) + "\n")
    first = underweir.json("ingest", "--connector", "scada-export", str(file), status=1)
    [delivery] = first["deliveries"]
    assert (delivery["accepted"], delivery["duplicate"], delivery["revised"], delivery["rejected"]) == (30, 0, 0, 1)
    assert delivery["rejects"][0]["line"] == 32
    again = underweir.json("ingest", "--connector", "scada-export", str(file))
    assert again["deliveries"][0]["already_taken_in"]
    revised = underweir.folder / "again.csv"
    revised.write_text("\n".join(["time,tag,value", *rows[:-1], rows[-1].replace("9.71", "9.50")]) + "\n")
    [delivery] = underweir.json("ingest", "--connector", "scada-export", str(revised))["deliveries"]
    assert (delivery["accepted"], delivery["duplicate"], delivery["revised"]) == (0, 29, 1)
    tanks = {tank["tank"]: tank for tank in underweir.json("status")["tanks"]}
    assert tanks["east"]["clearance_m"] == pytest.approx(9.5 * 0.3048, abs=0.3)
    assert tanks["west"]["reason"] == "no data yet"


def test_a_core_is_logged_corrected_and_withdrawn_without_losing_its_history(underweir: Command) -> None:
    stored = underweir.json("core", "add", "east", "3.4 ft", "--by", "R. Okafor", "--surface", "clear")
    assert stored["stored"]
    assert stored["thickness_m"] == pytest.approx(3.4 * 0.3048)
    # Floor 1:12, sampler a third of the 40 ft radius from the wall: 13.33 ft / 12 lower than the floor datum.
    assert stored["height_m"] == pytest.approx((3.4 - 40 / 3 / 12) * 0.3048, abs=1e-4)
    slip = underweir.json("core", "add", "east", "1.04 ft", status=1)
    assert not slip["stored"]
    assert [f["problem"] for f in slip["findings"]] == ["unit slip suspected"]
    too_deep = underweir.run("core", "add", "east", "30 ft", "--yes")
    assert too_deep.returncode == 1
    assert "not stored" in too_deep.stderr
    corrected = underweir.json("core", "correct", stored["id"], "3.6 ft", "--reason", "misread the ring")
    assert corrected["stored"]
    [current] = underweir.json("core", "list", "east")
    assert (current["id"], current["typed"]) == (corrected["id"], "3.6 ft")
    history = underweir.json("core", "list", "--history", corrected["id"])
    assert [version["typed"] for version in history] == ["3.4 ft", "3.6 ft"]
    assert history[1]["correction_reason"] == "misread the ring"
    again = underweir.run("core", "correct", stored["id"], "3.7 ft", "--reason", "again")
    assert again.returncode == 1
    assert "corrected already" in again.stderr
    underweir("core", "withdraw", corrected["id"], "--reason", "it was the west tank")
    assert underweir.json("core", "list", "east") == []


def test_the_same_core_sent_twice_is_stored_once(underweir: Command) -> None:
    words = (
        "core",
        "add",
        "east",
        "3.4 ft",
        "--at",
        "2026-11-01T08:00:00Z",
        "--id",
        "6a3c1d57-3a1f-4a55-9d5b-0c5f9f6a5b11",
    )
    assert not underweir.json(*words)["already_stored"]
    assert underweir.json(*words)["already_stored"]
    assert len(underweir.json("core", "list", "--days", "36500")) == 1


def test_a_sensor_is_judged_against_cores_and_work_on_it_is_recorded(underweir: Command) -> None:
    start = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(days=12)
    readings = ["time,tag,value"]
    cores = ["Taken,Tank,Blanket,Who,Note"]
    zone = ZoneInfo("America/New_York")
    for i in range(12 * 96):
        at = start + timedelta(minutes=15 * i)
        height = 3.5 + 0.4 * math.sin(i / 96 * 2 * math.pi)
        readings.append(f"{at:%Y-%m-%dT%H:%M:%SZ},WEST_BLANKET,{height - 1.2 + 0.02 * (i % 3 - 1):.2f}")
        if i % 48 == 24:
            cores.append(f"{at.astimezone(zone):%Y-%m-%d %H:%M},west,{height + 40 / 3 / 12:.1f},R. Okafor,")
    for name, lines in (("r.csv", readings), ("c.csv", cores)):
        (underweir.folder / name).write_text("\n".join(lines) + "\n")
    underweir("ingest", "--connector", "scada-export", str(underweir.folder / "r.csv"))
    underweir("ingest", "--connector", "core-sheets", str(underweir.folder / "c.csv"))
    [found] = underweir.json("drift", "--signal", "WEST_BLANKET")
    assert found["action"] == "needs work now"
    assert found["error_m"] == pytest.approx(-1.2 * 0.3048, abs=0.06)
    assert found["error_95_m"][0] < -1.2 * 0.3048 < found["error_95_m"][1]
    assert found["set"]["add"] == pytest.approx(1.2 * 0.3048, abs=0.06)
    work = underweir.json(
        "calibrate", "WEST_BLANKET", "--why", "reads low", "--as-found", "-1.2 ft", "--as-left", "0 ft"
    )
    [after] = underweir.json("drift", "--signal", "WEST_BLANKET")
    assert after["last_work_at"] is not None
    assert abs(after["error_m"]) < 0.05
    assert [w["id"] for w in after["work"]] == [work["id"]]
    pdf = underweir.folder / "certificate.pdf"
    underweir("certificate", work["id"], "--out", str(pdf))
    assert pdf.read_bytes().startswith(b"%PDF-")
    rows = json.loads(underweir("estimate", "--tank", "west", "--from", "6 h", "--every", "1h", "--format", "json"))
    assert len(rows) == 7
    assert set(rows[0]) == {
        "time",
        "height_m",
        "sd_m",
        "low_m",
        "high_m",
        "rate_m_per_h",
        "clearance_m",
        "trust",
        "reason",
        "as_known",
    }
    # The sensor reads 1.2 ft low: what is believed must be the cores' level, not the sensor's.
    assert all(2.8 * 0.3048 < row["height_m"] < 4.2 * 0.3048 for row in rows[:-1])


def test_migrate_says_where_the_database_is(underweir: Command) -> None:
    said = underweir.json("migrate")
    assert said["revision"] == said["head"]


def test_an_old_month_goes_to_a_file_and_comes_back(underweir: Command, database_url: str) -> None:
    engine = make_engine(database_url)
    with transaction(engine) as conn:
        old = columns(1, [1.0, 2.0, 3.0], start=datetime(2020, 5, 31, 23, 58, tzinfo=UTC))
        ReadingWriter(conn, open_batch(conn, "test", "test", datetime(2020, 6, 1, 0, 1, tzinfo=UTC))).store(old)
    engine.dispose()
    underweir.set("UNDERWEIR_KEEP_READINGS_MONTHS", "12")
    moved = underweir.json("archive", "now")["files"]
    assert [(file["table"], file["month"], file["rows"]) for file in moved] == [
        ("reading", "2020-05", 2),
        ("reading", "2020-06", 1),
        ("batch", "2020-06", 1),
    ]
    assert "batch-2020-06.1.parquet    when readings came in, and from where  1" in underweir("archive", "list")
    (underweir.folder / "data" / "archive" / "reading-2020-06.1.parquet").unlink()
    *whole, missing = underweir("archive", "check", status=1).splitlines()
    assert whole == ["reading-2020-05.1.parquet: whole", "batch-2020-06.1.parquet: whole"]
    assert "backup" in missing
    assert underweir("archive", "restore", "2020-05").splitlines() == [
        "reading-2020-05.1.parquet: 2 of 2 rows brought back",
        "batch-2020-06.1.parquet: 1 of 1 rows brought back",
    ]
