"""What the README and the pages it leads to say is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.cli.app import PARTS
from tests.support.settings_table import SettingRow, settings_table

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PAGES = sorted([README, ROOT / "DEVELOPERS.md", ROOT / "tests/benchmarks/README.md", *(ROOT / "deploy").glob("*.md")])


def test_the_table_of_settings_is_the_programs_own() -> None:
    text = (ROOT / "deploy/SETTINGS.md").read_text("utf-8")
    written = text.split("<!-- settings -->")[1].split("<!-- /settings -->")[0].strip()
    rows = [SettingRow.HEADINGS, ("---",) * 3, *((row.variable, row.default, row.meaning) for row in settings_table())]
    expected = "\n".join(f"| {' | '.join(cells)} |" for cells in rows)
    assert written == expected, f"put this between the settings marks of deploy/SETTINGS.md:\n{expected}"


def test_the_settings_everybody_needs_are_settings() -> None:
    known = {row.variable.strip("`") for row in settings_table()}
    assert set(re.findall(r"UNDERWEIR_\w+", README.read_text("utf-8"))) <= known


def test_it_can_be_read_in_five_minutes() -> None:
    assert README.read_text("utf-8").count("\n") <= 130


def test_every_command_is_in_the_tables_and_no_other() -> None:
    section = README.read_text("utf-8").split("\n## Commands\n")[1].split("\n## ")[0]
    first_cells = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    written = {code.split()[0] for cell in first_cells for code in re.findall(r"`([^`]+)`", cell)}
    assert written == {command for commands in PARTS.values() for command in commands}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_what_a_page_leads_to_is_there(page: Path) -> None:
    text = page.read_text("utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", text) + re.findall(r'src="([^"]+)"', text):
        if "://" not in target:
            assert (page.parent / target).is_file(), f"{page.name} leads to {target}"
