"""Reports mailed by the timetable and cores told at once, through the outbox, to a real mail server."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

from sqlalchemy import Engine

from service.calls.contact import Contact
from service.domain.cores.core import Core, Surface
from service.jobs.calls.deliver import deliver
from service.jobs.cores.core import CoreDraft, submit_core
from service.jobs.reports.mail import mail_reports
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.reports.mailing import Mailing
from service.storage.database.session import transaction
from tests.support.alarm_plant import EAST, MINUTE, NIGHT, NIGHT_OPERATOR, SUPERVISOR, AlarmPlant, by
from tests.support.mail_server import Mailbox, mail_server

SIX = datetime(2026, 1, 15, 11, 0, tzinfo=UTC)  # 06:00 in New York
MAILING = Mailing(to=(SUPERVISOR, NIGHT_OPERATOR), daily=time(6), cores_at_once=True)


def hand_over(plant: AlarmPlant, port: int, now: datetime) -> None:
    account = SmtpAccount(host="127.0.0.1", port=port, sender="underweir@example.org", security="none")
    deliver(plant.engine, plant.setup, {"email": SmtpNotifier(account)}, clock=lambda: now)


def test_no_report_is_mailed_of_a_day_before_the_service_knew_the_plant(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)  # its alarms are defined at NIGHT
    plant.believe(NIGHT - timedelta(days=1), 2.0)  # brought in later, of a time nobody watched
    assert mail_reports(engine, plant.model, MAILING, SIX - timedelta(days=1)) == 0
    assert mail_reports(engine, plant.model, MAILING, SIX) == 2


def test_yesterdays_report_is_mailed_once_with_its_document(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)
    plant.believe(NIGHT, 2.0)
    plant.core(NIGHT, 1.9)
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        assert mail_reports(engine, plant.model, MAILING, SIX - MINUTE) == 0
        assert mail_reports(engine, plant.model, MAILING, SIX) == 2
        for later in (1, 2, 600):  # the timetable goes on, on this node or another
            assert mail_reports(engine, plant.model, MAILING, SIX + later * MINUTE) == 0
        hand_over(plant, port, SIX + MINUTE)
        hand_over(plant, port, SIX + 2 * MINUTE)
    assert sorted(mailbox.recipients) == ["night@example.org", "supervisor@example.org"]
    for mail in mailbox.mails:
        assert mail["Subject"] == "Daily report 2026-01-14, Alder Creek"
        body = mail.get_body(("plain",))
        assert body is not None
        assert "East clarifier" in body.get_content()
        [document] = list(mail.iter_attachments())
        assert document.get_filename() == "daily-2026-01-14.pdf"
        assert document.get_content_type() == "application/pdf"
        assert document.get_content().startswith(b"%PDF-")


def test_a_report_waits_for_a_mail_server_that_is_away(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)
    mail_reports(engine, plant.model, MAILING, SIX)
    hand_over(plant, 9, SIX)  # nobody listens there
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        hand_over(plant, port, SIX + timedelta(hours=1))
    assert len(mailbox.mails) == 2


def log(plant: AlarmPlant, core: Core, told: tuple[Contact, ...], now: datetime) -> None:
    draft = CoreDraft(core=core, typed_value=1.0, typed_unit="m")
    with transaction(plant.engine) as conn:
        submit_core(
            conn,
            replace(plant.model, alarms=replace(plant.setup, told_of_cores=told)),
            EAST.tank,
            draft,
            by("Sam"),
            now=now,
        )


def test_a_core_is_told_at_once_and_once_where_the_site_wants_it(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)
    core = Core(
        id=uuid.uuid4(),
        tank="east",
        taken_at=NIGHT,
        recorded_at=NIGHT,
        thickness=1.0,
        distance_from_wall=0.0,
        surface=(Surface.TURBID,),
        taken_by="Sam",
        note="gusty\nand wet",
    )
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        log(plant, core, (), NIGHT)  # it stands in the shift log
        hand_over(plant, port, NIGHT)
        assert mailbox.mails == []
        other = Core(**{f: getattr(core, f) for f in core.__slots__} | {"id": uuid.uuid4(), "replicate": 2})
        for _ in range(2):  # a phone sends it again after a lost answer
            log(plant, other, MAILING.to, NIGHT)
        hand_over(plant, port, NIGHT)
    subjects = dict(zip(mailbox.recipients, mailbox.subjects, strict=True))
    assert subjects["night@example.org"] == (
        "CORE East clarifier: 9.8 ft under the weir (3.3 ft of sludge), Wed 14 Jan 03:00 EST by Sam. turbid. gusty and wet"
    )
    assert subjects["supervisor@example.org"].startswith("CORE East clarifier: 3.00 m under the weir")
    assert len(subjects) == 2
