"""The checklist of deploy/SECURITY.md: its lines, and the tests they name. ``python -m tests.support.security_page`` prints those tests."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
PAGE = REPOSITORY / "deploy" / "SECURITY.md"
STATES = ("met", "read", "n/a", "open")
#: What both levels ask for, level 2 more strictly: met as level 1 asks for it.
ABOVE = "open at level 2"


@dataclass(frozen=True)
class Line:
    """One line of the checklist."""

    numbers: tuple[str, ...]
    state: str
    evidence: str

    def state_at(self, level: int) -> str:
        """The state as that level counts it."""
        if self.state == ABOVE:
            return "met" if level == 1 else "open"
        return self.state

    @property
    def nodes(self) -> tuple[str, ...]:
        """The tests it names, as pytest does."""
        return tuple(f"tests/{name}" for name in re.findall(r"`([\w./]+\.py::[\w:]+)`", self.evidence))


def checklist() -> list[Line]:
    """Every line, with ranges written out: "2.7.1–2.7.3" is three numbers."""
    found = []
    for row in re.findall(
        r"^\| (\d+\.\d+\.\d+[^|]*)\|[^|]*\|([^|]*)\|([^|]*)\|$", PAGE.read_text("utf-8"), re.MULTILINE
    ):
        numbers = [number for part in row[0].split(",") for number in spread(part.strip())]
        found.append(Line(tuple(numbers), row[1].strip(), row[2]))
    return found


def spread(part: str) -> list[str]:
    first, _, last = part.partition("–")
    section, _, start = first.rpartition(".")
    end = last.rpartition(".")[2] if last else start
    return [f"{section}.{number}" for number in range(int(start), int(end) + 1)]


def nodes() -> list[str]:
    """Every test the page names, once: those of its lines and those of its text."""
    named = re.findall(r"`([\w./]+\.py::[\w:]+)`", PAGE.read_text("utf-8"))
    return sorted({f"tests/{name}" for name in named})


if __name__ == "__main__":
    print("\n".join(nodes()))
