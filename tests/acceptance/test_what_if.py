"""What-if as a supervisor asks for it in a storm: numbers, words and a picture, nothing changed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.acceptance.test_commands import Command

SIGNALS = """
[[signal]]
tag = "EAST_FLOW"
kind = "flow"
tank = "east"
unit = "MGD"

[[signal]]
tag = "EAST_RETURN"
kind = "return_flow"
tank = "east"
unit = "MGD"
"""


@pytest.fixture
def underweir(tmp_path: Path, database_url: str) -> Command:
    command = Command(tmp_path, database_url)
    text = command.site.read_text("utf-8")
    command.site.write_text(text.replace("\n[[connector]]\n", f"{SIGNALS}\n[[connector]]\n", 1), "utf-8")
    now = datetime.now(UTC).replace(microsecond=0)
    rows = ["time,tag,value"]
    for minute in range(600, 0, -5):
        at, storm = f"{now - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}", max(0.0, 1.0 - minute / 120.0)
        rows.append(f"{at},EAST_BLANKET,{11.0 - 3.0 * storm:.2f}")
        rows.append(f"{at},EAST_FLOW,{3.0 if not storm else 6.0:.2f}")
        rows.append(f"{at},EAST_RETURN,1.5")
        rows.append(f"{at},MIXED_LIQUOR_SOLIDS,3200")
    file = tmp_path / "night.csv"
    file.write_text("\n".join(rows) + "\n")
    command.apply()
    command("ingest", "--connector", "scada-export", str(file))
    return command


def test_more_return_helps_a_storm_hurts_and_nothing_is_changed(underweir: Command) -> None:
    picture = underweir.folder / "course.png"
    words = ("what-if", "east", "--return-flow", "+60%", "--picture", str(picture))
    told = underweir.json(*words)
    assert told["as_things_are"]["path"][-1]["in_h"] == 6.0
    assert told["changed"]["path"][-1]["height_m"] < told["as_things_are"]["path"][-1]["height_m"]
    for step in told["changed"]["path"]:
        assert step["low_m"] <= step["height_m"] <= step["high_m"]
    assert told["changes"] == ["return flow 1.50 MGD → 2.40 MGD"]
    assert "Site procedures" in told["caution"]
    assert picture.read_bytes().startswith(b"\x89PNG")
    said = underweir("what-if", "east", "--storm", "+100%", "--hours", "4", "--out-of-service", "west")
    assert "out of service: West clarifier" in said
    assert "flow of the whole plant" in said
    assert "under the weir" in said
    assert "Advice only" in said
    refused = underweir.run("what-if", "east", "--return-flow", "much")
    assert refused.returncode == 1
    assert "is not a flow" in refused.stderr


def test_diagnose_tells_every_cause_with_its_chance_and_what_if_what_is_missing_to_rank_actions(
    underweir: Command,
) -> None:
    said = underweir("diagnose", "east")
    assert "None of these:" in said
    assert "licensed operator" in said
    told = underweir.json("diagnose", "east")
    assert 0.9 < sum(mode["chance"] for mode in told["modes"]) + told["none_of_these"] <= 1.0
    surge = next(mode for mode in told["modes"] if mode["mode"] == "thickening overload")
    assert any(clue["fact"] == "flow" and clue["ratio"] > 1.0 for clue in surge["clues"])
    asked = underweir.json("what-if", "east", "--return-flow", "+10%")
    assert asked["actions"] is None
    assert "without a settling test" in asked["actions_missing"]
