"""The checklist of deploy/SECURITY.md leaves no requirement out, counts right, and names tests that are there to be run."""

from __future__ import annotations

import ast
import re
from collections import Counter
from functools import cache

from tests.support.security_page import ABOVE, PAGE, REPOSITORY, STATES, checklist, nodes


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
    assert {line.state for line in lines} == {*STATES, ABOVE}
    rows = []
    for words, of in (("level 1", {1}), ("level 2 adds", {2}), ("together", {1, 2})):
        counted = Counter(line.state_at(max(of)) for line in lines for number in line.numbers if levels[number] in of)
        rows.append(f"| {words} | {' | '.join(str(counted[state]) for state in STATES)} | {counted.total()} |")
    expected = "\n".join(rows)
    assert expected in PAGE.read_text("utf-8"), f"the count in deploy/SECURITY.md should be:\n{expected}"


def test_what_is_met_names_tests_and_each_of_them_is_there() -> None:
    """Whether they pass is seen by deploy/check-security, which runs exactly these."""
    without = [line.numbers for line in checklist() if line.state in ("met", ABOVE) and not line.nodes]
    silent = [line.numbers for line in checklist() if line.state != "met" and not line.evidence.strip()]
    missing = [node for node in nodes() if node.partition("::")[2] not in defined(node.partition("::")[0])]
    assert (without, silent, missing) == ([], [], [])


def test_evidence_is_a_test_and_never_the_name_of_a_file() -> None:
    """That a file of tests is there says nothing of what it tries."""
    bare = [
        (line.numbers, name)
        for line in checklist()
        if line.state == "met"
        for name in re.findall(r"`([\w./]*test_\w+\.py)`", line.evidence)
    ]
    assert bare == []


@cache
def defined(path: str) -> frozenset[str]:
    """The tests of a file, as pytest names them; without those that are always skipped."""
    found = set()
    for node in ast.parse((REPOSITORY / path).read_text("utf-8")).body:
        match node:
            case ast.FunctionDef(name=name, decorator_list=marks) if name.startswith("test_") and _runs(marks):
                found.add(name)
            case ast.ClassDef(name=name) if name.startswith("Test"):
                found |= {
                    f"{name}::{one.name}"
                    for one in node.body
                    if isinstance(one, ast.FunctionDef) and _runs(one.decorator_list)
                }
    return frozenset(found)


def _runs(marks: list[ast.expr]) -> bool:
    return not any(re.search(r"mark\.(skip|xfail)\b", ast.unparse(mark)) for mark in marks)


def test_no_weak_or_guessable_primitive_is_used() -> None:
    """ASVS 6.2.5, 6.3.1, 6.3.2: no MD5, no bare SHA-1, no cipher of our own choosing; what is a secret comes from the system's generator.

    random and numpy's generators make invented plants and seeds of estimates, never a secret: nothing that keeps secrets imports them.
    """
    wrong = []
    for path in (REPOSITORY / "service").rglob("*.py"):
        text = path.read_text("utf-8")
        if re.search(r"hashlib\.(md5|sha1)\b|\bARC4\b|\bmodes\.ECB\b|\bDES\b|uuid\.uuid1\b", text):
            wrong.append((path.name, "weak"))
        of_secrets = re.search(r"\bsecrets\.token|\bhmac\.new|Fernet\(", text)
        if of_secrets and re.search(
            r"^(import random|from random|from numpy\.random)|np\.random\.", text, re.MULTILINE
        ):
            wrong.append((path.name, "guessable"))
    assert wrong == []


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
