"""Checks contacts and recipients: contacts without an address, alarms and reports without a recipient."""

from __future__ import annotations

from service.site.conversion.plant import contact_of, system_alarms, tank_alarms
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known, check_unique
from service.site.rules.tanks import tank_with_size
from service.site.sections.alarm import EVERY_TANK
from service.site.sections.people import ContactSection

_ADDRESS_OF = {"email": "email", "sms": "phone", "webhook": "webhook"}


def check_contacts(draft: Draft, report: Report) -> None:
    """Check that every contact can be reached and every alarm has a recipient."""
    check_unique(draft.contacts, "name", report)
    for entry in draft.contacts:
        _check_reach(entry, report)
        if entry.section.webhook is not None:
            check_known(entry, "webhook", entry.section.webhook, "webhook", draft, report)
        for key in entry.section.tanks or ():
            if key != EVERY_TANK:
                check_known(entry, "tanks", key, "tank", draft, report)
        if entry.section.priorities == ():
            report.warning(
                entry, "priorities", "is empty: this contact is told nothing", "leave it out to be told everything"
            )
    if not draft.contacts and "contact" not in draft.incomplete:
        report.warning(
            None, None, "no contact: alarms are kept, but nobody is told", "write a [[contact]] with name and email"
        )
    elif not draft.incomplete & {"contact", "tank", "alarm"}:
        _check_recipients(draft, report)


def _check_reach(entry: ReadSection[ContactSection], report: Report) -> None:
    contact = entry.section
    if not any(entry.has(name) for name in _ADDRESS_OF.values()):
        report.error(
            entry, "email", "is missing, and phone too: nobody can be reached", "write email, or phone, or both"
        )
        return
    if contact.channels == ():
        report.error(entry, "channels", "is empty: nobody can be reached", "leave it out to use every address there is")
    for channel in contact.channels or ():
        if not entry.has(_ADDRESS_OF[channel]):
            address = _ADDRESS_OF[channel]
            report.error(entry, "channels", f'"{channel}" needs {address}, which is missing', f"write {address} too")


def _check_recipients(draft: Draft, report: Report) -> None:
    contacts = [contact_of(c.section) for c in draft.contacts if not c.unread & {"tanks", "priorities"}]
    if len(contacts) < len(draft.contacts):
        return  # an unreadable contact may be the recipient
    sections = [a.section for a in draft.alarms]
    tanks = [tank for t in draft.tanks if (tank := tank_with_size(t)) is not None]
    planned = [
        *tank_alarms(sections, tanks),
        *system_alarms(sections, [c.section.key for c in draft.connectors], duty=bool(draft.shifts)),
    ]
    without_recipient: dict[tuple[str | None, str], list[str]] = {}
    for p in planned:
        definition = p.definition
        if not any(c.receives(definition.tank, definition.priority) for c in contacts):
            without_recipient.setdefault((definition.tank, definition.priority), []).append(str(definition.kind))
    for (owner, priority), kinds in without_recipient.items():
        whose = f"alarms of {owner}" if owner else "alarms of the service itself"
        names = ", ".join(dict.fromkeys(kinds))
        remedy = f'give a contact priorities with "{priority}"' + (f' and tanks with "{owner}"' if owner else "")
        report.warning(None, None, f"nobody receives {priority}-priority {whose} ({names})", remedy)


def check_reports(draft: Draft, report: Report) -> None:
    """Check that recipients of reports are contacts with an e-mail address, and that something is sent."""
    entry = draft.reports
    if entry is None:
        return
    contacts = {contact.section.name: contact for contact in draft.contacts}
    for name in entry.section.to:
        known = check_known(entry, "to", name, "contact", draft, report)
        if known and name in contacts and not contacts[name].has("email"):
            report.error(entry, "to", f'"{name}" has no e-mail address', f'write email = "…" for the contact "{name}"')
    sends = entry.has("daily") or entry.has("monthly") or entry.section.cores == "at once"
    if not sends and "cores" not in entry.unread:
        report.warning(entry, None, "nothing is sent", 'write daily = "06:00", monthly = "06:00" or cores = "at once"')
