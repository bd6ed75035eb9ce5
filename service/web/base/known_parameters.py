"""Refuses query parameters that a route of the programs' interface does not know: a mistyped limit would change nothing, unsaid."""

from __future__ import annotations

from fastapi import HTTPException, Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from service.web.base.access import AnyVisitor


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
