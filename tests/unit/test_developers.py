"""The tree in DEVELOPERS.md names every part of the service, and no other; every layer is divided by the same subjects."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def test_the_tree_is_the_tree() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    tree = text.split("service/\n", 1)[1].split("alembic/", 1)[0]
    written = set(re.findall(r"^  (\w+(?:/|\.py))", tree, re.MULTILINE))
    service = ROOT / "service"
    there = {f"{path.name}/" for path in service.iterdir() if path.is_dir() and path.name != "__pycache__"}
    there |= {path.name for path in service.glob("*.py") if not path.name.startswith("__")}
    assert written - {"web/"} == there - {"web/"}


#: Folders of a layer that belong to no subject.
OF_NO_SUBJECT = {
    "domain": set[str](),
    "storage": {"database", "embedded", "trends"},
    "jobs": {"ingest"},
    "web": {"base", "charts", "api", "static", "templates"},
    "cli": {"base"},
}
#: More modules than these are not seen at a glance. The exceptions are one long way each, read from its door.
MANY = 16
LONGER = {"service/domain/blanket", "service"}


def _folders(of: Path) -> set[str]:
    return {path.name for path in of.iterdir() if path.is_dir() and path.name != "__pycache__"}


def _subjects() -> set[str]:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("## The house", 1)[1].split("```", 1)[0]
    return set(re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE))


@pytest.mark.parametrize("layer", OF_NO_SUBJECT)
def test_a_layer_is_divided_by_the_subjects_and_by_nothing_else(layer: str) -> None:
    assert len(_subjects()) == 15
    assert _folders(ROOT / "service" / layer) - OF_NO_SUBJECT[layer] <= _subjects()
    assert _folders(ROOT / "service" / layer) >= OF_NO_SUBJECT[layer]


def test_tests_lie_where_their_subject_lies() -> None:
    for layer in (path for path in (ROOT / "tests/unit").iterdir() if (ROOT / "service" / path.name).is_dir()):
        assert _folders(layer) <= _folders(ROOT / "service" / layer.name), layer.name
    assert _folders(ROOT / "tests/integration") - {"web", "browser"} <= _subjects()


def test_no_folder_holds_more_than_is_seen_at_a_glance() -> None:
    crowded = {}
    for top in ("service", "connectors"):
        for folder in [ROOT / top, *(path for path in (ROOT / top).rglob("*") if path.is_dir())]:
            modules = [path for path in folder.glob("*.py") if not path.name.startswith("__")]
            if len(modules) > MANY and str(folder.relative_to(ROOT)) not in LONGER:
                crowded[str(folder)] = len(modules)
    assert not crowded


def test_every_package_says_what_question_it_answers() -> None:
    for top in ("service", "connectors"):
        for package in (ROOT / top).rglob("__init__.py"):
            assert ast.get_docstring(ast.parse(package.read_text("utf-8"))), package


def test_a_public_class_name_has_one_meaning() -> None:
    found: dict[str, list[str]] = {}
    for top in ("service", "connectors"):
        for path in (ROOT / top).rglob("*.py"):
            for node in ast.parse(path.read_text("utf-8")).body:
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    found.setdefault(node.name, []).append(str(path.relative_to(ROOT)))
    assert {name: places for name, places in found.items() if len(places) > 1} == {}
