"""Records, corrects and withdraws rounds: the record and its line in the audit log are one transaction."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from sqlalchemy import Connection

from service.domain.cores.check import CLOCK_SKEW
from service.domain.cores.round import ROUND_WORDS, Round
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.plant.plant import Plant
from service.storage.cores import rounds as store
from service.storage.cores.rounds import RoundRecord, add_round, correct_round

#: Drives are stopped by their guard at about this, over their rating (common practice, no source).
MOST_TORQUE = 2.0


def words_of_rounds(plant: Plant) -> tuple[str, ...]:
    """The words a round offers: the trade's, and the site's own."""
    return tuple(dict.fromkeys((*ROUND_WORDS, *plant.round_words)))


def submit_round(
    conn: Connection,
    plant: Plant,
    seen: Round,
    actor: Actor,
    *,
    now: datetime,
    supersedes: UUID | None = None,
    reason: str = "",
) -> bool:
    """Store a round, or the correction of one; False when it is stored already.

    Raises
    ------
    InputError
        when it says nothing, or nothing that can be, or the round it corrects is not there or was corrected before.
    """
    if seen.tank not in plant.tanks:
        raise InputError("choose a tank")
    known = words_of_rounds(plant)
    if strange := next((word for word in seen.words if word not in known), None):
        raise InputError(f"{strange!r} is not one of the words of a round; they are: {', '.join(known)}")
    if seen.torque is not None and not 0.0 <= seen.torque <= MOST_TORQUE:
        raise InputError(
            f"a torque of {100 * seen.torque:.0f} % is not between 0 and {100 * MOST_TORQUE:.0f} % of the rating"
        )
    if not seen.words and seen.torque is None and not seen.note:
        raise InputError("nothing is marked: mark what was seen, or write that all is well into the note")
    if seen.taken_at > now + CLOCK_SKEW:
        raise InputError("the round is dated ahead of now; check its date and time")
    record = RoundRecord(seen=seen, tank_id=plant.ids.tanks[seen.tank], source=actor.source)
    detail: dict[str, object] = {"tank": seen.tank, "words": list(seen.words)}
    if supersedes is None:
        new, action = add_round(conn, record), "round logged"
    else:
        new, action = correct_round(conn, supersedes, record, reason), "round corrected"
        detail |= {"corrects": str(supersedes), "reason": reason.strip()}
    if new:
        audit(conn, actor, now, action, str(seen.id), detail)
    return new


def withdraw_round(conn: Connection, round_id: UUID, actor: Actor, *, reason: str, now: datetime) -> None:
    """Take back a round that never was; it stays in its history.

    Raises
    ------
    InputError
        when there is no such round, it was corrected or withdrawn before, or the reason is missing.
    """
    store.withdraw_round(conn, round_id, id=uuid4(), at=now, reason=reason, by=actor.name)
    audit(conn, actor, now, "round withdrawn", str(round_id), {"reason": reason.strip()})


def round_values(record: RoundRecord) -> dict[str, Any]:
    """A round for programs; torque as a part of the drive's rating."""
    seen = record.seen
    return {
        "id": seen.id,
        "tank": seen.tank,
        "taken_at": seen.taken_at,
        "recorded_at": seen.recorded_at,
        "words": list(seen.words),
        "torque": seen.torque,
        "taken_by": seen.taken_by,
        "note": seen.note,
        "source": record.source,
        "supersedes": record.supersedes,
        "withdrawn": record.withdrawn,
        "correction_reason": record.correction_reason,
    }
