"""A code from the phone after the password: set up, asked for, counted once, taken off."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

import httpx
import pyotp
import pytest
from sqlalchemy import text

from service.domain.plant.role import Role, Scope, SecondFactorRule
from service.errors import InputError
from service.jobs.accounts import people, second_factor
from service.jobs.accounts.people import CodeNeeded, SignedIn
from service.jobs.accounts.second_factor import HALF_WAY, SETTING_UP, FactorKeys
from service.jobs.alarms.evaluate import evaluate
from service.storage.accounts import audit
from service.storage.alarms.alarms import alarms
from service.storage.database.session import transaction
from service.web.accounts.sign_in import CODE_COOKIE
from service.web.base.access import SESSION_COOKIE, Needs
from tests.integration.web.test_access import doors, routes
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.web_plant import PASSWORD, SECRET, WebSite, form_token

STEP = timedelta(seconds=30)
PAGE = "/account/second-factor"


def set_up(site: WebSite, client: httpx.Client, password: str = PASSWORD) -> tuple[pyotp.TOTP, list[str]]:
    """Switch it on as a person does; returns what the phone has now, and the recovery codes."""
    token = form_token(client.get(PAGE).text)
    begun = client.post(PAGE, data={"form_token": token, "password": password})
    assert begun.status_code == 303, begun.text
    shown = client.get(PAGE).text
    phone = pyotp.TOTP("".join(re.findall("<span>([A-Z2-7]{4})</span>", shown)))
    assert phone.secret in re.findall('otpauth://totp/[^"]*secret=([A-Z2-7]+)', shown)
    answer = client.post(f"{PAGE}/confirm", data={"form_token": token, "code": phone.at(site.clock())})
    assert answer.status_code == 200, answer.text
    site.clock.forward(STEP)  # the code just used is over
    return phone, re.findall(r"<li><code>([a-z0-9-]{14})</code>", answer.text)


def half_way(site: WebSite, name: str = "operator", to: str = "/") -> httpx.Client:
    """A browser that gave the right password."""
    client = site.client()
    answer = site.sign_in(client, name, to=to)
    assert answer.headers["location"] == "/sign-in/code"
    assert SESSION_COOKIE not in client.cookies
    return client


def give(client: httpx.Client, code: str) -> httpx.Response:
    """Fill in the form of the second step."""
    page = client.get("/sign-in/code")
    return client.post("/sign-in/code", data={"form_token": form_token(page.text), "code": code})


def required(site: WebSite, rule: SecondFactorRule) -> None:
    site.app.state.plant = replace(site.web, second_factor=rule)


def test_sign_in_asks_for_the_code_and_leads_back(site: WebSite) -> None:
    phone, codes = set_up(site, site.client(Role.OPERATOR))
    assert len(set(codes)) == 10
    client = half_way(site, to="/journal?alarm=east.high")
    assert client.get("/").headers["location"] == "/sign-in"  # the password alone opens nothing
    answer = give(client, phone.at(site.clock()))
    assert answer.status_code == 303
    assert answer.headers["location"] == "/journal?alarm=east.high"
    assert "Operator Person" in client.get("/more").text
    assert site.sign_in(site.client(), "viewer").headers["location"] == "/"  # others are not asked


def test_a_code_counts_once_whoever_sends_it(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    first, second = half_way(site), half_way(site)
    code = phone.at(site.clock())
    assert give(first, code).status_code == 303
    again = give(second, code)
    assert again.status_code == 401
    assert "Wait for the next one" in again.text
    site.clock.forward(STEP)
    assert give(second, code).status_code == 401  # still within the step that drift allows
    assert give(second, phone.at(site.clock())).status_code == 303


def test_the_code_that_set_it_up_signs_nobody_in(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    assert give(half_way(site), phone.at(site.clock() - STEP)).status_code == 401


def test_of_many_who_send_one_code_at_once_one_gets_in(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    code, now = phone.at(site.clock()), site.clock()

    def send(number: int) -> bool:
        came = second_factor.sign_in(
            site.web.engine, FactorKeys(SECRET), "operator", code,
            proven_at=now, address=f"192.0.2.{number}", agent="", now=now,
        )  # fmt: skip
        return isinstance(came, SignedIn)

    with ThreadPoolExecutor(8) as crowd:
        assert sum(crowd.map(send, range(8))) == 1


def test_wrong_codes_wait_like_wrong_passwords_and_the_password_does_not_forgive_them(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    wrong = f"{(int(phone.at(site.clock())) + 1) % 1_000_000:06d}"
    for _ in range(people.FREE_TRIES):
        assert give(half_way(site), wrong).status_code == 401  # with the password anew each time
    client = site.client()
    assert site.sign_in(client, "operator").status_code == 429
    site.clock.forward(timedelta(minutes=1))
    client = half_way(site)
    assert give(client, wrong).status_code == 401
    waiting = give(client, phone.at(site.clock()))
    assert waiting.status_code == 429
    site.clock.forward(timedelta(seconds=int(waiting.headers["retry-after"])))
    assert give(client, phone.at(site.clock())).status_code == 303


def test_a_recovery_code_opens_once(site: WebSite) -> None:
    _, codes = set_up(site, site.client(Role.OPERATOR))
    client = half_way(site)
    assert give(client, codes[3].upper().replace("-", " ")).status_code == 303
    assert "9 recovery codes are left" in client.get("/account").text
    assert give(half_way(site), codes[3]).status_code == 401
    assert give(half_way(site), codes[4]).status_code == 303
    with transaction(site.web.engine) as conn:
        said = [change.action for change in audit.changes(conn, limit=50)]
    assert said.count("recovery code used") == 2


def test_the_second_step_is_bound_to_the_first(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    stranger = site.client()
    assert stranger.get("/sign-in/code").headers["location"] == "/sign-in"
    token = form_token(stranger.get("/sign-in").text)
    data = {"form_token": token, "code": phone.at(site.clock())}
    assert stranger.post("/sign-in/code", data=data).status_code == 401
    signed = site.client(Role.VIEWER).cookies[SESSION_COOKIE]  # signed by us, but for another purpose
    stranger.cookies.set(CODE_COOKIE, signed, path="/sign-in/code")
    assert stranger.post("/sign-in/code", data=data).status_code == 401
    late = half_way(site)
    site.clock.forward(HALF_WAY + STEP)
    answer = give(late, phone.at(site.clock()))
    assert answer.status_code == 401
    assert "begin again with the password" in answer.text
    changed = half_way(site)
    site.clock.forward(STEP)
    people.change_password(site.web.engine, "operator", "another long pass phrase", now=site.clock(), actor="test")
    assert give(changed, phone.at(site.clock())).status_code == 401
    assert SESSION_COOKIE not in changed.cookies


def test_somebody_switched_off_meanwhile_stays_out(site: WebSite) -> None:
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    client = half_way(site)
    people.switch(site.web.engine, "operator", False, now=site.clock(), actor="test")
    assert give(client, phone.at(site.clock())).status_code == 401


def test_it_is_not_on_until_a_code_confirmed_it(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    token = form_token(client.get(PAGE).text)
    assert client.post(PAGE, data={"form_token": token, "password": "wrong horse battery"}).status_code == 400
    assert client.get(f"{PAGE}/code.svg").status_code == 404
    assert client.post(PAGE, data={"form_token": token, "password": PASSWORD}).status_code == 303
    drawn = client.get(f"{PAGE}/code.svg")
    assert drawn.headers["content-type"] == "image/svg+xml; charset=utf-8"
    assert drawn.headers["cache-control"] == "no-store"
    assert "style=" not in drawn.text
    wrong = client.post(f"{PAGE}/confirm", data={"form_token": token, "code": "000000x"})
    assert wrong.status_code == 400
    assert "set its clock" in wrong.text
    assert site.sign_in(site.client(), "operator").headers["location"] == "/"
    site.clock.forward(SETTING_UP + STEP)
    assert client.get(f"{PAGE}/code.svg").status_code == 404  # nobody finds it shown on a screen the next day
    phone, _ = set_up(site, client)
    assert client.get(f"{PAGE}/code.svg").status_code == 404
    assert phone.secret not in client.get(PAGE).text


def test_neither_key_nor_recovery_codes_can_be_read_from_the_database(site: WebSite) -> None:
    phone, codes = set_up(site, site.client(Role.OPERATOR))
    with transaction(site.web.engine) as conn:
        tables = ("second_factor", "recovery_code", "audit_event", "web_session")
        dump = "".join(str(conn.execute(text(f"SELECT * FROM {table}")).all()) for table in tables)
    assert phone.secret not in dump
    assert not [code for code in codes if code in dump or code.replace("-", "") in dump]


def test_switching_it_off_takes_password_and_code(site: WebSite) -> None:
    client = site.client(Role.OPERATOR)
    phone, codes = set_up(site, client)
    token = form_token(client.get(PAGE).text)

    def off(password: str, code: str) -> httpx.Response:
        return client.post(f"{PAGE}/off", data={"form_token": token, "password": password, "code": code})

    assert off("wrong horse battery", phone.at(site.clock())).status_code == 400
    assert off(PASSWORD, phone.at(site.clock() - STEP)).status_code == 400
    assert "On since" in client.get(PAGE).text
    assert off(PASSWORD, phone.at(site.clock())).status_code == 303
    assert site.sign_in(site.client(), "operator").headers["location"] == "/"
    with pytest.raises(InputError, match="begin again"):
        second_factor.sign_in(
            site.web.engine, FactorKeys(SECRET), "operator", codes[0],
            proven_at=site.clock(), address="192.0.2.1", agent="", now=site.clock(),
        )  # fmt: skip


def test_an_administrator_takes_it_off_somebody_who_lost_the_phone(site: WebSite) -> None:
    lost = site.client(Role.OPERATOR)
    set_up(site, lost)
    boss = site.client(Role.ADMINISTRATOR)
    page = boss.get("/people").text
    assert page.count("Turn off two-step sign-in") == 1
    answer = boss.post("/people/operator/second-factor/off", data={"form_token": form_token(page)})
    assert answer.status_code == 303
    assert lost.get("/").headers["location"] == "/sign-in"  # a session may be on the lost phone
    assert site.sign_in(site.client(), "operator").headers["location"] == "/"
    with transaction(site.web.engine) as conn:
        [done] = [one for one in audit.changes(conn, limit=50) if one.action == "second factor taken off"]
    assert (done.actor, done.subject) == ("administrator", "operator")


def test_who_has_to_have_one_can_do_nothing_else_first(site: WebSite) -> None:
    required(site, SecondFactorRule.ADMINISTRATORS)
    assert site.sign_in(site.client(), "supervisor", to="/alarms").headers["location"] == "/alarms"
    client = site.client()
    site.sign_in(client, "administrator", to="/alarms")
    assert client.get("/alarms").headers["location"] == PAGE
    token, let_in = form_token(client.get(PAGE).text), []
    for method, path, route in routes():
        [door] = doors(route)
        if not isinstance(door, Needs) or door.confined:
            continue
        address = re.sub(r"\{(\w+)(?::path)?\}", "x", path)
        answer = client.request(method, address, data={"form_token": token} if method != "GET" else None)
        sent_back = answer.status_code == 303 and answer.headers["location"] == PAGE
        if not sent_back and answer.status_code != 403:
            let_in.append((method, path, answer.status_code))
    assert let_in == []
    phone, _ = set_up(site, client)
    assert client.get("/people").status_code == 200
    again = half_way(site, "administrator")
    assert give(again, phone.at(site.clock())).status_code == 303
    assert again.get("/people").status_code == 200


def test_whoever_signs_in_with_the_provider_is_not_sent_to_set_one_up_here(site: WebSite) -> None:
    """The provider asks for its own second step; here is no password beside which one would count."""
    client = site.client(Role.ADMINISTRATOR)
    required(site, SecondFactorRule.ADMINISTRATORS)
    assert client.get("/alarms").headers["location"] == PAGE
    with transaction(site.web.engine) as conn:
        conn.execute(
            text("UPDATE person SET password_hash = NULL, password_set_at = NULL WHERE name = 'administrator'")
        )
    assert client.get("/alarms").status_code == 200


def test_a_wrong_code_is_answered_at_once_before_it_is_slowed_down(site: WebSite) -> None:
    set_up(site, site.client(Role.OPERATOR))
    client = half_way(site)
    wrong = give(client, "000000")
    assert wrong.status_code == 401
    assert "wrong or was used already" in wrong.text
    assert "Retry-After" not in wrong.headers
    answers = [give(client, "000000") for _ in range(6)]
    slowed = [answer for answer in answers if answer.status_code == 429]
    assert slowed
    assert all(int(answer.headers["Retry-After"]) > 0 for answer in slowed)


def test_everybody_may_be_asked_and_nobody_is_by_default(site: WebSite) -> None:
    viewer = site.client(Role.VIEWER)
    assert viewer.get("/").status_code == 200
    required(site, SecondFactorRule.EVERYBODY)
    assert viewer.get("/").headers["location"] == PAGE
    assert site.client().get("/api/v1/tanks", headers=site.token(Role.VIEWER, Scope.READ)).status_code == 200


def test_a_stricter_rule_and_a_higher_role_count_for_sessions_that_are_open(site: WebSite) -> None:
    boss, operator = site.client(Role.ADMINISTRATOR), site.client(Role.OPERATOR)
    assert boss.get("/people").status_code == 200
    required(site, SecondFactorRule.ADMINISTRATORS)
    assert boss.get("/people").headers["location"] == PAGE
    token = form_token(boss.get(PAGE).text)
    # An open page is not enough to set one up.
    assert boss.post(PAGE, data={"form_token": token, "password": ""}).status_code == 400
    set_up(site, boss)
    people_page = boss.get("/people")
    assert people_page.status_code == 200
    assert operator.get("/alarms").status_code == 200
    boss.post("/people/operator/role", data={"form_token": form_token(people_page.text), "role": "administrator"})
    assert operator.get("/alarms").headers["location"] == PAGE


def test_the_link_in_an_alarm_mail_needs_no_code(site: WebSite) -> None:
    """Whoever is woken at three says "I have it" with what is in the mail, and with nothing else."""
    set_up(site, site.client(Role.OPERATOR))
    required(site, SecondFactorRule.EVERYBODY)
    for minute in range(4):
        site.plant.believe(NIGHT + minute * MINUTE, 0.9)
    for minute in (0, 2, 3):
        now = NIGHT + minute * MINUTE
        evaluate(site.plant.engine, site.plant.model, projected={}, now=now)
    site.clock.now = NIGHT + 3 * MINUTE
    with transaction(site.web.engine) as conn:
        code = next(row.machine.code for row in alarms(conn) if row.key == "east.high")
    link = f"/a/{site.web.links.token('east.high', code, site.clock())}"
    assert "I have it" in site.client().get(link).text
    assert "Night operator has it" in site.client().post(link, data={"who": "Night operator"}).text


def test_another_secret_key_says_what_to_do(site: WebSite) -> None:
    """As after a restore without the key: the password is not enough, and the page does not call the code wrong."""
    phone, _ = set_up(site, site.client(Role.OPERATOR))
    came = people.sign_in(site.web.engine, "operator", PASSWORD, address="192.0.2.1", agent="", now=site.clock())
    assert isinstance(came, CodeNeeded)
    with pytest.raises(InputError, match="an administrator can take it off"):
        second_factor.sign_in(
            site.web.engine, FactorKeys(b"another secret of 32 bytes and more"), "operator", phone.at(site.clock()),
            proven_at=site.clock(), address="192.0.2.1", agent="", now=site.clock(),
        )  # fmt: skip
