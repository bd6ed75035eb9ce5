"""A short run of every fuzzer; a long one is ``python -m tests.fuzz --seconds 3600``."""

from __future__ import annotations

import pytest

from tests.fuzz.__main__ import fuzz
from tests.fuzz.targets import TARGETS, corpus, target


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("name", TARGETS)
def test_a_short_run_finds_no_defect(name: str) -> None:
    with target(name) as read:
        for data in corpus(name):
            read(data)
        fuzz(name, read, number=20260314, examples=60 if name == "modbus" else 200)


def test_a_defect_is_found() -> None:
    def fragile(data: bytes) -> None:
        assert b"time" in data

    with pytest.raises(AssertionError):
        fuzz("csv", fragile, number=1, examples=200)
