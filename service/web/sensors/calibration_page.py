"""Page of one record of work on a sensor: versions, cores before and after, certificate, withdrawal."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.domain.plant.role import Role
from service.domain.sensors.work_proof import LEAST_CORES, WorkOutcome
from service.errors import InputError
from service.jobs.sensors.calibrate import withdraw_work
from service.jobs.sensors.review import certify
from service.storage.blanket.recompute import dirty_since
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import CalibrationRecord, calibration_history
from service.web.base.access import FormChecked, Principal, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page, words_of
from service.web.sensors.charts import proof_plot
from service.web.sensors.page import reviewed

router = APIRouter(include_in_schema=False)

#: Sign and style of each outcome: never colour alone.
SIGNS = {
    WorkOutcome.BETTER: ("✓", ""),
    WorkOutcome.WORSE: ("▲", "warning"),
    WorkOutcome.NOT_CLEAR: ("≈", ""),
    WorkOutcome.TOO_FEW: ("?", ""),
}


@router.get("/calibrations/{calibration_id}")
def one(request: Request, plant: Plant, visitor: Viewer, calibration_id: UUID) -> HTMLResponse:
    """The page."""
    return _page(request, plant, visitor, calibration_id)


@router.get("/calibrations/{calibration_id}/certificate.pdf")
def certificate(plant: Plant, visitor: Viewer, calibration_id: UUID) -> Response:
    """The certificate, to be printed."""
    newest = _versions(plant, calibration_id)[-1]
    if newest.withdrawn:
        raise HTTPException(404, "This record was withdrawn: there is no certificate of it.")
    content = certify(plant.engine, plant, newest, now=plant.clock())
    return Response(
        content,
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="certificate-{newest.id}.pdf"'},
    )


@router.post("/calibrations/{calibration_id}/withdraw", dependencies=[FormChecked])
def withdraw(
    request: Request,
    plant: Plant,
    visitor: Supervisor,
    calibration_id: UUID,
    reason: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Withdraw the record."""
    try:
        withdraw_work(plant.engine, calibration_id, visitor.actor, id=uuid4(), reason=reason, now=plant.clock())
    except InputError as error:
        _versions(plant, calibration_id)  # raises 404 where there is no such record
        text = str(error)
        return _page(request, plant, visitor, calibration_id, wrong=text[:1].upper() + text[1:], status=400)
    return RedirectResponse(f"/calibrations/{calibration_id}", status_code=303)


def _page(
    request: Request, plant: WebPlant, visitor: Principal, calibration_id: UUID, *, wrong: str = "", status: int = 200
) -> HTMLResponse:
    versions = _versions(plant, calibration_id)
    newest = versions[-1]
    work = newest.calibration
    found = reviewed(plant, work.tag)
    proof = found.proof(work.at)
    with transaction(plant.engine) as conn:
        tank_id = plant.ids.tanks[found.setup.tank.key]
        since = dirty_since(conn, tank_id)
    waiting = since is not None and since <= work.at
    last = max(other.calibration.at for other in found.works) if found.works else None
    return page(
        request,
        plant,
        visitor,
        "calibration.html.j2",
        status=status,
        versions=versions,
        newest=newest,
        work=work,
        tank=found.setup.tank,
        review=found.review,
        proof=proof,
        sign=SIGNS[proof.outcome],
        too_few=proof.outcome is WorkOutcome.TOO_FEW,
        least=LEAST_CORES,
        picture=proof_plot(proof.before.points, proof.after.points, work.at, words_of(plant)),
        restarted=not newest.withdrawn and work.at == last,
        waiting=waiting,
        wrong=wrong,
        may_correct=visitor.may(Role.TECHNICIAN) and not newest.withdrawn,
        may_log=visitor.may(Role.OPERATOR),
    )


def _versions(plant: WebPlant, calibration_id: UUID) -> list[CalibrationRecord]:
    with transaction(plant.engine) as conn:
        found = calibration_history(conn, calibration_id)
    if not found:
        raise HTTPException(404, "There is no such record of work.")
    return found
