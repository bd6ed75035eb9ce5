"""A new kind of connector is a section class and one line: nested tables, near words and addresses come with it."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from pydantic import Field

from service.site import check_site, parse_site
from service.site.sections.connector import SECTION_OF_KIND
from service.site.sections.section import Duration, Section, SourceSection, Words

BASE = (Path(__file__).parents[2] / "data/site/base.toml").read_text("utf-8")


class PointSection(Section):
    name: Words
    offset: int = Field(ge=0, le=65535, examples=["100"])
    type: Literal["int16", "float32"] = "int16"


class DeviceSection(Section):
    unit: int = 1
    points: tuple[PointSection, ...] = ()


class BusSection(SourceSection):
    kind: Literal["bus"] = "bus"
    host: Words = Field(examples=['"192.0.2.10"'])
    poll: Duration | None = None
    device: tuple[DeviceSection, ...] = ()

    def address_problem(self, address: str) -> tuple[str, str] | None:
        names = [point.name for device in self.device for point in device.points]
        return None if address in names else (f'no point "{address}" is read', f"known are {', '.join(names)}")


SOUND = (
    BASE.replace('kind = "csv"\nfolder = "drop"', 'kind = "bus"\nhost = "192.0.2.10"')
    + """
[[connector.device]]
unit = 3
[[connector.device.points]]
name = "EAST_B"
offset = 100
[[connector.device.points]]
name = "NORTH_B"
offset = 102
[[connector.device]]
points = [
  { name = "FLOW", offset = 1, type = "float32" },
]
""".replace("\n\n", "\n")
)


@pytest.fixture(autouse=True)
def _bus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(SECTION_OF_KIND, "bus", BusSection)


def test_a_sound_one_is_taken() -> None:
    assert check_site(SOUND) == []
    (bus,) = parse_site(SOUND).connectors()
    assert isinstance(bus, BusSection)
    assert [point.offset for device in bus.device for point in device.points] == [100, 102, 1]


@pytest.mark.parametrize(
    ("old", "new", "field", "remedy"),
    [
        ("offset = 102", "offste = 102", "connector[export].device.0.points.1.offste", "mean offset?"),
        ("offset = 102\n", "", "connector[export].device.0.points.1.offset", "write offset = 100"),
        ('type = "float32"', 'type = "flaot32"', "connector[export].device.1.points.0.type", 'write "float32"'),
        (
            "offset = 1,",
            "offset = -1,",
            "connector[export].device.1.points.0.offset",
            "greater than or equal to 0",
        ),
        ('host = "192.0.2.10"\n', "", "connector[export].host", 'write host = "192.0.2.10"'),
        ('kind = "bus"', 'kind = "bsu"', "connector[export].kind", 'write kind = "bus"'),
        ('name = "FLOW"', 'name = "FLOV"', "signal[FLOW].tag", "known are EAST_B, NORTH_B, FLOV"),
    ],
)
def test_mistakes_deep_inside_are_found_on_their_line(old: str, new: str, field: str, remedy: str) -> None:
    text = SOUND.replace(old, new, 1)
    findings = check_site(text)
    assert [f.field for f in findings] == [field]
    (finding,) = findings
    assert remedy in finding.remedy
    if new and not field.startswith("signal"):
        assert new.split(",")[0].strip() in text.split("\n")[finding.line - 1]
