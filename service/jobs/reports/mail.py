"""Mails daily and monthly reports, each once."""

from __future__ import annotations

import base64
from datetime import datetime

import structlog
from sqlalchemy import Engine

from service.domain.plant.period import Period
from service.jobs.plant.plant import Plant
from service.jobs.reports.report import read_period
from service.reports.mailing import Mailing
from service.reports.period_document import period_document
from service.reports.rendering.plain_text import as_text
from service.storage.alarms.inputs import first_defined_at
from service.storage.calls.outbox import OutboxMessage, enqueue, existing_keys
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)


def mail_reports(engine: Engine, plant: Plant, mailing: Mailing, now: datetime) -> int:
    """Write the mails of every report that is due into the outbox, and return how many. Run it every minute.

    Days and months that ended before the first alarm was defined have none.
    """
    count = 0
    if "email" not in plant.alarms.channels:
        return count
    for period in mailing.due(plant.alarms.site.zone, now):
        with transaction(engine) as conn:
            known = first_defined_at(conn, list(plant.ids.tanks.values()))
        if not any(first < period.end for first in known.values()):
            continue  # nobody watched yet: a report would say that of a plant whose service is new
        keys = {contact: _key(period, contact.name) for contact in mailing.to if contact.email}
        with transaction(engine) as conn:
            there = existing_keys(conn, list(keys.values()))
        if there.issuperset(keys.values()):
            continue
        subject, text, attached = _mail(engine, plant, period, now)
        messages = [
            OutboxMessage(
                key=key,
                alarm_event_id=None,
                channel="email",
                recipient=contact.email or "",
                payload={
                    "kind": "report",
                    "contact": contact.name,
                    "reason": "asked for by the site file",
                    "occurred_at": None,
                    "subject": subject,
                    "text": text,
                    "attached": [attached],
                },
                created_at=now,
            )
            for contact, key in keys.items()
        ]
        with transaction(engine) as conn:
            count += enqueue(conn, messages)
        log.info("report mailed", report=period.span.value, period=period.name, to=len(messages))
    return count


def _mail(engine: Engine, plant: Plant, period: Period, now: datetime) -> tuple[str, str, dict[str, str]]:
    """Subject, text, and the document as the outbox keeps it."""
    from service.reports.rendering.pdf import as_pdf  # the libraries of documents load slowly

    site = plant.alarms.site
    document = period_document(
        read_period(engine, plant, period, now),
        site=site.name,
        units=plant.alarms.units,
        zone=plant.alarms.site.zone,
        now=now,
    )
    name = f"{period.span}-{period.name}.pdf"
    content = as_pdf(document, units=plant.alarms.units, made_at=now)
    attached = {"name": name, "type": "application/pdf", "content": base64.b64encode(content).decode("ascii")}
    return f"{document.title}, {site.name}", as_text(document), attached


def _key(period: Period, contact: str) -> str:
    return "|".join(("report", period.span.value, period.name, contact))
