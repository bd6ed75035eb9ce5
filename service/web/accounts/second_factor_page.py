"""Second-factor pages: set up, turn off, and reset for somebody else by an administrator."""

from __future__ import annotations

import io
from typing import Annotated

import segno
from fastapi import APIRouter, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.errors import InputError
from service.jobs.accounts import people, second_factor
from service.jobs.accounts.second_factor import FactorKeys
from service.web.base.access import FormChecked, Principal, ProvenAdministrator, SettingUp, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)

Password = Annotated[str, Form(max_length=1000)]
Code = Annotated[str, Form(max_length=100)]


@router.get("/account/second-factor")
def shown(request: Request, plant: Plant, visitor: SettingUp) -> HTMLResponse:
    """Show the status and the next step."""
    return _page(request, plant, visitor)


@router.post("/account/second-factor", dependencies=[FormChecked])
def begin(request: Request, plant: Plant, visitor: SettingUp, password: Password = "") -> Response:
    """Create a key, given the password: the page may have been left open."""
    assert visitor.person is not None
    try:
        people.prove_password(plant.engine, visitor.person.name, password, address=visitor.address, now=plant.clock())
        people.keep_proof(plant.engine, visitor.session, plant.clock())
        second_factor.begin(plant.engine, FactorKeys(plant.secret), visitor.person, plant.clock())
    except InputError as error:
        return _page(request, plant, visitor, wrong=str(error))
    return RedirectResponse("/account/second-factor", status_code=303)


@router.get("/account/second-factor/code.svg")
def picture(plant: Plant, visitor: SettingUp) -> Response:
    """The key as a QR code, while it is being set up."""
    key = _pending(plant, visitor)
    if key is None:
        raise HTTPException(404, "No second factor is being set up.")
    drawn = io.BytesIO()
    # White with a margin of four modules in the dark too: cameras need both (ISO/IEC 18004).
    segno.make(_address(plant, visitor, key), error="m", micro=False).save(
        drawn, kind="svg", scale=6, border=4, dark="#000", light="#fff"
    )
    return Response(drawn.getvalue(), media_type="image/svg+xml; charset=utf-8")


@router.post("/account/second-factor/confirm", dependencies=[FormChecked])
def confirm(request: Request, plant: Plant, visitor: SettingUp, code: Code = "") -> HTMLResponse:
    """Turn it on, and show the recovery codes."""
    assert visitor.person is not None
    try:
        codes = second_factor.confirm(plant.engine, FactorKeys(plant.secret), visitor.person, code, plant.clock())
    except InputError as error:
        return _page(request, plant, visitor, wrong=str(error))
    return _page(request, plant, visitor, codes=codes)


@router.post("/account/second-factor/off", dependencies=[FormChecked])
def switch_off(request: Request, plant: Plant, visitor: Viewer, password: Password = "", code: Code = "") -> Response:
    """Turn off one's own, with password and code."""
    assert visitor.person is not None
    now = plant.clock()
    try:
        people.prove_password(plant.engine, visitor.person.name, password, address=visitor.address, now=now)
        second_factor.switch_off(
            plant.engine, FactorKeys(plant.secret), visitor.person, code, address=visitor.address, now=now
        )
    except InputError as error:
        return _page(request, plant, visitor, wrong=str(error))
    return RedirectResponse("/account/second-factor", status_code=303)


@router.post("/people/{name}/second-factor/off", dependencies=[FormChecked])
def take_off(plant: Plant, visitor: ProvenAdministrator, name: str) -> Response:
    """Turn it off for somebody who lost the phone."""
    assert visitor.person is not None
    second_factor.take_off(plant.engine, name, now=plant.clock(), actor=visitor.person.name)
    return RedirectResponse("/people", status_code=303)


def _page(
    request: Request, plant: WebPlant, visitor: Principal, *, wrong: str = "", codes: list[str] | None = None
) -> HTMLResponse:
    assert visitor.person is not None
    key = None if codes else _pending(plant, visitor)
    return page(
        request,
        plant,
        visitor,
        "second_factor.html.j2",
        status=400 if wrong else 200,
        standing=second_factor.standing(plant.engine, visitor.person),
        asked=plant.second_factor.asks(visitor.person.role),
        key=key,
        address="" if key is None else _address(plant, visitor, key),
        wrong=wrong,
        codes=codes,
    )


def _pending(plant: WebPlant, visitor: Principal) -> str | None:
    """The key being set up; only shown after a recent proof, as the session cookie may be stolen."""
    assert visitor.person is not None
    if not visitor.proven:
        return None
    return second_factor.pending(plant.engine, FactorKeys(plant.secret), visitor.person, plant.clock())


def _address(plant: WebPlant, visitor: Principal, key: str) -> str:
    assert visitor.person is not None
    return second_factor.address_of(key, visitor.person.name, plant.name)
