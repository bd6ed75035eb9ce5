"""Shift log, note and reports as commands: on paper, for a script, and honest about an empty plant."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner, Result

from service.cli.app import program
from tests.acceptance.test_commands import EXAMPLE, Command

HERE = ZoneInfo("America/New_York")


@pytest.fixture
def site(tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A plant for commands within this process: what they say is the same, and starting one takes seconds."""
    monkeypatch.setenv("UNDERWEIR_DATABASE_URL", database_url)
    monkeypatch.setenv("UNDERWEIR_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("UNDERWEIR_SITE_FILE", str(tmp_path / "site.toml"))
    (tmp_path / "site.toml").write_text(EXAMPLE.read_text("utf-8"), "utf-8")
    say("apply", "--yes")
    return tmp_path


def say(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(program(), list(words))
    assert done.exit_code == status, done.output
    return done


def values(*words: str) -> Any:
    return json.loads(say(*words, "--format", "json").stdout)


def test_a_note_and_a_core_stand_in_the_shift_log(site: Path, database_url: str) -> None:
    say("core", "add", "east", "3.4 ft", "--by", "Sam", "--surface", "turbid", "--yes")
    written = json.loads(say("note", "=Gate B sticks", "--by", "Sam", "--json").stdout)
    say("note", "It is gate C", "--by", "Sam", "--corrects", written["id"])
    log = Command(site, database_url)("shift")
    assert "3.4 ft of sludge" in log
    assert "turbid" in log
    assert "=Gate B sticks (corrected by a later note)" in log
    say("shift", "--format", "xlsx", "--output", str(site / "log.xlsx"))
    leaf = load_workbook(site / "log.xlsx")["What happened"]
    assert {cell.data_type for row in leaf.iter_rows() for cell in row if cell.value} == {"s"}


def test_a_report_of_a_day_and_a_month_in_every_form(site: Path) -> None:
    say("core", "add", "east", "3.4 ft", "--by", "Sam", "--yes")
    today = datetime.now(UTC).astimezone(HERE).date()
    text = say("report", "daily", "--date", str(today)).stdout
    assert f"Daily report {today}" in text
    assert "still running" in text
    assert "no data" in text  # no estimate without readings: said, not left blank
    tanks = {tank["key"]: tank for tank in values("report", "daily", "--date", str(today))["tanks"]}
    assert (tanks["east"]["rounds"], tanks["west"]["rounds"], tanks["west"]["blanket"]) == (1, 0, None)
    assert tanks["east"]["blanket"]["lowest"] == tanks["east"]["blanket"]["highest"]  # the core's, and no other
    assert [entry["kind"] for entry in values("shift")["entries"]] == ["core"]
    say("report", "monthly", "--format", "pdf", "--output", str(site / "month.pdf"))
    assert (site / "month.pdf").read_bytes().startswith(b"%PDF-")
    say("report", "monthly", "--date", f"{today:%Y-%m}", "--format", "xlsx", "--output", str(site / "month.xlsx"))
    assert load_workbook(site / "month.xlsx")["Hand cores and sensors"]["B2"].value == 1
    for wrong in (
        ("report", "daily", "--date", str(today + timedelta(days=1))),
        ("report", "daily", "--date", "soon"),
        ("report", "weekly"),
        ("shift", "--at", "whenever"),
        ("note", "x", "--at", "3 weeks before"),
    ):
        say(*wrong, status=2)
