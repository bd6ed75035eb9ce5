"""The actor of a change: who, through which door; and its line in the audit log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection

from service.calls.contact import Contact
from service.storage.accounts.audit import record_change


class Door(StrEnum):
    """What a record came in through."""

    PAGE = "page"
    API = "API"
    COMMAND = "command"
    SHEET = "sheet"  #: a file of hand cores
    SMS = "SMS"
    LINK = "link"  #: the link in a message: the name is what somebody said, not proven
    DEMO = "demo"


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """Somebody or something that changes a record.

    Parameters
    ----------
    name : as people read it on alarms and in the journal.
    via : the door.
    address : where it came from: network address, host, phone number, file.
    account : as the audit log names them; the name where there is no account.
    email : of the account, by which a contact is known to be the same person.
    """

    name: str
    via: Door
    address: str = ""
    account: str = ""
    email: str = ""

    def contact(self, contacts: Iterable[Contact]) -> Contact | None:
        """The contact who is this person: by name, account or address; None where nobody is."""
        names = {self.name.casefold(), self.account.casefold()}
        mails = {self.email.casefold()} - {""}
        same = (c for c in contacts if c.name.casefold() in names or (c.email or "").casefold() in mails)
        return next(same, None)

    @property
    def source(self) -> str:
        """Where a record came from, in the words kept with it: the file of a sheet, otherwise door and name."""
        return self.address if self.via is Door.SHEET else f"{self.via}, {self.account or self.name}"


def audit(
    conn: Connection, actor: Actor, now: datetime, action: str, subject: str, detail: Mapping[str, Any] | None = None
) -> None:
    """Write a change down in the transaction that makes it."""
    record_change(
        conn,
        at=now,
        actor=actor.account or actor.name,
        via=actor.via,
        action=action,
        subject=subject,
        detail=detail,
        address=actor.address,
    )
