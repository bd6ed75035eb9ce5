"""The day's sheet as people and programs use it: typed, asked about, corrected, exported, and what follows from it."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta

import httpx

from service.domain.laboratory.day import LaboratoryTerms
from service.domain.laboratory.result import LaboratoryKind
from service.domain.plant.role import Role, Scope
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, laboratory_results
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite, form_token


def stored(site: WebSite) -> list[LaboratoryRecord]:
    with transaction(site.web.engine) as conn:
        return laboratory_results(conn)


def post(client: httpx.Client, at: str = "/laboratory", **typed: str) -> httpx.Response:
    page = client.get("/laboratory").text
    seed = re.search(r'name="id" value="([^"]+)"', page)
    sent = {"form_token": form_token(page), "id": seed[1] if seed else "", "tank": ""} | typed
    return client.post(at, data=sent)


def test_the_sheet_is_typed_once_and_tells_what_follows(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    answer = post(
        operator, mixed_liquor_solids="2400", plain_5="620", plain_30="240", return_solids="0.8", return_solids_unit="%solids",
        temperature="59", diluted_30="115", dilution="2",
    )  # fmt: skip
    assert answer.status_code == 200, answer.text
    assert "✓ Saved." in answer.text
    # By hand: 240/2.4, and 115 x 2/2.4.
    assert re.search(r"Sludge index \(SVI\), plain</th>\s*<td><b>100 mL/g</b>", answer.text)
    assert re.search(r"Diluted sludge index \(DSVI\)</th>\s*<td><b>95\.8 mL/g</b>", answer.text)
    assert "Standard Methods 2710 D" in answer.text
    kept = {(r.result.kind, r.result.minute, r.result.dilution): r for r in stored(site)}
    assert len(kept) == 6
    assert kept[LaboratoryKind.RETURN_SOLIDS, None, 1.0].result.value == 8.0
    assert round(kept[LaboratoryKind.TEMPERATURE, None, 1.0].result.value, 6) == 15.0
    assert {r.result.taken_by for r in stored(site)} == {"Operator Person"}


def test_nothing_is_stored_while_one_value_is_in_doubt(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    slip = {"mixed_liquor_solids": "2.4", "plain_30": "240"}
    asked = post(operator, **slip)
    assert asked.status_code == 409
    assert "As 2.40 g/L it would fit" in asked.text
    assert 'value="2.4"' in asked.text
    assert stored(site) == []
    assert post(operator, **slip, confirmed="yes").status_code == 200
    assert len(stored(site)) == 2
    for wrong in ({"plain_30": "many"}, {"plain_30": "1200"}, {"mixed_liquor_solids": "2,400"}, {}, {"plain_30": "1", "tank": "north"}):  # fmt: skip
        assert post(operator, **wrong).status_code == 400, wrong
    assert len(stored(site)) == 2


def test_the_same_form_sent_twice_stores_once(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    page = operator.get("/laboratory").text
    seed = re.search(r'name="id" value="([^"]+)"', page)
    assert seed is not None
    sent = {"form_token": form_token(page), "id": seed[1], "tank": "east", "nitrate": "8"}
    for _ in range(2):
        assert operator.post("/laboratory", data=sent).status_code == 200
    assert [r.result.tank for r in stored(site)] == ["east"]


def test_a_value_is_corrected_and_withdrawn_with_a_reason(site: WebSite) -> None:
    operator, supervisor = site.client(Role.OPERATOR), site.client(Role.SUPERVISOR)
    post(operator, mixed_liquor_solids="2400")
    [old] = stored(site)
    at = f"/laboratory/{old.result.id}"
    assert post(operator, f"{at}/correct", value="2600", unit="mg/L").status_code == 400
    assert post(operator, f"{at}/correct", value="2600", unit="mg/L", reason="wrong crucible").status_code == 303
    [new] = stored(site)
    assert new.result.value == 2.6
    page = operator.get(f"/laboratory/{new.result.id}").text
    assert "wrong crucible" in page
    assert "first version" in page
    assert post(operator, f"/laboratory/{new.result.id}/withdraw", reason="x").status_code == 403
    assert post(supervisor, f"/laboratory/{new.result.id}/withdraw", reason="never measured").status_code == 303
    assert stored(site) == []
    assert "This value was withdrawn" in operator.get(at).text


def test_a_trend_of_the_chosen_kind_is_drawn(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    assert "Nothing of this kind was measured in the last 31 days" in operator.get("/laboratory").text
    post(operator, mixed_liquor_solids="2400", tank="east")
    page = operator.get("/laboratory?tank=east&trend=mixed_liquor_solids&span=7").text
    assert 'aria-label="mixed-liquor solids: 1 values, from 2400 to 2400 mg/L"' in page
    assert "last 7 days for the whole plant" in operator.get("/laboratory?trend=mixed_liquor_solids&span=7").text
    assert operator.get("/laboratory?trend=gold").status_code == 200
    assert operator.get("/laboratory?span=0").status_code == 422


def test_viewers_read_and_do_not_write(site: WebSite) -> None:
    viewer = site.client(Role.VIEWER)
    page = viewer.get("/laboratory").text
    assert "What follows from it" in page
    assert "Type the values" not in page
    token = form_token(viewer.get("/more").text)
    assert viewer.post("/laboratory", data={"form_token": token, "nitrate": "8"}).status_code == 403


def test_the_export_holds_what_was_typed_and_no_formula(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    post(operator, plain_30="240", note="=1+1")
    answer = operator.get("/laboratory/values.csv?days=7")
    assert answer.headers["content-type"].startswith("text/csv")
    [row] = csv.DictReader(io.StringIO(answer.text))
    assert (row["kind"], row["value"], row["unit"], row["minute"], row["note"]) == (
        "settled_volume",
        "240",
        "mL/L",
        "30",
        "'=1+1",
    )
    assert operator.get("/laboratory/values.csv?days=0").status_code == 422


def test_solids_age_and_waste_are_there_once_the_site_says_its_volume_and_its_aim(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    post(operator, mixed_liquor_solids="2400", waste_solids="8000", waste_flow="40000")
    before = operator.get("/laboratory").text
    assert "whoever keeps the site file sets basin_volume under [laboratory]" in before
    object.__setattr__(site.web, "laboratory", LaboratoryTerms(basin_volume=4542.5, target_age=216.0))
    after = operator.get("/laboratory").text
    # 1.2 MG at 2,400 mg/L over 40,000 gpd at 8,000 mg/L: 9.0 d, by hand.
    assert re.search(r"Solids age now</th>\s*<td><b>9\.0 d</b>", after)
    assert re.search(r"Waste of the next day</th>\s*<td><b>40,000 gpd</b>", after)


def test_programs_enter_and_read_values(site: WebSite) -> None:
    client = site.client()
    writes, reads = site.token(Role.OPERATOR, Scope.CORES), site.token(Role.VIEWER, Scope.READ)
    body = {
        "id": "11111111-1111-4111-8111-111111111111", "kind": "settled_volume", "tank": "east", "taken_at": NIGHT.isoformat(), "value": 240,
        "unit": "mL/L", "minute": 30,
    }  # fmt: skip
    assert client.post("/api/v1/laboratory", json=body, headers=writes).status_code == 201
    assert client.post("/api/v1/laboratory", json=body, headers=writes).status_code == 200
    doubtful = body | {"id": "21111111-1111-4111-8111-111111111111", "kind": "mixed_liquor_solids", "unit": "mg/L", "value": 2.4, "minute": None}  # fmt: skip
    asked = client.post("/api/v1/laboratory", json=doubtful, headers=writes)
    assert asked.status_code == 409
    assert "2.40 g/L" in asked.json()["detail"]
    assert client.post("/api/v1/laboratory", json=doubtful | {"unit": "furlong"}, headers=writes).status_code == 422
    assert client.post("/api/v1/laboratory", json=doubtful | {"unit": "g/L"}, headers=writes).status_code == 201
    found = client.get("/api/v1/laboratory?tank=east", headers=reads).json()
    assert [v["value_si"] for v in found["values"]] == [2.4, 240.0] or [v["value_si"] for v in found["values"]] == [
        240.0,
        2.4,
    ]
    assert client.get("/api/v1/laboratory?tank=north", headers=reads).status_code == 404
    figures = client.get("/api/v1/laboratory/figures?tank=east", headers=reads).json()["figures"]
    assert next(f for f in figures if f["key"] == "index_plain")["value_si"] == 100.0
    late = client.get("/api/v1/laboratory", params={"start": (NIGHT + timedelta(hours=1)).isoformat()}, headers=reads)
    assert late.json()["values"] == []


def test_the_months_report_has_the_laboratory_and_every_later_change(site: WebSite) -> None:
    operator = site.client(Role.OPERATOR)
    assert (
        "Laboratory"
        not in operator.get("/reports/daily?date=2026-01-14").text.split("<main", 1)[1].split("</main>", 1)[0]
    )
    post(operator, mixed_liquor_solids="2400", plain_30="240", stirred_30="180")
    old = next(r for r in stored(site) if r.result.kind is LaboratoryKind.MIXED_LIQUOR_SOLIDS)
    post(operator, f"/laboratory/{old.result.id}/correct", value="2500", unit="mg/L", reason="wrong crucible")
    site.clock.forward(timedelta(minutes=1))
    page = operator.get("/reports/daily?date=2026-01-14").text
    # By hand: 240/2.5 and 180/2.5; the first version, 2,400, counts no longer.
    for words in ("Sludge index, plain", "96.0", "Sludge index, stirred", "72.0", "2,500", "wrong crucible"):
        assert words in page, words
    assert "2,400" not in page
