"""What every answer carries, and what no page contains."""

from __future__ import annotations

import io
import re

import pytest
from PIL import Image
from structlog.testing import capture_logs

from service.domain.plant.role import Role, Scope
from service.web.base import templating as pages
from service.web.base.security_headers import LARGEST_BODY
from tests.support.web_plant import PASSWORD, WebSite, form_token

PAGES = [
    "/",
    "/tanks/east",
    "/round",
    "/alarms",
    "/journal",
    "/cores",
    "/more",
    "/health",
    "/people",
    "/account",
    "/account/weak-password",
    "/privacy",
    "/audit",
]


def test_every_answer_keeps_browsers_strict(site: WebSite) -> None:
    client = site.client(Role.ADMINISTRATOR)
    for path in [*PAGES, "/sign-in", "/nowhere", "/livez", "/api/v1/tanks", "/api/v1/nowhere", pages.static("app.css")]:
        headers = client.get(path).headers
        policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'", path
        assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'", path
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'", path
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "server" not in headers
        # An answer for programs is never shown as a page of ours.
        assert ("attachment" in headers.get("content-disposition", "")) == path.startswith("/api/"), path
        kind = headers.get("content-type", "nothing" if headers.get("content-length") == "0" else "")
        assert re.search(r"^text/.*; charset=utf-8$|^application/(problem\+)?json$|^nothing$", kind), path
        if not path.startswith("/static"):
            assert headers["cache-control"] == "no-store", path


def test_pages_hold_nothing_inline_and_nothing_from_elsewhere(site: WebSite) -> None:
    """Plants without internet see the whole page; and what the policy forbids is not even tried."""
    client = site.client(Role.ADMINISTRATOR)
    site.plant.believe(site.clock(), 1.0)
    for path in PAGES:
        page = client.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)[^>]*>", page), path
        assert not re.search(r"<[^>]+\s(style|on\w+)=", page), path
        assert not re.search(r"""(src|href|action)=["'](https?:)?//""", page), path
        assert "<style" not in page


def test_a_failure_nobody_foresaw_shows_nothing_and_stays_strict(
    site: WebSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a secret inside")

    client = site.client(Role.VIEWER)
    monkeypatch.setattr("service.web.alarms.words.alarms_in_words", broken)
    answer = client.get("/alarms")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["content-security-policy"]
    answer = client.get("/alarms", headers={"Accept": "application/json"})
    assert answer.headers["content-type"] == "application/problem+json"


def test_what_is_refused_is_logged_with_who_and_from_where(site: WebSite) -> None:
    operator, stranger = site.client(Role.OPERATOR), site.client()
    with capture_logs() as lines:
        operator.get("/people")
        operator.request("DELETE", "/alarms")
        stranger.get("/api/v1/tanks", headers={"Authorization": "Bearer uw_nobodys"})
        stranger.get("/api/v1/tanks/east/estimates?limit=none", headers=site.token(Role.VIEWER, Scope.READ))
        stranger.post("/a/a-key-that-must-not-be-logged", data={"who": "x" * 999})
        stranger.get("/nowhere")
    refused = [line for line in lines if line["event"] == "request refused"]
    assert [(line["status"], line["method"], line["path"], line["person"]) for line in refused[:4]] == [
        (403, "GET", "/people", "Operator Person"),
        (405, "DELETE", "/alarms", ""),
        (401, "GET", "/api/v1/tanks", ""),
        (422, "GET", "/api/v1/tanks/{key}/estimates", ""),
    ]
    assert len(refused) == 5
    assert {line["address"] for line in refused} == {"127.0.0.1"}
    assert "a-key-that" not in str(lines)
    assert "nobodys" not in str(lines)


def test_a_body_beyond_the_limit_is_refused(site: WebSite) -> None:
    client = site.client()
    header = site.token(Role.OPERATOR, Scope.CORES) | {"Content-Type": "application/json"}
    answer = client.post("/api/v1/cores", content=b'{"note": "' + b"x" * LARGEST_BODY + b'"}', headers=header)
    assert answer.status_code == 413
    assert answer.headers["content-security-policy"]
    # Of one field of a form much less is taken (the framework's own limit).
    form = b"form_token=" + b"x" * LARGEST_BODY
    answer = client.post("/sign-in", content=form, headers={"Content-Type": "application/x-www-form-urlencoded"})
    assert answer.status_code == 400
    assert client.get("/livez").status_code == 200


def test_what_somebody_wrote_is_never_taken_for_markup(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    script = "<script>alert(1)</script><img src=x onerror=alert(1)>"
    token = form_token(client.get("/round").text)
    answer = client.post(
        "/round",
        data={
            "form_token": token,
            "tank": "east",
            "value": "3.6",
            "unit": "ft",
            "note": script,
            "taken_by": script,
            "surface": "clear",
        },
    )
    assert "Saved" in answer.text
    for path in ("/cores", "/tanks/east", "/round", "/"):
        page = client.get(path).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page
    assert "&lt;script&gt;" in client.get("/cores").text


def test_a_form_from_another_site_changes_nothing(site: WebSite) -> None:
    client, other = site.client(Role.OPERATOR), site.client(Role.OPERATOR)
    fields = {"tank": "east", "value": "3.6", "unit": "ft"}
    stolen = form_token(other.get("/round").text)
    for data in (
        fields,
        fields | {"form_token": ""},
        fields | {"form_token": stolen},
        fields | {"form_token": "é" * 80},
    ):
        assert client.post("/round", data=data).status_code == 403
    right = form_token(client.get("/round").text)
    elsewhere = client.post("/round", data=fields | {"form_token": right}, headers={"Sec-Fetch-Site": "cross-site"})
    assert elsewhere.status_code == 403
    assert client.post("/round", data=fields | {"form_token": right}).status_code == 200


def test_the_masked_token_never_looks_the_same(site: WebSite) -> None:
    """A compressed page must not give its token away letter by letter."""
    client = site.client(Role.VIEWER)
    assert len({form_token(client.get("/more").text) for _ in range(5)}) == 5


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2f..%2fsettings.py", "/static//etc/passwd"]
)
def test_static_files_end_at_their_folder(site: WebSite, path: str) -> None:
    assert site.client().get(path).status_code == 404


def test_sign_in_is_refused_in_the_address(site: WebSite) -> None:
    assert site.client().get(f"/?name=operator&password={PASSWORD}").status_code == 303


def test_a_phone_finds_an_icon_it_can_install(site: WebSite) -> None:
    """W3C Web Application Manifest: PNG icons of the sizes they say; one to be cut to the phone's shape, filled to its edge."""
    client = site.client()
    icons = client.get("/manifest.webmanifest").json()["icons"]
    sizes = {(icon["sizes"], icon.get("purpose", "any")) for icon in icons}
    assert {("192x192", "any"), ("512x512", "any"), ("512x512", "maskable")} <= sizes
    for icon in icons:
        answer = client.get(icon["src"])
        assert (answer.status_code, answer.headers["content-type"].split(";")[0]) == (200, icon["type"])
        if icon["type"] == "image/png":
            with Image.open(io.BytesIO(answer.content)) as drawn:
                assert f"{drawn.width}x{drawn.height}" == icon["sizes"]
                clear = drawn.convert("RGBA").getchannel("A").getpixel((0, 0)) == 0
            assert clear == (icon.get("purpose") != "maskable")
