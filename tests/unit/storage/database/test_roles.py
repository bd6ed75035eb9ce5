"""Whom the owner of the tables lets do what, held against the statements of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.storage.database.roles import DELETABLE, everyday_grants
from service.storage.database.tables import Base

STORAGE = Path(__file__).parents[4] / "service" / "storage"
#: Temporary tables, which are whose session made them.
OF_A_SESSION = {"reading_stage", "going_batch"}
#: Clears the table it is given.
PASSED_ON = {"_clear": {"assessment", "estimate"}}


def deleted_from() -> set[str]:
    """The tables that statements of the code delete from."""
    tables = {mapper.class_.__name__: str(mapper.local_table) for mapper in Base.registry.mappers}
    found: set[str] = set()
    for path in STORAGE.rglob("*.py"):
        code = path.read_text("utf-8")
        found |= set(re.findall(r"DELETE FROM (\w+)", code))
        for name in re.findall(r"\bdelete\((\w+)\)", code):
            found |= PASSED_ON["_clear"] if name == "table" else {tables[name]}
    return found - OF_A_SESSION


def test_everyday_deletes_from_exactly_what_the_code_deletes_from() -> None:
    assert set(DELETABLE) == deleted_from()


@pytest.mark.parametrize("evidence", ["reading", "reading_revision", "batch", "hand_core", "alarm_event", "outbox", "audit_event"])  # fmt: skip
def test_what_was_measured_and_told_is_nothing_that_comes_and_goes(evidence: str) -> None:
    assert evidence in Base.metadata.tables
    assert evidence not in DELETABLE
    assert "DELETE" not in " ".join(everyday_grants("everyday"))
