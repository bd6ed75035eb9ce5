"""Checks shifts, escalations and the channels for messages."""

from __future__ import annotations

from typing import Any

from service.errors import ConfigError
from service.site.conversion.on_call import gateway_of, webhook_of
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known, check_unique
from service.site.sections.on_call import EscalationSection, EscalationStepSection
from service.site.sections.quantity import closest_word


def check_on_call(draft: Draft, report: Report) -> None:
    """Check that people are contacts, rotas have shifts, escalations call somebody at once, and channels are usable."""
    check_unique(draft.shifts, "name", report)
    check_unique(draft.escalations, "key", report)
    check_unique(draft.gateways, "key", report)
    check_unique(draft.webhooks, "key", report)
    rotas = tuple(dict.fromkeys(entry.section.rota for entry in draft.shifts))
    for shift in draft.shifts:
        for person in shift.section.people:
            check_known(shift, "people", person, "contact", draft, report)
        if shift.section.weekdays == () and shift.section.on_holidays is not True:
            report.error(shift, "weekdays", "is empty: the shift is never worked", "leave it out for every day")
    for stand_in in draft.stand_ins:
        check_known(stand_in, "person", stand_in.section.person, "contact", draft, report)
        _check_rota(stand_in, "rota", stand_in.section.rota, rotas, draft, report)
        start, end = stand_in.section.start, stand_in.section.end
        if (start.tzinfo is None) == (end.tzinfo is None) and end <= start:
            report.error(stand_in, "end", "is not after start", "write when they hand over again")
    for escalation in draft.escalations:
        _check_escalation(escalation, rotas, draft, report)
    _check_channels(draft, report)


def _check_escalation(
    entry: ReadSection[EscalationSection], rotas: tuple[str, ...], draft: Draft, report: Report
) -> None:
    escalation = entry.section
    if (escalation.start is None) != (escalation.end is None):
        missing = "start" if escalation.start is None else "end"
        report.error(entry, missing, "is missing, but the other end of the hours is there", "write both or neither")
    for step in escalation.steps:
        _check_step(entry, step, rotas, draft, report)
    if all(step.after.total_seconds() > 0 for step in escalation.steps):
        report.error(entry, "steps", "nobody is called at once", 'begin with a step of after = "0 min"')


def _check_step(
    entry: ReadSection[EscalationSection],
    step: EscalationStepSection,
    rotas: tuple[str, ...],
    draft: Draft,
    report: Report,
) -> None:
    named = [word for word in ("duty", "contact", "everybody") if getattr(step, word) is not None]
    if len(named) != 1:
        problem = "a step names nobody" if not named else f"a step names {' and '.join(named)}"
        report.error(entry, "steps", problem, 'write one of duty = "…", contact = "…" or everybody = true')
    if step.contact is not None:
        check_known(entry, "steps", step.contact, "contact", draft, report)
    if step.duty is not None:
        _check_rota(entry, "steps", step.duty, rotas, draft, report)


def _check_rota(
    entry: ReadSection[Any],
    field: str,
    rota: str,
    rotas: tuple[str, ...],
    draft: Draft,
    report: Report,
) -> None:
    if rota in rotas or "shift" in draft.incomplete:
        return
    near = closest_word(rota, rotas)
    remedy = f'did you mean "{near}"?' if near else f'write a [[shift]] with rota = "{rota}"'
    report.error(entry, field, f'no rota "{rota}" is known', remedy)


def _check_channels(draft: Draft, report: Report) -> None:
    for gateway in draft.gateways:
        section = gateway.section
        posts = section.receipts is not None or section.replies is not None
        if posts and section.hook_secret is None:
            report.error(
                gateway, "hook_secret", "is missing: anybody could post receipts and replies", "name the secret's file"
            )
        if section.receipts is not None and section.message_id is None:
            problem = "is missing: a receipt could not be matched with its message"
            report.error(gateway, "message_id", problem, "write where in its answer the gateway names the message")
        try:
            gateway_of(gateway.section, dict.fromkeys(gateway.section.secrets, "x"))
        except ConfigError as error:
            problem = str(error).partition(": ")[2]
            report.error(gateway, None, problem, "templates name ${to}, ${text}, ${key} and the secrets")
    for hook in draft.webhooks:
        try:
            webhook_of(hook.section, dict.fromkeys(hook.section.secrets, "x"), None)
        except ConfigError as error:
            problem = str(error).partition(": ")[2]
            report.error(hook, None, problem, "url and headers name secrets as ${name}")
    channels: list[ReadSection[Any]] = [*draft.gateways, *draft.modems]
    for extra in channels[1:]:
        report.error(extra, None, "is a second way for text messages", "keep one [[gateway]] or one [[modem]]")
    # Not for a contact without a number, which is reported already.
    wants = next(
        (
            c
            for c in draft.contacts
            if c.has("phone") and c.section.channels is not None and "sms" in c.section.channels
        ),
        None,
    )
    if wants is not None and not channels and not draft.incomplete & {"gateway", "modem"}:
        report.warning(wants, "channels", '"sms" has no way out of the plant', "write a [[gateway]] or a [[modem]]")
