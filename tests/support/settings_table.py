"""The table of settings in deploy/SETTINGS.md, as the program has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from service.settings import PREFIX, Settings


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One line of deploy/SETTINGS.md."""

    variable: str
    default: str
    meaning: str

    HEADINGS: ClassVar[tuple[str, str, str]] = ("Variable", "When not set", "Meaning")


def settings_table() -> tuple[SettingRow, ...]:
    """Every setting with its default and meaning, for deploy/SETTINGS.md."""
    rows = []
    for name, field in Settings.model_fields.items():
        extra = field.json_schema_extra
        usual = f"{field.default:g}" if isinstance(field.default, float) else field.default
        default = str(extra["default"]) if isinstance(extra, dict) else f"`{usual}`"
        rows.append(SettingRow(f"`{PREFIX}{name.upper()}`", default, field.description or ""))
    return tuple(rows)
