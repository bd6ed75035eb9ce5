"""Rounds: logged without a core, in words the site may add to; in the shift log, and evidence of what is wrong."""

from __future__ import annotations

import httpx
import pytest
from sqlalchemy import text

from service.domain.plant.role import Role
from service.errors import StorageError
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.storage.cores.rounds import rounds_between
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite, form_token


def post(client: httpx.Client, **typed: object) -> httpx.Response:
    return client.post("/rounds", data={"form_token": form_token(client.get("/rounds").text)} | typed)


def test_a_round_is_logged_and_stands_in_the_shift_log(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    said = post(operator, tank="east", words=["scum", "brushes worn"], torque="40", note="east wind")
    assert said.status_code == 200, said.text
    line = "scum, brushes worn; torque 40 % of the rating; east wind"
    assert line in said.text
    assert line in operator.get("/shift").text
    with transaction(site.web.engine) as conn:
        [seen] = rounds_between(conn, list(site.plant.ids.tanks.values()), NIGHT, NIGHT.replace(hour=23))
    assert (seen.tank, seen.torque, seen.taken_by) == ("east", 0.4, "Operator Person")
    with pytest.raises(StorageError, match="append-only"), transaction(site.plant.engine) as conn:
        conn.execute(text("DELETE FROM surface_round"))


def test_the_sites_own_words_are_offered_and_others_refused(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    assert post(operator, tank="east", words=["gate B sticks"]).status_code == 400
    object.__setattr__(site.web, "round_words", ("gate B sticks",))
    assert 'value="gate B sticks"' in operator.get("/rounds").text
    assert post(operator, tank="east", words=["gate B sticks"]).status_code == 200
    for wrong in ({"tank": "east"}, {"tank": "north", "words": "scum"}, {"tank": "east", "torque": "900"}, {"tank": "east", "torque": "much"}):  # fmt: skip
        assert post(operator, **wrong).status_code == 400, wrong


def test_sludge_at_the_weir_is_no_matter_for_a_round_and_machines_none_for_a_core(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    page = operator.get("/rounds").text
    assert 'value="solids over weir"' not in page
    assert "that calls people at once" in page
    core = operator.get("/round").text
    assert 'value="solids over weir"' in core
    assert 'value="algae on weirs"' not in core


def test_what_a_round_saw_is_evidence(site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.0)
    plant = site.plant.model
    setup = plant.setups[0]

    def chance(mode: str) -> float:
        with transaction(site.plant.engine) as conn:
            found = diagnosis_of(conn, plant, setup, None, site.clock())
        assert found is not None
        return next(f.chance for f in found.ranked if f.mode.value == mode)

    before = chance("algae on the weirs")
    assert post(site.client(Role.OPERATOR), tank="east", words=["algae on weirs"]).status_code == 200
    assert chance("algae on the weirs") > 3.0 * before
