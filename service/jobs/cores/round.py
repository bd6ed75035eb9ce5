"""Records a round: the record and its line in the audit log are one transaction."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection

from service.domain.cores.check import CLOCK_SKEW
from service.domain.cores.round import ROUND_WORDS, Round
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.plant.plant import Plant
from service.storage.cores.rounds import add_round

#: Drives are stopped by their guard at about this, over their rating (common practice, no source).
MOST_TORQUE = 2.0


def words_of_rounds(plant: Plant) -> tuple[str, ...]:
    """The words a round offers: the trade's, and the site's own."""
    return tuple(dict.fromkeys((*ROUND_WORDS, *plant.round_words)))


def submit_round(conn: Connection, plant: Plant, seen: Round, actor: Actor, *, now: datetime) -> bool:
    """Store a round; False when it is stored already.

    Raises
    ------
    InputError
        when it says nothing, or nothing that can be.
    """
    if seen.tank not in plant.tanks:
        raise InputError("choose a tank")
    known = words_of_rounds(plant)
    if strange := next((word for word in seen.words if word not in known), None):
        raise InputError(f"{strange!r} is not one of the words of a round")
    if seen.torque is not None and not 0.0 <= seen.torque <= MOST_TORQUE:
        raise InputError(
            f"a torque of {100 * seen.torque:.0f} % is not between 0 and {100 * MOST_TORQUE:.0f} % of the rating"
        )
    if not seen.words and seen.torque is None and not seen.note:
        raise InputError("nothing is marked: mark what was seen, or write that all is well into the note")
    if seen.taken_at > now + CLOCK_SKEW:
        raise InputError("the round is dated ahead of now; check its date and time")
    new = add_round(conn, plant.ids.tanks[seen.tank], seen, actor.source)
    if new:
        audit(conn, actor, now, "round logged", str(seen.id), {"tank": seen.tank, "words": list(seen.words)})
    return new
