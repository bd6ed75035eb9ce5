"""Pages that say what to type: their boxes, so that tests type just that."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass
class Step:
    """One box of a page.

    Attributes
    ----------
    heading : the one it stands under.
    before : what the page says since the box before it.
    typed : the lines in the box.
    seen : what the page says is then seen: the quoted lines after the box.
    """

    heading: str
    before: str
    typed: str = ""
    seen: str = ""


def steps(page: Path) -> list[Step]:
    """Read every box of a page, in order."""
    found: list[Step] = []
    heading, before, in_box = "", "", False
    for line in page.read_text("utf-8").splitlines(keepends=True):
        if line.startswith("```"):
            in_box = not in_box
            if in_box:
                found.append(Step(heading, before))
                before = ""
        elif in_box:
            found[-1].typed += line
        elif line.startswith("#"):
            heading = line.lstrip("#").strip()
        elif line.startswith(">") and found:
            found[-1].seen += line.removeprefix(">").lstrip(" ")
        else:
            before += line
    return found


def steps_under(page: Path, heading: str) -> list[Step]:
    """Only the boxes under one heading, of which there must be some."""
    under = [step for step in steps(page) if step.heading == heading]
    assert under, f"{page.name} has no box under {heading!r}"
    return under
