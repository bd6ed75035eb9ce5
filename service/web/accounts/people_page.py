"""Account pages: people, API tokens, one's own account, and the audit log."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Request, Response
from fastapi.encoders import jsonable_encoder
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from pydantic import BaseModel, Field

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import password as password_rules
from service.jobs.accounts import people, second_factor
from service.storage.accounts import api_tokens, audit, second_factors
from service.storage.accounts import people as store
from service.storage.accounts.personal_data import personal_data
from service.storage.database.session import transaction
from service.web.accounts.sign_in import WEAK_PATH, local_path
from service.web.base.access import (
    Administrator,
    FormChecked,
    Principal,
    ProvenAdministrator,
    ProvenOwner,
    Public,
    ScriptChecked,
    Supervisor,
    Viewer,
)
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

#: So many tokens and sessions of one person are listed.
LISTED = 100

router = APIRouter(include_in_schema=False)

Anybody = Annotated[Principal, Depends(Public("what is kept about people is told before they sign in"))]
Text = Annotated[str, Form(max_length=200)]
Email = Annotated[str, Form(max_length=254)]
Password = Annotated[str, Form(max_length=1000)]


@router.get("/people")
def listed(request: Request, plant: Plant, visitor: Administrator) -> HTMLResponse:
    """List people, with the form that adds one."""
    return _people(request, plant, visitor)


@router.post("/people", dependencies=[FormChecked])
def add(
    request: Request,
    plant: Plant,
    visitor: ProvenAdministrator,
    name: Text = "",
    label: Text = "",
    role: Text = "",
    email: Email = "",
    password: Password = "",
) -> Response:
    """Add a person."""
    try:
        people.add(
            plant.engine,
            name=name,
            label=label,
            role=_role(role),
            email=email,
            password=password,
            now=plant.clock(),
            actor=_actor(visitor),
        )
    except InputError as error:
        typed = {"name": name, "label": label, "role": role, "email": email}
        return _people(request, plant, visitor, wrong=str(error), typed=typed)
    return RedirectResponse("/people", status_code=303)


@router.post("/people/{name}/role", dependencies=[FormChecked])
def change_role(plant: Plant, visitor: ProvenAdministrator, name: str, role: Text = "") -> Response:
    """Change a role."""
    people.change_role(plant.engine, name, _role(role), now=plant.clock(), actor=_actor(visitor))
    return RedirectResponse("/people", status_code=303)


@router.post("/people/{name}/switch", dependencies=[FormChecked])
def switch(plant: Plant, visitor: ProvenAdministrator, name: str, on: Text = "") -> Response:
    """Disable or enable an account."""
    people.switch(plant.engine, name, on == "yes", now=plant.clock(), actor=_actor(visitor))
    return RedirectResponse("/people", status_code=303)


@router.post("/people/{name}/password", dependencies=[FormChecked])
def set_password(plant: Plant, visitor: ProvenAdministrator, name: str, password: Password = "") -> Response:
    """Set somebody else's password; their sessions end."""
    if people.clean_name(name) == _actor(visitor):
        raise InputError("change your own password on the page of your account, with the current one")
    people.change_password(plant.engine, name, password, now=plant.clock(), actor=_actor(visitor))
    return RedirectResponse("/people", status_code=303)


@router.get("/account")
def account(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """One's own password and tokens."""
    return _account(request, plant, visitor)


@router.get(WEAK_PATH)
def weak_password(request: Request, plant: Plant, visitor: Viewer, to: str = "/") -> HTMLResponse:
    """Ask whoever signed in with a password that guessers try early for another one; what they came for goes first if they say so."""
    return page(request, plant, visitor, "weak_password.html.j2", to=local_path(to))


class PasswordTyped(BaseModel):
    """A password that is being chosen."""

    password: str = Field(max_length=1000)
    name: str = Field(default="", max_length=200, description="whose it will be; one's own where it is empty")


class PasswordStrength(BaseModel):
    """How it would stand."""

    good: bool
    guesses: float = Field(description="decimal logarithm of the guesses it stands")
    sentence: str


@router.post("/account/password-strength")
def password_strength(
    plant: Plant, visitor: Viewer, _checked: Annotated[None, ScriptChecked], typed: PasswordTyped
) -> PasswordStrength:
    """Say how strong a password is while it is typed. Nothing of it is kept."""
    assert visitor.person is not None
    name = people.clean_name(typed.name) or visitor.person.name
    guesses = password_rules.strength(typed.password, name)
    try:
        password_rules.checked(typed.password, name)
    except InputError as error:
        words = str(error)
        return PasswordStrength(good=False, guesses=guesses, sentence=f"{words[:1].upper()}{words[1:]}.")
    return PasswordStrength(good=True, guesses=guesses, sentence="This is a good password.")


@router.get("/account/data.json")
def own_data(plant: Plant, visitor: Viewer) -> JSONResponse:
    """Everything that is kept about whoever asks, to take away."""
    assert visitor.person is not None
    with transaction(plant.engine) as conn:
        found = jsonable_encoder(personal_data(conn, visitor.person))
    name = f"{visitor.person.name}-{plant.clock():%Y%m%d}.json".replace("@", "-at-")
    return JSONResponse(found, headers={"Content-Disposition": f'attachment; filename="{name}"'})


@router.get("/privacy")
def privacy(request: Request, plant: Plant, visitor: Anybody) -> HTMLResponse:
    """What is kept about people, why, how long, and who sees it."""
    return page(request, plant, visitor, "privacy.html.j2")


@router.post("/account/password", dependencies=[FormChecked])
def own_password(
    request: Request, plant: Plant, visitor: Viewer, old: Password = "", new: Password = "", again: Password = ""
) -> Response:
    """Change one's own password; other sessions end."""
    assert visitor.person is not None
    now, name = plant.clock(), visitor.person.name
    try:
        people.prove_password(plant.engine, name, old, address=visitor.address, now=now)
        if new != again:
            raise InputError("the two new passwords differ")
        people.change_password(plant.engine, name, new, now=now, actor=_actor(visitor), keep_session=visitor.session)
    except InputError as error:
        return _account(request, plant, visitor, wrong=str(error), status=400)
    return _account(
        request, plant, visitor, done="The password is changed; other devices are signed out, and tokens ended."
    )


@router.post("/account/email", dependencies=[FormChecked])
def own_email(request: Request, plant: Plant, visitor: Viewer, email: Email = "", password: Password = "") -> Response:
    """Change the address for account notices."""
    assert visitor.person is not None
    now, name = plant.clock(), visitor.person.name
    try:
        people.prove_password(plant.engine, name, password, address=visitor.address, now=now)
        people.change_email(plant.engine, name, email, now=now, actor=_actor(visitor))
    except InputError as error:
        return _account(request, plant, visitor, wrong=str(error), status=400)
    return RedirectResponse("/account", status_code=303)


@router.post("/account/sessions", dependencies=[FormChecked])
def sign_out_elsewhere(
    request: Request,
    plant: Plant,
    visitor: Viewer,
    stay: Annotated[list[str] | None, Form()] = None,
    password: Password = "",
) -> Response:
    """End one's own other sessions, given the password: this session may be the stolen one."""
    assert visitor.person is not None
    now = plant.clock()
    try:
        if visitor.person.password_set_at is not None:
            people.prove_password(plant.engine, visitor.person.name, password, address=visitor.address, now=now)
    except InputError as error:
        return _account(request, plant, visitor, wrong=str(error), status=400)
    ended = people.sign_out_at(plant.engine, visitor.person, stay or [], address=visitor.address, now=now)
    return _account(request, plant, visitor, done=f"Signed out at {ended} other {'place' if ended == 1 else 'places'}.")


@router.post("/account/tokens", dependencies=[FormChecked])
def new_token(
    request: Request,
    plant: Plant,
    visitor: ProvenOwner,
    purpose: Text = "",
    scope: Annotated[list[str] | None, Form()] = None,
    days: Annotated[int, Form(ge=1, le=3660)] = 90,
) -> Response:
    """Create an API token; its secret is shown once."""
    assert visitor.person is not None
    now = plant.clock()
    try:
        secret = people.issue_token(
            plant.engine,
            visitor.person.name,
            purpose=purpose,
            scopes=[Scope(one) for one in scope or [] if one in set(Scope)],
            now=now,
            actor=_actor(visitor),
            expires_at=now + timedelta(days=days),
            longest=plant.longest_token,
        )
    except InputError as error:
        return _account(request, plant, visitor, wrong=str(error), status=400)
    return _account(request, plant, visitor, secret=secret)


@router.post("/account/tokens/{token_id}/revoke", dependencies=[FormChecked])
def revoke(plant: Plant, visitor: Viewer, token_id: int) -> Response:
    """Revoke one's own token; an administrator may revoke any."""
    assert visitor.person is not None
    with transaction(plant.engine) as conn:
        own = {token.id for token in api_tokens.tokens(conn, visitor.person.id)}
    if token_id not in own and not visitor.may(Role.ADMINISTRATOR):
        raise HTTPException(404, "You have no such token.")
    people.revoke_token(plant.engine, token_id, now=plant.clock(), actor=_actor(visitor))
    return RedirectResponse("/account", status_code=303)


@router.get("/audit")
def changes(request: Request, plant: Plant, visitor: Supervisor, before: int | None = None) -> HTMLResponse:
    """Who changed what, newest first."""
    with transaction(plant.engine) as conn:
        found = audit.changes(conn, before=before, limit=101)
    more = found[99].id if len(found) > 100 else None
    return page(request, plant, visitor, "audit.html.j2", changes=found[:100], more=more)


def _people(
    request: Request, plant: WebPlant, visitor: Principal, wrong: str = "", typed: dict[str, str] | None = None
) -> HTMLResponse:
    with transaction(plant.engine) as conn:
        found, with_codes = store.people(conn), second_factors.confirmed(conn)
    return page(
        request,
        plant,
        visitor,
        "people.html.j2",
        status=400 if wrong else 200,
        people=found,
        with_codes=with_codes,
        roles=list(Role),
        wrong=wrong,
        typed=typed or {"name": "", "label": "", "role": Role.OPERATOR.value, "email": ""},
    )


def _account(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    *,
    wrong: str = "",
    done: str = "",
    secret: str = "",
    status: int = 200,
) -> HTMLResponse:
    assert visitor.person is not None
    now = plant.clock()
    with transaction(plant.engine) as conn:
        tokens = api_tokens.tokens(conn, visitor.person.id)
    tokens.sort(key=lambda token: not token.valid(now))
    stays = people.signed_in_at(plant.engine, visitor.person, visitor.session, now)
    return page(
        request,
        plant,
        visitor,
        "account.html.j2",
        status=status,
        tokens=tokens[:LISTED],
        more_tokens=len(tokens) > LISTED,
        factor=second_factor.standing(plant.engine, visitor.person),
        stays=stays[:LISTED],
        more_stays=len(stays) > LISTED,
        scopes=list(Scope),
        longest_days=plant.longest_token.days,
        alarm_days=people.LONGEST_ALARM_TOKEN.days,
        wrong=wrong,
        done=done,
        secret=secret,
    )


def _role(text: str) -> Role:
    try:
        return Role(text)
    except ValueError:
        raise InputError(f"{text!r} is not a role; there are: {', '.join(Role)}") from None


def _actor(visitor: Principal) -> str:
    return visitor.person.name if visitor.person is not None else ""
