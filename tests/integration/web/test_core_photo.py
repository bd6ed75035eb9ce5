"""A photo with a hand core: kept once, shown to who may see it, taken out for good."""

from __future__ import annotations

import io
import uuid

import httpx
import pytest
from PIL import Image

from service.domain.plant.role import Role, Scope
from service.storage.accounts import audit
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from tests.integration.web.test_api import entry
from tests.support.alarm_plant import NIGHT
from tests.support.photographs import photo
from tests.support.web_plant import WebSite, form_token


@pytest.fixture
def api(site: WebSite) -> httpx.Client:
    """A program with a token that may log cores."""
    client = site.client()
    client.headers.update(site.token(Role.OPERATOR, Scope.CORES, Scope.READ) | {"Accept": "application/json"})
    return client


def test_a_photo_is_kept_once_and_taken_out_for_good(site: WebSite, api: httpx.Client) -> None:
    core = entry()
    address = f"/api/v1/cores/{core['id']}/photo"
    early = api.post(address, content=photo())
    assert (early.status_code, early.json()["detail"]) == (422, "there is no such core")
    assert api.post("/api/v1/cores", json=core).status_code == 201
    assert api.post(address, content=b"no photo").status_code == 422
    assert api.post(address, content=photo()).status_code == 201
    assert api.post(address, content=photo()).status_code == 200, "sent again after a lost answer"
    assert api.post(address, content=photo(50, 50)).json()["detail"] == "this core has a photo already"

    viewer, page = site.client(Role.VIEWER), f"/cores/{core['id']}"
    shown = viewer.get(f"{page}/photo.jpg")
    assert shown.headers["content-type"] == "image/jpeg"
    with Image.open(io.BytesIO(shown.content)) as found:
        assert found.size == (120, 80)
        assert dict(found.getexif()) == {}
    assert f'src="{page}/photo.jpg"' in viewer.get(page).text
    assert "Delete the photo permanently" not in viewer.get(page).text

    supervisor = site.client(Role.SUPERVISOR)
    token = form_token(supervisor.get(page).text)
    assert supervisor.post(f"{page}/photo/remove", data={"form_token": token}).status_code == 400, "no reason"
    gone = supervisor.post(f"{page}/photo/remove", data={"form_token": token, "reason": "a face on it"})
    assert gone.status_code == 303
    assert viewer.get(f"{page}/photo.jpg").status_code == 404
    assert "photo.jpg" not in viewer.get(page).text
    with transaction(site.web.engine) as conn:
        assert [c.action for c in audit.changes(conn) if "photo" in c.action] == ["photo taken out", "photo kept"]


@pytest.mark.parametrize(
    ("sent", "said"), [(photo(), ""), (b"", ""), (b"not one", "The core is saved, but its photo is not")]
)
def test_the_plain_form_carries_it_too(site: WebSite, sent: bytes, said: str) -> None:
    client = site.client(Role.OPERATOR)
    page = client.get("/round?tank=east").text
    typed = {"form_token": form_token(page), "id": str(uuid.uuid4()), "tank": "east", "value": "3.6", "unit": "ft"}
    answer = client.post("/round", data=typed, files={"photo": ("a.jpg" if sent else "", sent, "image/jpeg")})
    assert answer.status_code == 200, answer.text
    assert "Saved" in answer.text
    assert (said in answer.text) if said else ("its photo is not" not in answer.text)
    with transaction(site.web.engine) as conn:
        [record] = current_cores(conn, [site.plant.ids.tanks["east"]])
    assert record.core.taken_at == NIGHT
    assert (client.get(f"/cores/{record.core.id}/photo.jpg").status_code == 200) == (sent == photo())


def test_a_correction_keeps_the_photo_of_what_it_corrects(site: WebSite, api: httpx.Client) -> None:
    core = entry()
    api.post("/api/v1/cores", json=core)
    api.post(f"/api/v1/cores/{core['id']}/photo", content=photo())
    client = site.client(Role.OPERATOR)
    page = client.get(f"/cores/{core['id']}").text
    typed = {"form_token": form_token(page), "tank": "east", "value": "3.8", "unit": "ft", "reason": "misread"}
    done = client.post(f"/cores/{core['id']}/correct", data=typed)
    assert done.status_code == 303
    assert f"/cores/{core['id']}/photo.jpg" in client.get(done.headers["location"]).text


def test_a_core_taken_back_says_so_beside_its_photo(site: WebSite, api: httpx.Client) -> None:
    core = entry()
    api.post("/api/v1/cores", json=core)
    api.post(f"/api/v1/cores/{core['id']}/photo", content=photo())
    client, page = site.client(Role.SUPERVISOR), f"/cores/{core['id']}"
    before = client.get(page).text
    assert "withdrawn" not in before
    form = {"form_token": form_token(before), "reason": "the other tank"}
    done = client.post(f"{page}/withdraw", data=form)
    assert done.status_code == 303
    shown = client.get(page).text
    assert "This core was withdrawn</b> (the other tank): it is not used." in shown
    assert "Its photo is kept as evidence" in shown
    assert "Photo of a withdrawn core" in shown
    assert client.get(f"{page}/photo.jpg").status_code == 200
