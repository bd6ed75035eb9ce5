"""Pages that are only looked at cannot change anything, and say when the site file on disk is not the one in force."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from sqlalchemy import Engine, text

from service.domain.plant.role import Role
from service.jobs.operations.job_metrics import JobMetrics
from service.storage.database.session import transaction
from service.storage.plant.site_tables import record_version
from service.web.base.plant import Plant
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite


def scribble(plant: Plant) -> None:
    """A page as it must not be: it writes."""
    with transaction(plant.engine) as conn:
        record_version(conn, "written by a page", at=NIGHT, by="a page")


def versions(engine: Engine) -> int:
    with transaction(engine) as conn:
        return int(conn.execute(text("SELECT count(*) FROM site_revision")).scalar_one())


def test_what_is_asked_for_with_get_cannot_write(site: WebSite) -> None:
    site.app.add_api_route("/scribble", scribble, methods=["GET", "HEAD", "POST"])
    client = site.client(Role.ADMINISTRATOR)  # whose session is marked as used all the same
    for method in ("GET", "HEAD"):
        assert client.request(method, "/scribble").status_code >= 500
        assert versions(site.web.engine) == 0
    assert client.post("/scribble").status_code == 200
    assert versions(site.web.engine) == 1, "the same work, asked for as a change, is done"


def test_pages_say_that_another_file_lies_on_disk(site: WebSite) -> None:
    with transaction(site.web.engine) as conn:
        version = record_version(conn, "a = 1", at=NIGHT, by="Chief operator")
    said = "site.toml is not the site file in force"
    site.app.state.plant = replace(site.web, version=version)
    client = site.client(Role.VIEWER)
    assert said not in client.get("/").text
    health = client.get("/health").text
    assert version.short_hash in health
    assert "by Chief operator" in health
    site.app.state.plant = replace(site.web, version=version, file_notice=lambda: said)
    for page in ("/", "/alarms", "/health"):
        assert said in client.get(page).text
    assert said not in site.client().get("/sign-in").text, "no word of it to strangers"


def test_nobody_vouches_for_alarms_that_do_not_fit_their_rows(site: WebSite) -> None:
    engine, client = site.web.engine, site.client()
    book = JobMetrics(engine)
    book.note("evaluate", NIGHT, 0.1, "")
    book.write(NIGHT)
    assert client.get("/readyz/alarms").status_code == 200
    with transaction(engine) as conn:
        conn.execute(text("UPDATE alarm SET described = false WHERE key = (SELECT min(key) FROM alarm)"))
    assert client.get("/readyz/alarms").status_code == 503
    with transaction(engine) as conn:
        version = record_version(conn, "a = 1", at=NIGHT, by="x")
        record_version(conn, "a = 2", at=NIGHT, by="x")
    site.app.state.plant = replace(site.web, version=version)
    assert client.get("/readyz/alarms").status_code == 200, "about to go by the newer version"
    site.clock.forward(timedelta(minutes=6))
    assert client.get("/readyz/alarms").status_code == 503, "but not for ever"


def test_a_drawing_without_data_names_no_limit(site: WebSite) -> None:
    """A tank of which nothing is known is not in warning, and its picture does not say the word."""
    client = site.client(Role.VIEWER)
    assert "limit warning" not in client.get("/tanks/east").text
    assert "no data" in client.get("/tanks/east").text


def test_cores_are_listed_by_day_under_an_address_that_can_be_shared(site: WebSite) -> None:
    local = NIGHT.astimezone(site.web.zone)
    for hours in (1, 2, 30):
        site.plant.core(NIGHT - timedelta(hours=hours), 1.0)
    client = site.client(Role.VIEWER)
    whole = client.get("/cores").text
    assert whole.count('href="/cores/') == 3
    before = (NIGHT - timedelta(hours=30)).astimezone(site.web.zone).date()
    one = client.get(f"/cores?day={before}&tank=east").text
    assert one.count('href="/cores/') == 1
    assert before.strftime("%A %-d %B %Y") in one
    assert f"?tank=east&day={before + timedelta(days=1)}" in one.replace("&amp;", "&"), "the next day keeps the tank"
    assert "None." in client.get(f"/cores?day={local.date() - timedelta(days=9)}").text
    assert client.get("/cores?day=yesterday").status_code == 400
    assert client.get("/cores?day=9999-12-31").status_code < 500
    assert client.get("/cores?day=0001-01-01").status_code < 500
