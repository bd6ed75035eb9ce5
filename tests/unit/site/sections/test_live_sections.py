"""The sections of live sources: what is taken can be built, what cannot be built is refused, and the example shows all."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError
from sqlalchemy import create_engine

from connectors.modbus.points import ByteOrder, Framing, RegisterTable, ValueType
from connectors.opcua.security import Mode, Policy
from service.errors import ConfigError
from service.site import check_site, parse_site, text_of
from service.site.sections.modbus import FaultSection, ModbusDeviceSection, ModbusPointSection, ModbusSection
from service.site.sections.opcua import OpcuaItemSection, OpcuaSection, is_node_id
from service.site.site import load_site
from service.sources import sources_of

EXAMPLE = (Path(__file__).parents[4] / "deploy/site.example.toml").read_text("utf-8")
SECTIONS = [FaultSection, ModbusDeviceSection, ModbusPointSection, ModbusSection, OpcuaItemSection, OpcuaSection]


def clock() -> datetime:
    return datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_is_in_the_example(section: type[BaseModel]) -> None:
    assert [name for name in section.model_fields if not re.search(rf"\b{name}\b", EXAMPLE)] == []


@pytest.mark.parametrize("words", [RegisterTable, ByteOrder, Framing, Policy, Mode])
def test_every_word_is_in_the_example(words: type[RegisterTable]) -> None:
    assert [word for word in words if f'"{word}"' not in EXAMPLE] == []
    assert [kind for kind in ValueType if kind is not ValueType.BIT and f'"{kind}"' not in EXAMPLE] == []


def switched_on() -> str:
    """The example with its live sources in force, and each signal told where it comes from."""
    text = re.sub(r"(?m)^#   (?=\[\[connector|[a-z_]+ = .*)", "", EXAMPLE.partition("# Live sources.")[2])
    live = "# Live sources." + text.partition("# ------")[0]
    live = re.sub(r"(?m)^user_(certificate|private_key) = .*\n", "", live)
    whole = (
        EXAMPLE.partition("# Live sources.")[0]
        + live
        + "# ------"
        + EXAMPLE.partition("# Live sources.")[2].partition("# ------")[2]
    )
    of = {"EAST_BLANKET": "east-panel", "WEST_BLANKET": "east-panel", "PLANT_FLOW": "plc"}
    return re.sub(
        r'(?m)^tag = "([A-Z_]+)"(.*)$', lambda m: f'{m[0]}\nconnector = "{of.get(m[1], "scada-export")}"', whole
    )


def test_the_example_switched_on_is_sound() -> None:
    assert text_of(check_site(switched_on()), "") == ""


def test_the_example_switched_on_can_be_built(tmp_path: Path) -> None:
    (tmp_path / "opcua").mkdir()
    for secret in ("own.password", "reader.password"):
        (tmp_path / "opcua" / secret).write_text("secret\n")
    file = tmp_path / "site.toml"
    file.write_text(switched_on(), "utf-8")
    sources = sources_of(load_site(file), create_engine("postgresql+psycopg://nobody@192.0.2.1/none"), clock)
    try:
        assert [s.key for s in sources] == ["scada-export", "core-sheets", "east-panel", "plc"]
    finally:
        for source in sources:
            source.close()


def test_a_secret_that_is_missing_is_named(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(switched_on(), "utf-8")
    with pytest.raises(ConfigError, match=r"connector 'plc': .*own\.password cannot be read"):
        sources_of(load_site(file), create_engine("postgresql+psycopg://nobody@192.0.2.1/none"), clock)


def modbus(**point: object) -> ModbusSection:
    given = {"name": "P", "address": 0, **point}
    return ModbusSection.model_validate({"key": "k", "host": "h", "device": [{"point": [given]}]})


@pytest.mark.parametrize(
    ("point", "said"),
    [
        ({"table": "coil", "type": "int16"}, "cannot hold"),
        ({"type": "bit"}, "cannot hold"),
        ({"scale": 0}, "scale is 0"),
        ({"scale": 2, "value_low": 0, "value_high": 5, "loop": True}, "two scalings"),
        ({"value_low": 0, "value_high": 5}, "lacks raw_low and raw_high"),
        ({"loop": True}, "lacks value_low and value_high"),
        ({"loop": True, "value_low": 0, "value_high": 5, "raw_low": 0}, "one raw end"),
        ({"loop": True, "value_low": 5, "value_high": 5}, "without extent"),
        ({"raw_low": 1, "raw_high": 1, "value_low": 0, "value_high": 5}, "without extent"),
        ({"address": 65_536}, "65535"),
    ],
)
def test_points_that_make_no_sense(point: dict[str, object], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        modbus(**point)


def test_names_and_units_once() -> None:
    points = [{"name": "P", "address": 0}, {"name": "P", "address": 1}]
    with pytest.raises(ValidationError, match='two points are called "P"'):
        ModbusSection.model_validate({"key": "k", "host": "h", "device": [{"point": points}]})
    devices = [{"unit": 1, "point": [points[0]]}, {"unit": 1, "point": [{"name": "Q", "address": 0}]}]
    with pytest.raises(ValidationError, match="two devices have unit = 1"):
        ModbusSection.model_validate({"key": "k", "host": "h", "device": devices})


SERVER = {"key": "k", "endpoint": "opc.tcp://192.0.2.20:4840"}
FILES = {"certificate": "a", "private_key": "b", "trusted_folder": "c"}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"endpoint": "http://192.0.2.20"}, "not an OPC UA address"),
        ({"policy": "Basic256Sha256"}, "needs certificate, private_key, trusted_folder"),
        ({"user": "u"}, "not both"),
        ({"user_certificate": "u"}, "not both"),
        ({"user": "u", "password_file": "p"}, "in the clear"),
        (
            {
                "user": "u",
                "password_file": "p",
                "user_certificate": "c",
                "user_private_key": "k",
                "policy": "Basic256Sha256",
            }
            | FILES,
            "signs in twice",
        ),
        ({"item": [{"name": "a", "node": "East.Blanket"}]}, "not a node id"),
        ({"item": [{"name": "a", "node": "i=1"}, {"name": "a", "node": "i=2"}]}, "two items are called"),
    ],
)
def test_servers_that_make_no_sense(given: dict[str, object], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        OpcuaSection.model_validate(SERVER | given)


@pytest.mark.parametrize(
    ("text", "is_one"),
    [("ns=2;s=A", True), ("i=2258", True), ("nsu=http://example.org/;s=A;b", True), ("s=A", True), ("EAST", False)],
)
def test_what_counts_as_a_node_id(text: str, is_one: bool) -> None:
    assert is_node_id(text) is is_one


def test_a_signal_without_a_point_is_told_of_the_points() -> None:
    text = switched_on().replace('name = "EAST_BLANKET"', 'name = "EAST_LEVEL"')
    (finding,) = check_site(text)
    assert finding.field == "signal[EAST_BLANKET].tag"
    assert "known are EAST_LEVEL, WEST_BLANKET" in finding.remedy


def test_a_plain_file_needs_none_of_it() -> None:
    assert [s.kind for s in parse_site(EXAMPLE).connectors()] == ["csv", "csv"]
