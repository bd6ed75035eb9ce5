"""A real browser in front of the real server."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import Engine

from tests.support.web_plant import WebSite, served, settled


@pytest.fixture
def filled_by() -> Callable[[str], None] | None:
    """The usual plant and its people are in the database already."""
    return settled


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    """A server of this test's own."""
    with served(engine) as found:
        yield found
