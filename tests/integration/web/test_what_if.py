"""Loading and what-if as pages: what is known is shown, what is missing is said, a wrong wish keeps what was typed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from uuid import uuid4

import pytest
from sqlalchemy import Engine

from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.loading.limits import LoadTerms
from service.domain.plant.role import Role, Scope
from service.jobs.laboratory.result import LaboratoryDraft, submit_result
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT, by
from tests.support.flowing_plant import TANKS, store_day
from tests.support.web_plant import WebSite, served


@pytest.fixture
def filled_by() -> None:
    """Nothing: the plant of these tests is another one."""


@pytest.fixture
def flowing(engine: Engine) -> Iterator[WebSite]:
    with served(engine, setups=tuple(TANKS)) as site:
        store_day(engine, site.plant.ids)
        yield site


def test_the_tank_page_shows_loading_and_state_point_and_says_what_is_missing(flowing: WebSite) -> None:
    client = flowing.client(Role.VIEWER)
    page = client.get("/tanks/east").text
    assert 'aria-label="East clarifier. State point picture: overloaded' in page
    assert "would bring it back" in page
    assert "834 gpd/ft2" in page
    west = client.get("/tanks/west").text
    assert "Flow missing: no signal of that kind in the site file." in west
    assert "State point picture" not in west


def test_the_tank_page_answers_when_the_sludge_is_worse_than_its_correlation_knows(engine: Engine) -> None:
    east = replace(TANKS[0], terms=LoadTerms(correlation="wahlberg-keinath-1988"))
    with served(engine, setups=(east, *TANKS[1:])) as site:
        store_day(engine, site.plant.ids, settled=(930.0,))
        page = site.client(Role.VIEWER).get("/tanks/east")
        assert page.status_code == 200
        # The plain index says nothing to a correlation that goes by the stirred one.
        assert "goes by the stirred index" in page.text
        stirred = LaboratoryResult(
            id=uuid4(), kind=LaboratoryKind.SETTLED_VOLUME, tank=None, taken_at=NIGHT, recorded_at=NIGHT, value=930.0, minute=30, stirred=True
        )  # fmt: skip
        solids = replace(
            stirred, id=uuid4(), kind=LaboratoryKind.MIXED_LIQUOR_SOLIDS, value=3.2, minute=None, stirred=False
        )
        with transaction(engine) as conn:
            for result, unit in ((stirred, "mL/L"), (solids, "g/L")):
                draft = LaboratoryDraft(result=result, typed_value=result.value, typed_unit=unit)
                submit_result(conn, site.plant.model, draft, by("Kim"), now=NIGHT)
        page = site.client(Role.VIEWER).get("/tanks/east")
        assert "291 mL/g is beyond the 35 to 220 that wahlberg-keinath-1988 was fitted to" in page.text
        assert site.client(Role.VIEWER).get("/tanks/east/what-if", params={"return_flow": "+20 %"}).status_code == 200


def test_what_if_shows_both_courses_and_changes_nothing(flowing: WebSite) -> None:
    client = flowing.client(Role.VIEWER)
    asked = {"return_flow": "+100 %", "storm": "+20 %", "hours": "3", "out": "west"}
    page = client.get("/tanks/east/what-if", params=asked)
    assert page.status_code == 200
    assert "Return flow 1.59 MGD → 3.17 MGD" in page.text
    assert "Out of service: West clarifier" in page.text
    assert page.text.count("under the weir (") == 12
    assert "Advice only" in page.text
    assert client.get("/tanks/east/what-if").text.count("under the weir (") == 0
    assert client.get("/tanks/nowhere/what-if").status_code == 404


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"return_flow": "lots"}, "is not a flow"),
        ({"storm": "+50 %"}, "Say for how many hours"),
        ({"storm": "+50 %", "hours": "nan"}, "how many hours"),
        ({"out": "east"}, "itself cannot be taken out"),
    ],
)
def test_a_wrong_wish_is_said_and_what_was_typed_stays(flowing: WebSite, asked: dict[str, str], words: str) -> None:
    page = flowing.client(Role.VIEWER).get("/tanks/east/what-if", params=asked)
    assert page.status_code == 400
    assert words in page.text
    if "return_flow" in asked:
        assert 'value="lots"' in page.text


def test_programs_get_the_same_loading(flowing: WebSite) -> None:
    client = flowing.client()
    client.headers.update(flowing.token(Role.VIEWER, Scope.READ) | {"Accept": "application/json"})
    told = client.get("/api/v1/tanks/east/loading").json()
    assert told["state_point"]["verdict"] == "overloaded"
    assert told["figures"]["overflow_rate"]["value"] == pytest.approx(834.0, rel=0.01)
    assert {i["kind"]: i["standing"] for i in told["inputs"]}["settled_volume"] == "used"
    assert client.get("/api/v1/tanks/west/loading").json()["state_point"] is None
    assert client.get("/api/v1/tanks/nowhere/loading").status_code == 404


def test_the_tank_page_says_what_may_be_wrong_and_the_what_if_page_what_helps(flowing: WebSite) -> None:
    client = flowing.client(Role.VIEWER)
    page = client.get("/tanks/east").text
    assert "What is wrong, and what helps" in page
    assert "Thickening overload" in page
    assert "× " in page  # every chance with its ratios
    assert "engineering judgement" in page
    ranked = client.get("/tanks/east/what-if").text
    assert "What the site can do now" in ranked
    assert "return of this tank at 2.06 MGD" in ranked
    west = client.get("/tanks/west/what-if").text
    assert "cannot be judged without flow, return flow" in west
