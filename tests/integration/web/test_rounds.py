"""Rounds: logged without a core, in words the site may add to; in the shift log, and evidence of what is wrong."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from uuid import uuid4

import httpx
import pytest
from sqlalchemy import text

from service.domain.plant.role import Role, Scope
from service.errors import InputError, StorageError
from service.jobs.cores.round import submit_round
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.storage.cores.rounds import RoundRecord, rounds_between
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT, by
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
        [seen] = [
            r.seen for r in rounds_between(conn, list(site.plant.ids.tanks.values()), NIGHT, NIGHT.replace(hour=23))
        ]
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


def test_a_round_is_corrected_and_withdrawn_with_a_reason_and_counts_no_longer(site: WebSite) -> None:
    operator, supervisor = site.client(Role.OPERATOR), site.client(Role.SUPERVISOR)
    post(operator, tank="east", words=["scum"], torque="40")

    def kept() -> list[RoundRecord]:
        with transaction(site.web.engine) as conn:
            return rounds_between(conn, list(site.plant.ids.tanks.values()), NIGHT, NIGHT.replace(hour=23))

    def sent(client: httpx.Client, verb: str, **typed: object) -> httpx.Response:
        at = f"/rounds/{kept()[0].seen.id}"
        return client.post(f"{at}/{verb}", data={"form_token": form_token(client.get("/rounds").text)} | typed)

    [old] = kept()
    right = {"tank": "west", "words": ["foam"], "torque": "45"}
    assert sent(operator, "correct", **right).status_code == 400  # no reason
    assert sent(operator, "correct", **right, reason="other tank").status_code == 303
    [new] = kept()
    assert (new.seen.tank, new.seen.words, new.seen.torque, new.seen.taken_at) == (
        "west",
        ("foam",),
        0.45,
        old.seen.taken_at,
    )
    assert "other tank" in operator.get(f"/rounds/{old.seen.id}").text
    with pytest.raises(InputError, match="corrected already"), transaction(site.plant.engine) as conn:
        submit_round(
            conn,
            site.plant.model,
            replace(new.seen, id=uuid4()),
            by("Kim"),
            now=NIGHT,
            supersedes=old.seen.id,
            reason="x",
        )
    assert sent(operator, "withdraw", reason="never was").status_code == 403
    assert sent(supervisor, "withdraw", reason=" ").status_code == 400
    assert sent(supervisor, "withdraw", reason="never was").status_code == 303
    assert kept() == []
    assert "This round was withdrawn" in operator.get(f"/rounds/{old.seen.id}").text
    assert "foam" not in operator.get("/shift").text
    assert operator.get(f"/rounds/{uuid4()}").status_code == 404


def test_programs_log_read_and_take_rounds_away(site: WebSite) -> None:
    client = site.client()
    writes, reads = site.token(Role.OPERATOR, Scope.CORES), site.token(Role.VIEWER, Scope.READ)
    body = {
        "id": str(uuid4()),
        "tank": "east",
        "taken_at": NIGHT.isoformat(),
        "words": ["scum", "foam"],
        "torque": 0.4,
        "note": "=1+1",
    }
    for status in (201, 200):
        assert client.post("/api/v1/rounds", json=body, headers=writes).status_code == status
    for wrong in ({"words": ["gold"]}, {"tank": "north"}, {"torque": 40}):
        assert (
            client.post("/api/v1/rounds", json=body | {"id": str(uuid4())} | wrong, headers=writes).status_code == 422
        )
    [found] = client.get("/api/v1/rounds?tank=east", headers=reads).json()["rounds"]
    assert (found["words"], found["torque"], found["note"]) == (["scum", "foam"], 0.4, "=1+1")
    assert client.get("/api/v1/rounds?tank=west", headers=reads).json() == {"rounds": [], "truncated": False}
    assert client.get("/api/v1/rounds?tank=north", headers=reads).status_code == 404
    table = client.get("/api/v1/exports/rounds.csv", headers=reads).text
    [row] = csv.DictReader(io.StringIO(table))
    assert (row["tank"], row["words"], row["torque"], row["note"]) == ("east", "scum; foam", "0.4", "'=1+1")
    assert client.get("/api/v1/exports/rounds.parquet", headers=reads).content.startswith(b"PAR1")


def test_every_page_beyond_the_first_three_stands_under_more(site: WebSite) -> None:
    viewer = site.client(Role.VIEWER)
    for path in ("/permit", "/reports", "/rounds", "/laboratory"):
        assert '<a href="/more" aria-current="page">' in viewer.get(path).text, path
