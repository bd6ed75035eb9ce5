"""The checklist of deploy/SECURITY.md leaves no requirement out, counts right, and names evidence that is there to be looked at."""

from __future__ import annotations

import ast
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
PAGE = REPOSITORY / "deploy" / "SECURITY.md"
STATES = ("met", "n/a", "open")


@dataclass(frozen=True)
class Line:
    """One line of the checklist."""

    numbers: tuple[str, ...]
    state: str
    evidence: str


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


def asked() -> dict[str, int]:
    """Every requirement of levels 1 and 2 by its number, with the lowest level that asks for it."""
    lines = (REPOSITORY / "tests" / "data" / "asvs" / "4.0.3.txt").read_text("utf-8").splitlines()
    return {number: int(level) for number, level in (line.split() for line in lines if not line.startswith("#"))}


def test_every_requirement_stands_there_once() -> None:
    numbers = Counter(number for line in checklist() for number in line.numbers)
    assert len(asked()) == 259
    assert {
        "missing": sorted(asked().keys() - numbers.keys()),
        "twice": [n for n, times in numbers.items() if times > 1],
    } == {
        "missing": [],
        "twice": [],
    }
    assert sorted(numbers.keys() - asked().keys()) == []


def test_the_count_at_the_top_is_that_of_the_lines() -> None:
    lines, levels = checklist(), asked()
    assert {line.state for line in lines} == set(STATES)
    rows = []
    for words, of in (("level 1", {1}), ("level 2 adds", {2}), ("together", {1, 2})):
        counted = Counter(line.state for line in lines for number in line.numbers if levels[number] in of)
        rows.append(f"| {words} | {' | '.join(str(counted[state]) for state in STATES)} | {counted.total()} |")
    expected = "\n".join(rows)
    assert expected in PAGE.read_text("utf-8"), f"the count in deploy/SECURITY.md should be:\n{expected}"


def test_what_is_met_names_evidence_and_all_of_it_exists() -> None:
    missing, without = [], []
    for line in checklist():
        named = re.findall(r"`(?!UNDERWEIR_)([\w./-]+)`", line.evidence) if line.state == "met" else []
        folder = Path()
        for name in named:  # as written, below tests/, or beside the one named before it in the same line
            places = [Path(name), Path("tests", name), Path("tests", folder, name)]
            if not any((REPOSITORY / place).exists() for place in places):
                missing.append((line.numbers, name))
            folder = Path(name).parent if "/" in name else folder
        if line.state == "met" and not named:
            without.append(line.numbers)
        if line.state != "met" and len(line.evidence.split()) < 2:
            without.append(line.numbers)
    assert (missing, without) == ([], [])


def test_nothing_is_evaluated_unpickled_or_given_to_a_shell() -> None:
    """ASVS 5.2.4, 5.2.5, 5.3.8, 5.5.3: no text becomes code, a template, an object or a shell's line."""
    wrong = []
    for path in [*(REPOSITORY / "service").rglob("*.py"), *(REPOSITORY / "connectors").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            match node:
                case ast.Call(func=ast.Name(id="eval" | "exec" | "compile" | "__import__")):
                    wrong.append((path.name, node.lineno))
                case ast.Call(func=ast.Attribute(attr="system" | "popen")):
                    wrong.append((path.name, node.lineno))
                case ast.Call(func=ast.Attribute(attr="from_string", value=of)) if not ast.unparse(of).endswith(
                    "NodeId"
                ):
                    wrong.append((path.name, node.lineno))
                case ast.keyword(arg="shell"):
                    wrong.append((path.name, node.value.lineno))
                case ast.Import(names=names) if {one.name.partition(".")[0] for one in names} & _OBJECTS:
                    wrong.append((path.name, node.lineno))
                case ast.ImportFrom(module=str(module)) if module.partition(".")[0] in _OBJECTS:
                    wrong.append((path.name, node.lineno))
    assert wrong == []
    for script in (REPOSITORY / "service" / "web" / "static").glob("*.js"):
        assert not re.search(r"\beval\(|\bnew Function\(|insertAdjacentHTML|document\.write", script.read_text("utf-8"))


_OBJECTS = {"pickle", "marshal", "shelve", "dill", "yaml", "jsonpickle"}
