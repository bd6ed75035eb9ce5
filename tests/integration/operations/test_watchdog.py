"""That nobody looks at the alarms is told without a database: to whom, when, how often, over real channels."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.alarms.definition import Priority
from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.calls.escalation import EscalationPolicy, EscalationStep, Whom
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.operations.watchdog import Watchdog
from service.notify.channels import gsm7
from service.notify.channels.base import Notifier
from service.notify.channels.http_gateway import HttpGateway, HttpNotifier
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.notify.messages.facts import SitePresentation
from tests.support.http_gateway import Gateway, http_gateway
from tests.support.mail_server import Mailbox, mail_server

MINUTE = timedelta(minutes=1)
ZONE = ZoneInfo("America/New_York")
#: 02:40 on a winter night in the plant's zone.
SEEN = datetime(2026, 1, 14, 7, 40, tzinfo=UTC)
NIGHT = Contact(name="Night operator", email="night@example.org", phone="+15550100101", channels=("sms", "email"))
DAY = Contact(name="Day operator", email="day@example.org", channels=("email",))
CHIEF = Contact(name="Chief", email="chief@example.org", channels=("email",), priorities=(Priority.HIGH,))
QUIET = Contact(name="Laboratory", email="lab@example.org", channels=("email",), priorities=(Priority.LOW,))


class Rig:
    """Ways out, and what arrived."""

    def __init__(self, stack: ExitStack) -> None:
        self.sms: Gateway = stack.enter_context(http_gateway())
        self.mailbox = Mailbox()
        port = stack.enter_context(mail_server(self.mailbox))
        account = SmtpAccount(host="127.0.0.1", port=port, sender="w@example.org", security="none", timeout=60)
        gateway = HttpGateway(channel="sms", url=self.sms.url, body='{"text": "${text}"}')
        self.notifiers: dict[str, Notifier] = {"email": SmtpNotifier(account), "sms": HttpNotifier(gateway)}

    def speak_up(
        self, *, escalations: tuple[EscalationPolicy, ...] = (), after: timedelta | None = 10 * MINUTE
    ) -> Watchdog:
        rota = Rota(
            key="nights",
            zone=ZONE,
            shifts=(
                Shift(
                    name="night",
                    people=(NIGHT.name,),
                    first_day=SEEN.date() - timedelta(days=30),
                    start=time(22),
                    end=time(6),
                ),
            ),
        )
        setup = AlarmSetup(
            definitions=(),
            contacts=(NIGHT, DAY, CHIEF, QUIET),
            site=SitePresentation(name="Alder Creek", zone=ZONE),
            units="us",
            channels=frozenset(self.notifiers),
            rotas=(rota,),
            escalations=escalations,
        )
        return Watchdog(setup, self.notifiers, "pump-house", after)

    def told(self) -> list[tuple[str, str]]:
        """Who was told what, the first words of it; text messages first."""
        texts = [("sms", asked.body.removeprefix('{"text": "')) for asked in self.sms.asked]
        mails = list(zip(self.mailbox.recipients, self.mailbox.subjects, strict=True))
        return [(to, said[:13].strip()) for to, said in (*texts, *mails)]


ESCALATION = EscalationPolicy(
    key="any",
    steps=(
        EscalationStep(after=timedelta(0), whom=Whom.DUTY, name="nights"),
        EscalationStep(after=10 * MINUTE, whom=Whom.EVERYBODY),
    ),
)


@pytest.fixture
def rig() -> Iterator[Rig]:
    with ExitStack() as stack:
        yield Rig(stack)


def test_whoever_is_on_duty_is_called_once_then_everybody_and_all_of_them_hear_of_the_end(rig: Rig) -> None:
    speak_up = rig.speak_up(escalations=(ESCALATION,))
    for minute in range(10):
        assert speak_up.check(SEEN, "The database does not answer.", SEEN + minute * MINUTE) == 0
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 10 * MINUTE) == 1
    assert rig.told() == [("sms", "NOT WATCHED A")]
    for minute in range(11, 40):
        assert speak_up.check(SEEN, "The database does not answer.", SEEN + minute * MINUTE) == 0
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 40 * MINUTE) == 4
    assert [to for to, _ in rig.told()] == ["sms", "sms", "day@example.org", "chief@example.org", "lab@example.org"]
    again = SEEN + 45 * MINUTE
    assert speak_up.check(again, "", again) == 4
    assert [to for to, said in rig.told() if said.startswith("WATCHED AGAIN")] == [
        "sms",
        "day@example.org",
        "chief@example.org",
        "lab@example.org",
    ]
    assert speak_up.check(again, "", again + MINUTE) == 0


def test_what_is_said(rig: Rig) -> None:
    speak_up = rig.speak_up(escalations=(ESCALATION,))
    rig.sms.status = 503
    why = (
        "Database: could not extend file. The database's disk is full: free space, then work goes on by itself. [53100]"
    )
    speak_up.check(SEEN, why, SEEN + 11 * MINUTE)
    (mail,) = rig.mailbox.mails
    expected = (
        "NOT WATCHED Alder Creek since Wed 14 Jan 02:40 EST: Underweir calls nobody. Watch the tanks by hand core; have server"
        " pump-house seen to."
    )
    assert str(mail["Subject"]) == expected
    assert gsm7.shorten(gsm7.plain(expected)) == expected, "one text message holds it"
    said = mail.get_content()
    assert "Watch the tanks by hand core" in said
    assert why in said


def test_a_node_that_stands_by_leaves_the_first_word_to_the_one_at_work(rig: Rig) -> None:
    speak_up = rig.speak_up(escalations=(ESCALATION,))
    rig.sms.status = 503
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 19 * MINUTE, standing_by=True) == 0
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 20 * MINUTE, standing_by=True) == 1
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 79 * MINUTE, standing_by=True) == 0
    assert speak_up.check(SEEN, "The database does not answer.", SEEN + 80 * MINUTE, standing_by=True) == 4
    again = SEEN + 90 * MINUTE
    assert speak_up.check(again, "", again, standing_by=True) == 4
    subjects = [str(mail["Subject"]) for mail in rig.mailbox.mails]
    assert len(subjects) == 9
    assert set(subjects[:5]) == {
        "PERHAPS NOT WATCHED Alder Creek since Wed 14 Jan 02:40 EST: pump-house stands by and hears nothing. Unless another"
        " node's pages open, watch by hand core."
    }
    assert set(subjects[5:]) == {"WATCHED AGAIN Alder Creek: pump-house hears that another node looks at the tanks."}
    assert gsm7.shorten(gsm7.plain(subjects[0])) == subjects[0], "one text message holds it"
    assert "have the servers and the network between them seen to" in rig.mailbox.mails[0].get_content()


def test_without_escalations_who_wants_grave_alarms_is_called(rig: Rig) -> None:
    rig.speak_up().check(SEEN, "", SEEN + 11 * MINUTE)
    assert [to for to, _ in rig.told()] == ["sms", "day@example.org", "chief@example.org"]


def test_a_way_that_fails_is_passed_over_and_where_nobody_first_called_is_reached_everybody_is_called(rig: Rig) -> None:
    speak_up = rig.speak_up(escalations=(ESCALATION,))
    rig.sms.status = 500
    rig.mailbox.unknown = {"night@example.org"}
    assert speak_up.check(SEEN, "", SEEN + 11 * MINUTE) == 3
    assert rig.mailbox.recipients == ["day@example.org", "chief@example.org", "lab@example.org"]


def test_where_no_way_works_it_is_tried_until_one_does(rig: Rig) -> None:
    speak_up = rig.speak_up(escalations=(ESCALATION,))
    rig.sms.status = 500
    rig.mailbox.unknown = {contact.email or "" for contact in (NIGHT, DAY, CHIEF, QUIET)}
    assert speak_up.check(SEEN, "", SEEN + 11 * MINUTE) == 0
    rig.mailbox.unknown = set()
    assert speak_up.check(SEEN, "", SEEN + 12 * MINUTE) == 1
    assert rig.mailbox.recipients == ["night@example.org"]
    assert speak_up.check(SEEN, "", SEEN + 13 * MINUTE) == 0


def test_a_short_gap_is_none_and_who_wants_no_word_gets_none(rig: Rig) -> None:
    speak_up = rig.speak_up()
    for round_ in range(30):
        seen = SEEN + round_ * 5 * MINUTE
        assert speak_up.check(seen, "", seen + 4 * MINUTE) == 0
        assert speak_up.check(seen + 5 * MINUTE, "", seen + 5 * MINUTE) == 0
    assert rig.speak_up(after=None).check(SEEN, "", SEEN + timedelta(hours=9)) == 0
    assert rig.told() == []
