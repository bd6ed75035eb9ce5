"""Records work on a sensor: as found, as left, by whom, why. The drift starts anew from it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from uuid import UUID, uuid4

from sqlalchemy import Connection, Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.fusion import PIVOT_SHARE
from service.domain.cores.check import CLOCK_SKEW
from service.domain.cores.core import Calibration
from service.domain.plant.units import UnitSystem
from service.domain.sensors.drift_history import drift_history
from service.domain.sensors.review import usual_height_of
from service.domain.sensors.work_check import believed_error, check_work
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.storage.cores.pairs import pairs_of
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.sensors.calibrations import (
    CalibrationRecord,
    correct_calibration,
    current_calibrations,
    find_calibration,
    insert_calibration,
    withdraw_calibration,
)


def record_work(
    engine: Engine,
    setup: TankSetup,
    ids: SiteIds,
    work: Calibration,
    actor: Actor,
    *,
    now: datetime,
    units: UnitSystem,
    note: str = "",
    typed: tuple[str, str] = ("", ""),
    confirmed: bool = False,
    id: UUID | None = None,
    supersedes: UUID | None = None,
    correction_reason: str = "",
) -> CalibrationRecord:
    """Store work on a sensor, with its line in the audit log; offsets are sensor minus truth, in the tank's frame. [m]

    Parameters
    ----------
    actor : who records it, and through which door.
    typed : what was typed as found and as left, kept beside the errors made of it.
    confirmed : the person was shown the doubts (`doubts_of_work`), and stands by the record.
    id : the sender's own, so that sending twice records once.
    supersedes : the record this one corrects; None for new work.

    Raises
    ------
    InputError
        when the work cannot have been: in the future, or leaving an error larger than the tank; when it contradicts what the
        cores say and was not confirmed.
    """
    record = CalibrationRecord(
        id=id or uuid4(),
        calibration=work,
        signal_id=ids.signals[work.tag],
        recorded_at=now,
        note=note,
        as_found_typed=typed[0],
        as_left_typed=typed[1],
    )
    with transaction(engine) as conn:
        doubts = doubts_of_work(conn, setup, ids, work, units, now=now, id=record.id, supersedes=supersedes)
        if doubts and not confirmed:
            raise InputError(f"{' '.join(doubts)} If it is correct all the same, record it again with --yes.")
        if supersedes is None:
            stored = insert_calibration(conn, record)
        else:
            stored = correct_calibration(conn, supersedes, record, correction_reason)
            record = replace(record, supersedes=supersedes, correction_reason=correction_reason)
        if stored:
            detail = {"sensor": work.tag, "kind": work.kind.value, "why": work.reason}
            if doubts:
                detail["confirmed"] = " ".join(doubts)
            if supersedes is not None:
                detail |= {"corrects": str(supersedes), "reason": correction_reason}
            done = "recorded" if supersedes is None else "corrected"
            audit(conn, actor, now, f"calibration {done}", str(record.id), detail)
    return record


def doubts_of_work(
    conn: Connection,
    setup: TankSetup,
    ids: SiteIds,
    work: Calibration,
    units: UnitSystem,
    *,
    now: datetime,
    id: UUID,
    supersedes: UUID | None = None,
) -> tuple[str, ...]:
    """What has to be confirmed before work is recorded: where it contradicts the cores before it. Nothing once it is recorded.

    Parameters
    ----------
    id, supersedes : of the record, and of the one it corrects, which says nothing of itself.

    Raises
    ------
    InputError
        when the work cannot have been: in the future, or leaving an error larger than the tank.
    """
    depth = setup.tank.side_water_depth
    if work.at > now + CLOCK_SKEW:
        raise InputError(f"the work on {work.tag} lies in the future; was the date or the time zone mistyped?")
    for words, offset in (("as found", work.as_found_offset), ("as left", work.as_left_offset)):
        if offset is not None and abs(offset) > depth:
            raise InputError(
                f"{words}: an error of {offset:.2f} m is more than the tank is deep; was the unit mistyped?"
            )
    if not work.reason.strip():
        raise InputError("say why the work was done: it is what the next technician will ask")
    if (work.as_found_offset is None and work.as_left_offset is None) or find_calibration(conn, id) is not None:
        return ()
    signal_id, tank = ids.signals[work.tag], setup.tank
    earlier = [one.calibration for one in current_calibrations(conn, [signal_id], end=work.at) if one.id != supersedes]
    pairs = [pair for pair in pairs_of(conn, [signal_id]) if pair.time < work.at]
    pivot = PIVOT_SHARE * tank.side_water_depth
    history = drift_history(pairs, earlier, tank.side_water_depth, pivot)
    above = usual_height_of(history, tank) - pivot
    return check_work(work, believed_error(history, work.at.timestamp(), above), units)


def withdraw_work(engine: Engine, calibration_id: UUID, actor: Actor, *, id: UUID, reason: str, now: datetime) -> None:
    """Take recorded work back: it never was. It stays in its history.

    Raises
    ------
    InputError
        when there is no such record, it was corrected or withdrawn before, or the reason is missing.
    """
    with transaction(engine) as conn:
        if withdraw_calibration(conn, calibration_id, id=id, at=now, reason=reason):
            audit(conn, actor, now, "calibration withdrawn", str(calibration_id), {"reason": reason.strip()})
