"""The tree in DEVELOPERS.md names every part of the service, and no other."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_tree_is_the_tree() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    tree = text.split("service/\n", 1)[1].split("alembic/", 1)[0]
    written = set(re.findall(r"^  (\w+(?:/|\.py))", tree, re.MULTILINE))
    service = ROOT / "service"
    there = {f"{path.name}/" for path in service.iterdir() if path.is_dir() and path.name != "__pycache__"}
    there |= {path.name for path in service.glob("*.py") if not path.name.startswith("__")}
    assert written - {"web/"} == there - {"web/"}
