"""A replay as a supervisor runs it: with the site's own alarms and with others, without changing anything."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.test_commands import Command


@pytest.fixture
def underweir(tmp_path: Path, database_url: str) -> Command:
    command = Command(tmp_path, database_url)
    command.apply()
    return command


def _alarm(found: Any, key: str) -> Any:
    return next(alarm for alarm in found["tanks"][0]["alarms"] if alarm["alarm"] == key)


def test_other_limits_are_tried_on_stored_history_and_nothing_changes(underweir: Command) -> None:
    now = datetime.now(UTC).replace(microsecond=0)
    rows = [f"{now - timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,2.0" for i in range(60, 0, -1)]
    file = underweir.folder / "export.csv"
    file.write_text("\n".join(["time,tag,value", *rows]) + "\n")
    underweir("ingest", "--connector", "scada-export", str(file))
    before = underweir.json("journal")

    words = ("replay", "--from", (now - timedelta(minutes=30)).isoformat(), "--tank", "east")
    own = underweir.json(*words)
    assert own["tanks"][0]["readings"] == 60
    assert _alarm(own, "east.high-high")["limit_m"] == pytest.approx(4 * 0.3048)
    assert _alarm(own, "east.high-high")["raised"] == 1
    raised = [line for line in own["tanks"][0]["journal"] if line["event"] == "occurred"]
    assert {"east.high", "east.high-high"} <= {line["alarm"] for line in raised}
    # They speak of the last half hour, but nobody could know of it before the file was taken in.
    assert all(datetime.fromisoformat(line["decided_at"]) >= now for line in raised if line["alarm"] == "east.high")
    tried = [trial for trial in own["tanks"][0]["trials"] if trial["alarm"] == "east.high-high"]
    assert {round(trial["limit_change_m"] / 0.3048, 3) for trial in tried} == {-1.0, -0.5, 0.0, 0.5, 1.0}
    assert {trial["on_delay_s"] for trial in tried} == {0.0, 60.0, 300.0}

    other = underweir.folder / "other.toml"
    written = underweir.site.read_text("utf-8")
    assert written.count('"high-high"\nclearance = 4\n') == 1
    other.write_text(written.replace('"high-high"\nclearance = 4\n', '"high-high"\nclearance = 1\n'), "utf-8")
    under_other = underweir.json(*words, "--site", str(other))
    assert _alarm(under_other, "east.high-high")["limit_m"] == pytest.approx(0.3048)
    assert _alarm(under_other, "east.high-high")["raised"] == 0
    assert _alarm(under_other, "east.high")["raised"] == 1

    assert {call["contact"] for call in own["tanks"][0]["calls"]["nobody_answers"]}
    assert own["tanks"][0]["calls"]["people_answer"] is None

    said = underweir(*words, "--answer-after", "5m")
    assert "if nobody answers" in said
    assert "if people answer after 5 min" in said
    assert "east.high-high: occurred, normal → unacknowledged" in said
    assert "what other limits and delays would have given" in said
    assert underweir.json("journal") == before

    # History of last week, taken in now, is lived through as if the service had watched, and that is said.
    old = now - timedelta(days=7)
    rows = [f"{old - timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,2.0" for i in range(60, 0, -1)]
    file = underweir.folder / "last-week.csv"
    file.write_text("\n".join(["time,tag,value", *rows]) + "\n")
    underweir("ingest", "--connector", "scada-export", str(file))
    then = ("replay", "--from", (old - timedelta(minutes=90)).isoformat(), "--to", old.isoformat(), "--tank", "east")
    said = underweir(*then)
    assert "60 readings arrived; 60 of them were received later and are taken as arrived" in said
    assert "east.high-high: occurred" in said
    found = underweir.json(*then, "--arrived-after", "5m")["tanks"][0]
    assert (found["imported"], found["arrived_after_s"]) == (60 - 5, {"EAST_BLANKET": 300.0})
    empty = underweir.run(
        "replay", "--from", (old - timedelta(days=3)).isoformat(), "--to", (old - timedelta(days=2)).isoformat()
    )
    assert "no reading arrived in this time" in empty.stderr
    assert underweir.run("replay", "--tank", "nowhere").returncode == 2
