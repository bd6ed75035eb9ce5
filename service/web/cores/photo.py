"""Upload, display and removal of a hand core's photo."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Body, Form, HTTPException, Response
from fastapi.responses import RedirectResponse

from service.errors import InputError
from service.jobs.cores.photo import drop_photo, keep_photo
from service.storage.cores.photos import photo_of
from service.storage.database.session import transaction
from service.web.api.schemas import PROBLEMS
from service.web.base.access import CoreLogger, FormChecked, ScriptChecked, Supervisor, Viewer
from service.web.base.plant import Plant
from service.web.base.problems import problem

router = APIRouter(responses=PROBLEMS)


@router.post(
    "/api/v1/cores/{core_id}/photo",
    tags=["cores"],
    status_code=201,
    responses={200: {"description": "Already stored."}, 422: {"description": "Cannot be stored; says why."}},
)
def take(
    plant: Plant,
    visitor: CoreLogger,
    _checked: Annotated[None, ScriptChecked],
    core_id: UUID,
    content: Annotated[bytes, Body(media_type="application/octet-stream", description="JPEG, PNG or WebP.")],
    response: Response,
) -> Any:
    """Store a photo with a stored core. Metadata of the file is dropped."""
    try:
        new = keep_photo(plant.engine, core_id, content, visitor.actor, now=plant.clock())
    except InputError as error:
        return problem(422, str(error))
    if not new:
        response.status_code = 200
    return {"core": core_id, "state": "stored" if new else "already"}


@router.get("/cores/{core_id}/photo.jpg", include_in_schema=False)
def show(plant: Plant, visitor: Viewer, core_id: UUID) -> Response:
    """The photo."""
    with transaction(plant.engine) as conn:
        found = photo_of(conn, core_id)
    if found is None:
        raise HTTPException(404, "This core has no photo.")
    return Response(found.jpeg, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})


@router.post("/cores/{core_id}/photo/remove", dependencies=[FormChecked], include_in_schema=False)
def remove(
    plant: Plant, visitor: Supervisor, core_id: UUID, reason: Annotated[str, Form(max_length=200)] = ""
) -> Response:
    """Delete the photo permanently."""
    drop_photo(plant.engine, core_id, visitor.actor, reason=reason, now=plant.clock())
    return RedirectResponse(f"/cores/{core_id}", status_code=303)
