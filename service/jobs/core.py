"""A hand core logged, corrected or withdrawn by a person, checked against what is known of the tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy import Connection, Engine

from service.domain.core import Core
from service.domain.core_check import (
    CoreFinding,
    Expectation,
    check_core,
    expected_from_cores,
    refused,
)
from service.domain.tank import Tank
from service.domain.units import UnitSystem
from service.storage.cores import CoreRecord, correct_core, current_cores, insert_core
from service.storage.estimates import latest_estimates
from service.storage.outbox import OutboxMessage, put
from service.storage.session import transaction

#: An estimate older than this says little about a core; the recent cores are asked instead.
ESTIMATE_COUNTS_FOR = timedelta(hours=2)
#: How far back the recent cores are looked up.
CORES_COUNT_FOR = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """What came of logging a core: stored (now, or already before), or the findings that stand in the way."""

    stored: bool
    already: bool
    findings: tuple[CoreFinding, ...]
    expected: Expectation | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedCore:
    """A core as a person gave it: the core in SI, and what was typed."""

    core: Core
    typed_value: float
    typed_unit: str
    source: str


def log_core(
    engine: Engine,
    tank: Tank,
    tank_id: int,
    typed: TypedCore,
    *,
    units: UnitSystem,
    now: datetime,
    confirmed: bool = False,
    supersedes: UUID | None = None,
    reason: str = "",
    messages: Sequence[OutboxMessage] = (),
) -> Logged:
    """Check a core and store it; a doubtful one is stored only when *confirmed*.

    Parameters
    ----------
    supersedes : the core this one corrects; None for a new one.
    reason : why it is corrected.
    messages : to leave with the core, once it is stored.

    Raises
    ------
    InputError
        when the core it corrects is not there or was corrected before.
    """
    with transaction(engine) as conn:
        expected = expected_height(conn, tank, tank_id, typed.core.taken_at, leave_out=supersedes)
        findings = check_core(typed.core, tank, now=now, units=units, typed_unit=typed.typed_unit, expected=expected)
        if refused(findings) or (findings and not confirmed):
            return Logged(stored=False, already=False, findings=findings, expected=expected)
        record = CoreRecord(
            core=typed.core,
            tank_id=tank_id,
            typed_value=typed.typed_value,
            typed_unit=typed.typed_unit,
            source=typed.source,
            warnings=_words(findings),
        )
        if supersedes is None:
            new = insert_core(conn, record)
        else:
            new = correct_core(conn, supersedes, record, reason)
        if new:
            put(conn, messages)
        return Logged(stored=True, already=not new, findings=findings, expected=expected)


def expected_height(
    conn: Connection, tank: Tank, tank_id: int, at: datetime, leave_out: UUID | None = None
) -> Expectation | None:
    """What a core taken then is expected to find: the estimate just before it, else the tank's recent cores.

    An estimate of the same moment may have seen the core itself; replicates of the same moment count among the recent cores.
    """
    estimate = latest_estimates(conn, [tank_id], at - timedelta.resolution).get(tank_id)
    if estimate is not None and at - estimate.time <= ESTIMATE_COUNTS_FOR:
        return Expectation(estimate.height, estimate.sd)
    recent = current_cores(conn, [tank_id], at - CORES_COUNT_FOR, at + timedelta.resolution)
    return expected_from_cores([r.core for r in recent if r.core.id != leave_out], tank, at)


def _words(findings: Sequence[CoreFinding]) -> tuple[str, ...]:
    return tuple(finding.problem.value for finding in findings)
