"""Mails the owner of an account about changes to it, so that they notice what they did not do.

Read from the audit log, where every change stands whoever made it: pages, the command line, the identity provider.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

import structlog
from sqlalchemy import Engine

from service.domain.plant.display import format_local_time
from service.jobs.alarms.setup import AlarmSetup
from service.storage.accounts.audit import AuditRecord, changes_since
from service.storage.accounts.people import PersonRecord, people
from service.storage.calls.outbox import OutboxMessage, enqueue, existing_keys
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)

#: What is older is not told any more.
TELL_WITHIN = timedelta(days=1)

EMAIL_CHANGED = "e-mail address changed"
#: What an audit line means to whom it happened to; nothing in these words helps anybody in.
WORDS = {
    "password changed": "the password was changed",
    EMAIL_CHANGED: "the e-mail address for notices like this one was changed",
    "role changed": "the role was changed",
    "second factor switched on": "a second step at sign-in was set up",
    "second factor switched off": "the second step at sign-in was switched off",
    "second factor taken off": "the second step at sign-in was taken off",
    "recovery code used": "a recovery code was used to sign in or to switch the second step off",
    "one-time code used again": "a code from the phone was sent a second time, and refused",
    "token made": "a token was made with which a program acts for you",
    "new browser used": "somebody signed in with a browser that was not used for it before",
    "weak password used": "the password is one that is guessed early; choose another on the page of your account",
    "person switched off": "the account was switched off",
    "person switched on": "the account was switched on again",
}


def tell_owners(engine: Engine, setup: AlarmSetup, now: datetime) -> int:
    """Write a mail for every change of the last day that was not told yet, and return how many. Run it every minute."""
    if "email" not in setup.channels:
        return 0
    with transaction(engine) as conn:
        owners = {person.name: person for person in people(conn)}
        messages = [
            message
            for change in changes_since(conn, now - TELL_WITHIN, tuple(WORDS))
            for message in _messages(setup, change, owners.get(change.subject), now)
        ]
        there = existing_keys(conn, [message.key for message in messages])
        count = enqueue(conn, [message for message in messages if message.key not in there])
    if count:
        log.info("owners of accounts told", messages=count)
    return count


def _messages(
    setup: AlarmSetup, change: AuditRecord, owner: PersonRecord | None, now: datetime
) -> Iterable[OutboxMessage]:
    if owner is None:
        return
    # The address before it was changed hears of that too: whoever changed it may not be its owner.
    addresses = [owner.email, *(change.detail.values() if change.action == EMAIL_CHANGED else ())]
    site = setup.site
    what = WORDS[change.action]
    by = "with your own account" if change.actor == owner.name else change.actor
    by += f", from {change.address}" if change.address else ""
    for address in sorted({address for address in addresses if address}):
        yield OutboxMessage(
            key=f"account|{change.id}|{address}",
            alarm_event_id=None,
            channel="email",
            recipient=address,
            payload={
                "kind": "account",
                "contact": owner.label,
                "reason": "their account was changed or used",
                "occurred_at": None,
                "subject": f"Your account: {what}, {site.name}",
                "text": (
                    f"{site.name}: your account {owner.name} with Underweir. {what[:1].upper()}{what[1:]}.\n\n"
                    f"When: {format_local_time(change.at, site.zone)}\n"
                    f"By: {by}\n\n"
                    "If you did it, or asked for it, there is nothing to do. If not, tell an administrator of Underweir at\n"
                    "once: somebody may know your password.\n"
                ),
            },
            created_at=now,
        )
