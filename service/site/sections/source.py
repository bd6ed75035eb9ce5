"""What the sections of all kinds of source have in common."""

from __future__ import annotations

from pydantic import Field

from service.site.sections.section import Key, Section


class SourceSection(Section):
    """A ``[[connector]]`` of any kind."""

    key: Key = Field(examples=['"scada-export"'])
    kind: str = Field(examples=['"csv"'])

    @property
    def carries_signals(self) -> bool:
        """Whether readings come through it; a folder of hand cores, say, carries none."""
        return True

    def address_problem(self, address: str) -> tuple[str, str] | None:
        """What is wrong with an address of a signal on this source, and what would be right; None when nothing is."""
        return None
