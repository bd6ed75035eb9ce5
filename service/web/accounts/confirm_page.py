"""Re-authentication page: owners prove who they are before security settings change, as the session cookie may be stolen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.errors import InputError
from service.jobs.accounts import people, second_factor
from service.jobs.accounts.second_factor import FactorKeys
from service.web.accounts.sign_in import local_path
from service.web.base.access import CONFIRM, FormChecked, Principal, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)


@router.get(CONFIRM)
def asked(request: Request, plant: Plant, visitor: Viewer, to: str = "/account") -> Response:
    """Ask for proof: a code where a second factor is on, else the password; a new sign-in for accounts of the identity provider."""
    return RedirectResponse(local_path(to), status_code=303) if visitor.proven else _page(request, plant, visitor, to)


@router.post(CONFIRM, dependencies=[FormChecked])
def given(
    request: Request,
    plant: Plant,
    visitor: Viewer,
    proof: Annotated[str, Form(max_length=1000)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/account",
) -> Response:
    """Check the proof; it is valid for some minutes in this session."""
    assert visitor.person is not None
    try:
        second_factor.prove(
            plant.engine,
            FactorKeys(plant.secret),
            visitor.person,
            visitor.session,
            proof,
            address=visitor.address,
            now=plant.clock(),
        )
    except InputError as error:
        return _page(request, plant, visitor, to, wrong=str(error))
    return RedirectResponse(local_path(to), status_code=303)


def _page(request: Request, plant: WebPlant, visitor: Principal, to: str, wrong: str = "") -> HTMLResponse:
    assert visitor.person is not None
    standing = second_factor.standing(plant.engine, visitor.person)
    return page(
        request,
        plant,
        visitor,
        "confirm.html.j2",
        status=400 if wrong else 200,
        to=local_path(to),
        by_code=standing.since is not None,
        by_password=standing.offered,
        minutes=int(people.PROVEN_FOR.total_seconds()) // 60,
        wrong=wrong,
    )
