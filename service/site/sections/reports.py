"""``[reports]``: who is mailed the daily and the monthly report, and who hears of hand cores."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.site.sections.on_call import TimeOfDay
from service.site.sections.section import Section, Words


class ReportsSection(Section):
    """Reports that leave by themselves. Times are the plant's."""

    to: tuple[Words, ...] = Field(min_length=1, examples=['["Supervisor"]'])
    daily: TimeOfDay | None = Field(None, examples=['"06:00"'])
    monthly: TimeOfDay | None = Field(None, examples=['"06:00"'])
    cores: Literal["shift log", "at once"] = Field("shift log", examples=['"shift log" or "at once"'])
