"""Records, corrects and withdraws laboratory results; every door goes through here.

The record and its line in the audit log are one transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID, uuid4

from sqlalchemy import Connection

from service.domain.laboratory.check import RECENT, LaboratoryFinding, check_result, refused
from service.domain.laboratory.result import LaboratoryResult
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.plant.plant import Plant
from service.storage.laboratory import results as store
from service.storage.laboratory.results import (
    LaboratoryRecord,
    correct_result,
    find_result,
    insert_result,
    laboratory_results,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryDraft:
    """A value as a person gave it, not yet checked: in SI, and what was typed.

    Parameters
    ----------
    confirmed : somebody looked again, or nobody can be asked: what is doubtful is stored with its doubt.
    supersedes, reason : the result this one corrects, and why.
    """

    result: LaboratoryResult
    typed_value: float
    typed_unit: str
    confirmed: bool = False
    supersedes: UUID | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryVerdict:
    """What came of a draft: stored (now, or already before), or the findings that stand in the way.

    ``known`` is the same value where it came through another door before: that one is kept, and counts once.
    """

    draft: LaboratoryDraft
    stored: bool
    already: bool = False
    known: LaboratoryRecord | None = None
    findings: tuple[LaboratoryFinding, ...] = ()


def submit_result(
    conn: Connection, plant: Plant, draft: LaboratoryDraft, actor: Actor, *, now: datetime
) -> LaboratoryVerdict:
    """Check a value and store it; a doubtful one is stored only when it was confirmed.

    Parameters
    ----------
    conn : a transaction that the caller commits.

    Raises
    ------
    InputError
        when the result it corrects is not there or was corrected before, or the id is another's.
    """
    result = draft.result
    if result.tank is not None and result.tank not in plant.ids.tanks:
        raise InputError(f"there is no tank {result.tank!r}; there are: {', '.join(plant.tanks)}, or the whole plant")
    tank_id = None if result.tank is None else plant.ids.tanks[result.tank]
    near = laboratory_results(
        conn, [result.kind], result.taken_at - RECENT, result.taken_at + timedelta(minutes=1), [tank_id]
    )
    findings: tuple[LaboratoryFinding, ...] = ()
    # One that is sent again was checked when it came first.
    if find_result(conn, result.id) is None:
        known = next((r for r in near if draft.supersedes is None and _same(r.result, result)), None)
        if known is not None:
            return LaboratoryVerdict(draft=draft, stored=True, already=True, known=known)
        others = [r.result for r in near if r.result.id != draft.supersedes]
        findings = check_result(result, draft.typed_unit, others, now)
        if refused(findings) or (findings and not draft.confirmed):
            return LaboratoryVerdict(draft=draft, stored=False, findings=findings)
    record = LaboratoryRecord(
        result=result,
        tank_id=tank_id,
        typed_value=draft.typed_value,
        typed_unit=draft.typed_unit,
        source=actor.source,
        warnings=tuple(finding.problem for finding in findings),
    )
    detail = {
        "kind": result.kind.value,
        "tank": result.tank or "",
        "typed": f"{draft.typed_value:g} {draft.typed_unit}",
    }
    if draft.supersedes is None:
        new, action = insert_result(conn, record), "laboratory result entered"
    else:
        new, action = correct_result(conn, draft.supersedes, record, draft.reason), "laboratory result corrected"
        detail |= {"corrects": str(draft.supersedes), "reason": draft.reason}
    if new:
        audit(conn, actor, now, action, str(result.id), detail)
    return LaboratoryVerdict(draft=draft, stored=True, already=not new, findings=findings)


def withdraw_result(conn: Connection, result_id: UUID, actor: Actor, *, reason: str, now: datetime) -> None:
    """Take back a value that was never measured; it stays in its history.

    Raises
    ------
    InputError
        when there is no such result, it was corrected or withdrawn before, or the reason is missing.
    """
    store.withdraw_result(conn, result_id, id=uuid4(), at=now, reason=reason, by=actor.name)
    audit(conn, actor, now, "laboratory result withdrawn", str(result_id), {"reason": reason.strip()})


def _same(stored: LaboratoryResult, result: LaboratoryResult) -> bool:
    """Whether a value is one that came before, typed on the page and written into the sheet as well.

    A day's own second test at another minute is a second value; at the same minute, the same number is the same test.
    """
    minute = result.taken_at.replace(second=0, microsecond=0)
    return (
        stored.taken_at.replace(second=0, microsecond=0) == minute
        and (stored.minute, stored.stirred, stored.dilution) == (result.minute, result.stirred, result.dilution)
        and abs(stored.value - result.value) <= 1e-6 * max(abs(stored.value), 1e-6)
    )
