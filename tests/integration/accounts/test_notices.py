"""Changes to somebody's account told to them, through the outbox, to a real mail server."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pyotp
import pytest
from sqlalchemy import Engine

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import password as password_rules
from service.jobs.accounts import people, second_factor
from service.jobs.accounts.notices import TELL_WITHIN, tell_owners
from service.jobs.accounts.second_factor import FactorKeys
from service.jobs.calls.deliver import deliver
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant
from tests.support.mail_server import Mailbox, mail_server

PASSWORD, NEXT = "six heron marsh lantern", "four quiet copper bells"
STEP = timedelta(seconds=30)
KEYS = FactorKeys(b"an invented secret of more than 32 bytes")


def told(engine: Engine, plant: AlarmPlant, now: datetime) -> list[tuple[str, str, str]]:
    """What arrives when the timetable comes by: to whom, subject and text."""
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        tell_owners(engine, plant.setup, now)
        account = SmtpAccount(host="127.0.0.1", port=port, sender="underweir@example.org", security="none")
        deliver(engine, plant.setup, {"email": SmtpNotifier(account)}, clock=lambda: now)
    found = []
    for mail in mailbox.mails:
        body = mail.get_body(("plain",))
        assert body is not None
        found.append((str(mail["To"]), str(mail["Subject"]), body.get_content()))
    return found


def subjects(found: list[tuple[str, str, str]]) -> list[str]:
    return [subject.removeprefix("Your account: ").removesuffix(", Alder Creek") for _, subject, _ in found]


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    """A plant with an operator who left an address and a viewer who did not."""
    built = AlarmPlant.build(engine)
    for name, email in (("ines", "ines@example.org"), ("abe", "")):
        people.add(
            engine,
            name=name,
            label=name.title(),
            role=Role.OPERATOR,
            password=PASSWORD,
            now=NIGHT,
            actor="boss",
            email=email,
        )
    return built


def test_what_others_change_is_told_once(engine: Engine, plant: AlarmPlant) -> None:
    for name in ("ines", "abe"):
        people.change_password(engine, name, NEXT, now=NIGHT, actor="boss")
        people.change_role(engine, name, Role.SUPERVISOR, now=NIGHT, actor="boss")
    found = told(engine, plant, NIGHT + MINUTE)
    assert subjects(found) == ["the password was changed", "the role was changed"]
    assert {to for to, _, _ in found} == {"ines@example.org"}
    _, _, text = found[0]
    assert "your account ines" in text
    assert "By: boss" in text
    assert NEXT not in text
    assert told(engine, plant, NIGHT + 2 * MINUTE) == []


def test_a_second_factor_set_up_taken_off_and_misused_is_told(engine: Engine, plant: AlarmPlant) -> None:
    with transaction(engine) as conn:
        ines = people.person_of(conn, "ines")
    second_factor.begin(engine, KEYS, ines, NIGHT)
    key = second_factor.pending(engine, KEYS, ines, NIGHT)
    assert key is not None
    phone = pyotp.TOTP(key)
    codes = second_factor.confirm(engine, KEYS, ines, phone.at(NIGHT), NIGHT)

    def give(code: str, now: datetime) -> object:
        return second_factor.sign_in(
            engine, KEYS, "ines", code, proven_at=now, address="192.0.2.7", agent="", now=now
        )  # fmt: skip

    now = NIGHT + STEP
    assert isinstance(give(phone.at(now), now), people.SignedIn)
    assert isinstance(give(phone.at(now), now), people.TurnedAway)  # over a shoulder
    assert isinstance(give(codes[0], now), people.SignedIn)
    second_factor.take_off(engine, "ines", now=now, actor="boss")
    found = told(engine, plant, now + MINUTE)
    assert subjects(found) == [
        "a second step at sign-in was set up",
        "a code from the phone was sent a second time, and refused",
        "a recovery code was used to sign in or to switch the second step off",
        "the second step at sign-in was taken off",
    ]
    assert "from 192.0.2.7" in found[1][2]
    assert not [code for code in (key, *codes) for _, _, text in found if code in text]


def test_a_browser_that_is_new_and_a_password_that_is_guessed_early_are_told(
    engine: Engine, plant: AlarmPlant, monkeypatch: pytest.MonkeyPatch
) -> None:
    with transaction(engine) as conn:
        ines = people.person_of(conn, "ines")
    people.note_new_browser(engine, ines, address="192.0.2.7", agent="an odd browser", now=NIGHT)
    monkeypatch.setattr(password_rules, "rules", lambda: "newer lists")
    monkeypatch.setattr(password_rules, "_guesses", lambda *_: 1.0)
    came = people.sign_in(engine, "ines", PASSWORD, address="192.0.2.7", agent="", now=NIGHT)
    assert isinstance(came, people.SignedIn)
    assert came.weak
    found = told(engine, plant, NIGHT + MINUTE)
    assert subjects(found) == [
        "somebody signed in with a browser that was not used for it before",
        "the password is one that is guessed early; choose another on the page of your account",
    ]
    assert "from 192.0.2.7" in found[0][2]


def test_the_address_before_hears_that_it_is_one_no_more(engine: Engine, plant: AlarmPlant) -> None:
    people.change_email(engine, "ines", "elsewhere@example.net", now=NIGHT, actor="ines")
    people.issue_token(engine, "ines", purpose="a logger", scopes=[Scope.READ], now=NIGHT, actor="ines")
    found = told(engine, plant, NIGHT + MINUTE)
    assert sorted(to for to, _, _ in found) == ["elsewhere@example.net", "elsewhere@example.net", "ines@example.org"]
    assert "By: with your own account" in found[0][2]


def test_what_is_no_address_is_refused(engine: Engine, plant: AlarmPlant) -> None:
    for wrong in ("ines", "ines@example", "ines@example.org\nBcc: all@example.org"):
        with pytest.raises(InputError, match="is not an e-mail address"):
            people.change_email(engine, "ines", wrong, now=NIGHT, actor="ines")


def test_nothing_waits_for_a_mail_server_that_is_not_there_and_nothing_old_is_told(
    engine: Engine, plant: AlarmPlant
) -> None:
    people.change_password(engine, "ines", NEXT, now=NIGHT, actor="boss")
    assert tell_owners(engine, replace(plant.setup, channels=frozenset({"sms"})), NIGHT) == 0
    assert tell_owners(engine, plant.setup, NIGHT + TELL_WITHIN + MINUTE) == 0
