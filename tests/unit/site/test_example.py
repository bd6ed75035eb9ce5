"""The example is the manual of the site file: it is sound, and it leaves no key unsaid."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from service.alarms.definition import AlarmKind, Priority, SystemWatch
from service.domain.plant.signal import Measures, SignalKind
from service.domain.plant.tank import TankKind, TankShape
from service.site import check_site, text_of
from service.site.conversion.alarm_defaults import DEFAULTS
from service.site.sections.alarm import AlarmSection
from service.site.sections.csv_drop import CsvColumns, CsvSection
from service.site.sections.people import ContactSection, ReportsSection
from service.site.sections.permit import PermitLoad, PermitSection, PermitSolids, PermitTurbidity
from service.site.sections.plant import LaboratorySection, RoundsSection, SignalSection, SiteSection, TankSection

FILE = Path(__file__).parents[3] / "deploy/site.example.toml"
TEXT = FILE.read_text("utf-8")


def test_it_is_sound() -> None:
    assert text_of(check_site(FILE), "site.example.toml") == ""


@pytest.mark.parametrize(
    "section",
    [
        SiteSection,
        TankSection,
        SignalSection,
        CsvSection,
        CsvColumns,
        AlarmSection,
        ContactSection,
        ReportsSection,
        PermitSection,
        LaboratorySection,
        RoundsSection,
        PermitSolids,
        PermitLoad,
        PermitTurbidity,
    ],
)
def test_every_key_is_in_it(section: type[BaseModel]) -> None:
    assert [name for name in section.model_fields if not re.search(rf"\b{name}\b", TEXT)] == []


@pytest.mark.parametrize("words", [TankKind, TankShape, SignalKind, Measures, Priority, SystemWatch])
def test_every_word_a_key_may_take_is_in_it(words: type[TankKind]) -> None:
    assert [word for word in words if not re.search(rf"\b{word}\b", TEXT)] == []


def test_every_kind_of_alarm_is_in_it() -> None:
    assert [kind for kind in AlarmKind if f'"{kind}"' not in TEXT and kind.value not in TEXT] == []


def test_it_says_which_alarms_are_built_in() -> None:
    built_in = re.search(r"Every tank has (.*?) even when nothing stands", TEXT.replace("\n# ", " "))
    assert built_in is not None
    assert all(kind in built_in[1] for kind, usual in DEFAULTS.items() if usual.always)


def test_whatever_stands_in_remarks_is_sound_too() -> None:
    """Keys shown as remarks `# key = value` are switched on one by one where that cannot contradict what stands there."""
    rows = TEXT.split("\n")
    shown = [i for i, row in enumerate(rows) if re.match(r"# [a-z_]+ = [^…]*$", row)]
    assert len(shown) >= 10
    for i in shown:
        text = "\n".join([*rows[:i], rows[i][2:], *rows[i + 1 :]])
        assert text_of(check_site(text), rows[i]) == ""
