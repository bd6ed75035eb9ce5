"""The schema stays fit for a distributed PostgreSQL: large tables are spread by one column that is in every key and statement.

What such systems ask of a table is common practice: the distribution column is part of the primary key and of every unique
index, foreign keys go to tables that are copied to every node or include that column, and statements name it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import PrimaryKeyConstraint, Table, UniqueConstraint

from service.storage.database.tables import DISTRIBUTED, PARTITIONED, REFERENCE, Base

STORAGE = Path(__file__).parents[4] / "service" / "storage"
TABLES: list[Table] = [Base.metadata.tables[name] for name in DISTRIBUTED]

#: Statements that speak of a whole table, a month or whatever is due, and would run on each node by itself. Each names why.
ON_EVERY_NODE = {
    "archived.py": "a month is moved or put back whole, owner by owner in its rows",
    "old_batches.py": "what still names a batch is asked where it lies",
    "partitions.py": "partitions are made on every node",
    "rollups.py": "what is due is taken up where it lies",
    "recompute.py": "what is due is taken up where it lies",
    "checkpoints.py": "checkpoints are thinned where they lie",
}
_NAMED = re.compile(rf"\b(?:FROM|JOIN|INTO|UPDATE|USING)\s+(?:ONLY\s+)?({'|'.join(DISTRIBUTED)})\b")


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_the_distribution_column_leads_every_key(table: Table) -> None:
    column = DISTRIBUTED[table.name]
    assert not table.c[column].nullable
    keys = [c for c in table.constraints if isinstance(c, PrimaryKeyConstraint | UniqueConstraint)]
    assert keys
    for key in keys:
        assert next(iter(key.columns)).name == column, key.name
    for index in table.indexes:
        if index.unique:
            assert column in index.columns, index.name


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_foreign_keys_stay_on_the_node(table: Table) -> None:
    for key in table.foreign_keys:
        assert key.column.table.name in REFERENCE, f"{key.parent} refers to {key.column}, which may be on another node"


def test_nothing_refers_to_a_row_of_a_large_table() -> None:
    for table in Base.metadata.tables.values():
        for key in table.foreign_keys:
            assert key.column.table.name not in DISTRIBUTED, f"{key.parent} refers to {key.column}"


def test_every_partitioned_table_is_distributed_and_keyed_by_time_too() -> None:
    for name in PARTITIONED:
        assert [column.name for column in Base.metadata.tables[name].primary_key] == [DISTRIBUTED[name], "time"]


def test_every_table_that_names_a_signal_or_a_time_series_is_placed() -> None:
    """A new table keyed by signal or tank and time is large: it has to say what it is spread by."""
    for table in Base.metadata.tables.values():
        key = [column.name for column in table.primary_key]
        if "time" in key:
            assert table.name in DISTRIBUTED, f"{table.name} is keyed by {key}: name its column in DISTRIBUTED"


def test_every_statement_on_a_large_table_names_its_distribution_column() -> None:
    found = 0
    for path in sorted(STORAGE.rglob("*.py")):
        if path.name in ON_EVERY_NODE:
            continue
        for words in _texts(path):
            for name in _NAMED.findall(words):
                found += 1
                assert re.search(rf"\b(\w+\.)?{DISTRIBUTED[name]}\b", words), f"{path.name}: {words}"
    assert found > 10


def test_the_exceptions_are_still_there() -> None:
    assert set(ON_EVERY_NODE) <= {path.name for path in STORAGE.rglob("*.py")}


def _texts(path: Path) -> Iterator[str]:
    """Every text of a module, pieces of one put together and what is filled in left out."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.JoinedStr):
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
