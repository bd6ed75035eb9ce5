"""Sensors in the REST API: worklist, one sensor's review, one record of work with its proof. SI and UTC."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any
from uuid import UUID

from fastapi import HTTPException, Path

from service.domain.sensors.work_proof import Side
from service.jobs.sensors.review import worklist
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import CalibrationRecord, calibration_history
from service.web.api.router import api_router
from service.web.base.access import Reader
from service.web.base.plant import Plant
from service.web.sensors.page import reviewed

router = api_router("sensors")


@router.get("/sensors")
def sensors(plant: Plant, visitor: Reader) -> dict[str, Any]:
    """Every blanket sensor, the most urgent first. Errors are sensor minus truth."""
    now = plant.clock()
    return {
        "at": now,
        "sensors": [
            {
                "tag": one.tag,
                "tank": one.setup.tank.key,
                "action": one.decision.action,
                "error_m": one.decision.error,
                "error_sd_m": one.decision.sd,
                "error_in_30_days_m": one.decision.ahead,
                "error_in_30_days_sd_m": one.decision.ahead_sd,
                "chance_beyond_tolerance": one.decision.beyond,
                "more_cores": one.decision.more_cores,
                "sound_cores_since_work": one.sound_cores,
                "last_core_at": one.last_core,
                "last_work_at": one.last_work,
            }
            for one in worklist(plant.engine, plant, now)
        ],
    }


@router.get("/sensors/{tag:path}")
def sensor(plant: Plant, visitor: Reader, tag: Annotated[str, Path(max_length=200)]) -> dict[str, Any]:
    """One sensor with everything known: advice, what to set, agreement with the cores, steps, doubtful cores, work."""
    found: dict[str, Any] = _finite(reviewed(plant, tag, explained=None).record())
    return found


@router.get("/calibrations/{calibration_id}")
def calibration(plant: Plant, visitor: Reader, calibration_id: UUID) -> dict[str, Any]:
    """One record of work: every version, and what the hand cores say before and after the newest."""
    with transaction(plant.engine) as conn:
        versions = calibration_history(conn, calibration_id)
    if not versions:
        raise HTTPException(404, "There is no such record of work.")
    newest = versions[-1]
    proof = None if newest.withdrawn else reviewed(plant, newest.calibration.tag).proof(newest.calibration.at)
    return {
        "versions": [_version(record) for record in versions],
        "proof": None
        if proof is None
        else {
            "outcome": proof.outcome,
            "before": _side(proof.before),
            "after": _side(proof.after),
            "change_m": proof.change,
            "change_95_m": proof.change_interval,
        },
    }


def _version(record: CalibrationRecord) -> dict[str, Any]:
    done = record.calibration
    return {
        "id": record.id,
        "recorded_at": record.recorded_at,
        "tag": done.tag,
        "at": done.at,
        "kind": done.kind,
        "done_by": done.done_by,
        "reason": done.reason,
        "note": record.note,
        "as_found_offset_m": done.as_found_offset,
        "as_left_offset_m": done.as_left_offset,
        "supersedes": record.supersedes,
        "correction_reason": record.correction_reason or None,
        "withdrawn": record.withdrawn,
    }


def _side(side: Side) -> dict[str, Any]:
    return {"cores": len(side.points), "mean_error_m": side.mean, "mean_error_95_m": side.interval}


def _finite(value: Any) -> Any:
    """JSON has no not-a-number: such values are null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return value
