"""What the README says of settings is what the program knows."""

from __future__ import annotations

from pathlib import Path

from service.settings import SettingRow, settings_table

README = Path(__file__).parents[2] / "README.md"


def test_the_table_of_settings_is_the_programs_own() -> None:
    text = README.read_text("utf-8")
    written = text.split("<!-- settings -->")[1].split("<!-- /settings -->")[0].strip()
    rows = [SettingRow.HEADINGS, ("---",) * 3, *((row.variable, row.default, row.meaning) for row in settings_table())]
    expected = "\n".join(f"| {' | '.join(cells)} |" for cells in rows)
    assert written == expected, f"put this between the settings marks of the README:\n{expected}"
