"""The files of the migrations: one number each, in one line."""

from __future__ import annotations

import re

from service.storage.database.schema import migrations_folder


def test_each_migration_has_a_number_of_its_own_and_follows_the_one_before() -> None:
    files = sorted((migrations_folder() / "versions").glob("*.py"))
    said = []
    for file in files:
        text = file.read_text()
        found = re.search(r'^revision = "(\d+)"\ndown_revision = (?:"(\d+)"|None)$', text, re.MULTILINE)
        assert found, f"{file.name} has no revision"
        assert file.name.startswith(f"{found[1]}_"), file.name
        said.append((found[1], found[2]))
    numbers = [f"{n:04}" for n in range(1, len(files) + 1)]
    assert said == list(zip(numbers, [None, *numbers[:-1]], strict=True))
