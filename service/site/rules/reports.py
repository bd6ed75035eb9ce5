"""Reports nobody gets, and contacts who cannot be mailed."""

from __future__ import annotations

from service.site.reading.report import Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known


def check_reports(draft: Draft, report: Report) -> None:
    """Whoever is to get reports is a contact with an address, and something is sent."""
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
