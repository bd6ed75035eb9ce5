"""The audit log can be added to and read, and never changed."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine, text

from service.errors import StorageError
from service.storage.accounts.audit import changes, record_change
from service.storage.database.session import transaction
from tests.support.plant import NIGHT


def test_what_was_changed_is_listed_newest_first_and_paged(engine: Engine) -> None:
    with transaction(engine) as conn:
        for number in range(5):
            record_change(conn, at=NIGHT, actor="sam", action=f"did {number}", subject="x", detail={"n": number})
        first = changes(conn, limit=2)
        rest = changes(conn, before=first[-1].id)
    assert [c.action for c in (*first, *rest)] == ["did 4", "did 3", "did 2", "did 1", "did 0"]


@pytest.mark.parametrize(
    "change", ["UPDATE audit_event SET actor = ''", "DELETE FROM audit_event", "TRUNCATE audit_event"]
)
def test_it_cannot_be_changed(engine: Engine, change: str) -> None:
    with pytest.raises(StorageError, match="append-only"), transaction(engine) as conn:
        conn.execute(text(change))
