"""Routes for programs: where they stand, what they answer, and that they refuse parameters they do not know."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from service.web.api.schemas import PROBLEMS
from service.web.base.access import AnyVisitor

When = Annotated[str | None, Query(description="ISO 8601; UTC without an offset.", max_length=40)]


def api_router(*tags: str) -> APIRouter:
    """A router of the programs' interface; a mistyped parameter would change nothing, unsaid."""
    return APIRouter(
        prefix="/api/v1",
        dependencies=[Depends(refuse_unknown_parameters)],
        responses=PROBLEMS,
        tags=list(tags),
    )


def refuse_unknown_parameters(request: Request, visitor: AnyVisitor) -> None:
    """HTTPException 400 where the request of somebody known names what its route does not take."""
    route = request.scope.get("route")
    if visitor.person is None or not isinstance(route, APIRoute) or not request.query_params:
        return
    known = _names(route.dependant)
    unknown = sorted(set(request.query_params) - known)
    if unknown:
        takes = f"It takes: {', '.join(sorted(known))}." if known else "It takes none."
        raise HTTPException(400, f"Unknown query parameter: {', '.join(unknown)}. {takes}")


def _names(dependant: Dependant) -> set[str]:
    own = {parameter.alias for parameter in dependant.query_params}
    return own.union(*(_names(needed) for needed in dependant.dependencies))
