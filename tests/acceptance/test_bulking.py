"""A bulking emergency through the commands: no sludge is so bad that a command ends without an answer."""

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

[[signal]]
tag = "EAST_SETTLED"
kind = "settled_volume"
tank = "east"
unit = "mL/L"
"""


# 3,200 mg/L of mixed liquor: indices of 291 and 312 mL/g; and a settling test that was mistyped.
@pytest.mark.parametrize("settled", [930, 1000, 2930])
def test_status_loading_and_what_if_answer_in_a_bulking_emergency(
    tmp_path: Path, database_url: str, settled: int
) -> None:
    underweir = Command(tmp_path, database_url)
    text = underweir.site.read_text("utf-8").replace("\n[[connector]]\n", f"{SIGNALS}\n[[connector]]\n", 1)
    text = text.replace("\ndiameter = 80\n", '\ndiameter = 80\nsettling = "wahlberg-keinath-1988"\n', 1)
    underweir.site.write_text(text, "utf-8")
    now = datetime.now(UTC).replace(microsecond=0)
    rows = ["time,tag,value"]
    for minute in range(120, 0, -5):
        at = f"{now - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
        rows += [f"{at},EAST_BLANKET,8.0", f"{at},EAST_FLOW,3.0", f"{at},EAST_RETURN,1.5"]
        rows.append(f"{at},MIXED_LIQUOR_SOLIDS,3200")
    rows.append(f"{now - timedelta(minutes=30):%Y-%m-%dT%H:%M:%SZ},EAST_SETTLED,{settled}")
    file = tmp_path / "night.csv"
    file.write_text("\n".join(rows) + "\n")
    underweir.apply()
    underweir("ingest", "--connector", "scada-export", str(file))

    told = [underweir("status"), underweir("loading"), underweir("what-if", "east", "--return-flow", "+20%")]
    assert "East clarifier" in told[0]
    if settled <= 1000:
        for said in told[:2]:
            assert "goes by the stirred index" in said
