"""Signs a month of effluent figures with name and reason; the figures of that moment are kept with the signature."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import Engine

from service.domain.plant.period import Period, PeriodKind
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.effluent.report import read_effluent_report
from service.jobs.plant.plant import Plant
from service.reports.effluent_report import signed_figures
from service.storage.database.session import transaction
from service.storage.effluent.signatures import EffluentSignature, add_signature

LONGEST_REASON = 500


def sign_month(
    engine: Engine, plant: Plant, month: Period, reason: str, actor: Actor, *, id: UUID, now: datetime
) -> EffluentSignature:
    """Sign a month that is over; signing again adds a signature, and what changed is told since the last one.

    Parameters
    ----------
    id : of the signature, so that sending it twice stores it once.

    Raises
    ------
    InputError
        the month is not over, or there is no reason.
    """
    said = " ".join(reason.split())
    if month.span is not PeriodKind.MONTHLY:
        raise InputError("a month is signed, not a day")
    if now < month.end:
        raise InputError(f"{month.name} is not over yet: it can be signed from the first of the next month on")
    if not said:
        raise InputError(
            "the reason is missing: write what is signed and why, such as “reviewed for the monthly report”"
        )
    if len(said) > LONGEST_REASON:
        raise InputError(f"the reason is longer than {LONGEST_REASON} characters: shorten it")
    with transaction(engine) as conn:
        figures = signed_figures(read_effluent_report(conn, plant, month, now).month)
        signature = EffluentSignature(
            id=id, month=month.first, signed_at=now, signed_by=actor.name, reason=said, figures=figures
        )
        if add_signature(conn, signature):
            audit(conn, actor, now, "effluent signed", month.name, {"reason": said, "id": str(id)})
    return signature
