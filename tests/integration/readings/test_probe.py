"""What a technician sees at commissioning: every point once, and what looks wrong about it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli.app import program
from tests.support.plant_servers import ModbusPlant, Unit, float_registers

SITE = """\
[site]
name = "Invented Creek Works"
units = "si"
time_zone = "Europe/Amsterdam"

[[tank]]
key = "east"
kind = "secondary"
shape = "circular"
diameter = 30
side_water_depth = 4

[[signal]]
tag = "LT-E"
kind = "blanket"
tank = "east"
unit = "m"
measures = "height"
zero_height = 0
low = 0
high = 4

[[connector]]
key = "plc"
kind = "modbus"
host = "127.0.0.1"
port = {port}
every = "1 s"

[[connector.device]]
unit = 1

[[connector.device.point]]
name = "LT-E"
table = "holding_register"
address = 0
type = "float32"
order = "{order}"
expect_low = 0
expect_high = 4
"""


def _probe(tmp_path: Path, port: int, order: str) -> tuple[int, str]:
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=port, order=order), "utf-8")
    done = CliRunner().invoke(program(), ["probe", "--site", str(site), "--json"])
    return done.exit_code, done.stdout


def test_a_right_point_is_shown_scaled_and_good(tmp_path: Path) -> None:
    high, low = float_registers(2.5)
    with ModbusPlant(Unit(1, holding={0: high, 1: low})) as plc:
        status, said = _probe(tmp_path, plc.port, "ABCD")
    [source] = json.loads(said)
    [point] = source["points"]
    assert (point["address"], point["quality"]) == ("LT-E", "good")
    assert point["value"] == pytest.approx(2.5)
    assert status == 0


def test_a_wrong_byte_order_is_named_with_the_one_that_makes_sense(tmp_path: Path) -> None:
    high, low = float_registers(2.5)
    with ModbusPlant(Unit(1, holding={0: high, 1: low})) as plc:
        status, said = _probe(tmp_path, plc.port, "CDAB")
    [source] = json.loads(said)
    [point] = source["points"]
    assert "ABCD" in point["remark"]
    assert status == 1


def test_a_device_that_does_not_answer_is_said_not_hidden(tmp_path: Path) -> None:
    plc = ModbusPlant(Unit(1, holding={0: 0, 1: 0}))
    status, said = _probe(tmp_path, plc.port, "ABCD")
    [source] = json.loads(said)
    assert status == 1
    assert source["problem"] or all(point["quality"] == "bad" for point in source["points"])
