"""The result of one check: its grade, what was found, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    """How it is."""

    FINE = "fine"
    LOOK = "look"  #: works, and somebody should look at it
    WRONG = "wrong"  #: people may not be called, or data may be lost


@dataclass(frozen=True, slots=True)
class ExaminationResult:
    """One thing that was looked at."""

    about: str
    grade: Grade
    found: str
    remedy: str = ""

    def row(self) -> dict[str, str]:
        """As plain values, for JSON."""
        return {"about": self.about, "grade": self.grade.value, "found": self.found, "remedy": self.remedy}


def fine(about: str, found: str) -> ExaminationResult:
    """It is as it should be."""
    return ExaminationResult(about, Grade.FINE, found)


def look(about: str, found: str, remedy: str) -> ExaminationResult:
    """It works, and somebody should look at it."""
    return ExaminationResult(about, Grade.LOOK, found, remedy)


def wrong(about: str, found: str, remedy: str) -> ExaminationResult:
    """People may not be called, or data may be lost."""
    return ExaminationResult(about, Grade.WRONG, found, remedy)
