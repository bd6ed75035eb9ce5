"""Authentication and authorization of every request.

Every route names the least role it asks for, or says that it is public; a test goes through all routes and holds each
role against each of them. Routes that change something also ask for the form token.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Form, Header, HTTPException, Request

from service.domain.plant.role import Role, Scope
from service.jobs.accounts.actor import Actor, Door
from service.jobs.accounts.people import is_proven, session_of, token_of
from service.storage.accounts.people import PersonRecord
from service.web.base.plant import WritablePlant
from service.web.base.signing import Signer
from service.web.base.throttle import limit_changes

SESSION_COOKIE = "uw_session"
VISIT_COOKIE = "uw_visit"
#: The page on which people prove who they are.
CONFIRM = "/account/confirm"


def cookie_name(request: Request, name: str) -> str:
    """Cookie name: over TLS with the __Host- prefix (RFC 6265bis)."""
    return f"__Host-{name}" if request.url.scheme == "https" else name


@dataclass(frozen=True, slots=True, kw_only=True)
class Principal:
    """Who sends the request: a person signed in, a program with a token, or an anonymous visitor."""

    person: PersonRecord | None = None
    #: The secret of the session; empty for programs and strangers.
    session: str = ""
    scopes: frozenset[Scope] | None = None  #: of a token; None for people
    #: What form tokens are bound to.
    visit: str = ""
    address: str = ""
    #: Must set up a second factor before anything else.
    confined: bool = False
    #: Re-authenticated recently in this session.
    proven: bool = False

    @property
    def label(self) -> str:
        """Name shown on pages and alarms."""
        return "" if self.person is None else self.person.label

    @property
    def actor(self) -> Actor:
        """The actor of their changes; by API where they come with a token."""
        return Actor(
            name=self.label,
            via=Door.PAGE if self.scopes is None else Door.API,
            address=self.address,
            account="" if self.person is None else self.person.name,
            email="" if self.person is None else self.person.email or "",
        )

    def may(self, role: Role) -> bool:
        """Whether their role includes that one."""
        return self.person is not None and self.person.role.includes(role)


class SignInNeeded(Exception):
    """An anonymous visitor requests what needs a sign-in."""


class SecondFactorNeeded(Exception):
    """Somebody who must set up a second factor first requests something else."""


class ProofNeeded(Exception):
    """Security settings are to be changed without a recent re-authentication.

    ``back`` is the page to return to.
    """

    def __init__(self, back: str) -> None:
        super().__init__(back)
        self.back = back


def signer_of(request: Request) -> Signer:
    """The signer of this installation."""
    found: Signer = request.app.state.signer
    return found


def visitor_of(request: Request, plant: WritablePlant) -> Principal:
    """Authenticate a request."""
    address = request.client.host if request.client is not None else ""
    scheme, _, secret = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        token = token_of(plant.engine, secret.strip(), plant.clock())
        if token is None:
            raise HTTPException(401, "The token is unknown, revoked or expired.")
        return Principal(person=token.person, scopes=token.scopes, address=address)
    signer = signer_of(request)
    visit = signer.value(request.cookies.get(cookie_name(request, VISIT_COOKIE), "")) or ""
    session = signer.value(request.cookies.get(cookie_name(request, SESSION_COOKIE), "")) or ""
    if session:
        now = plant.clock()
        found = session_of(plant.engine, session, now)
        if found is not None:
            # Checked with every request: a stricter rule, or a higher role, applies to open sessions too.
            local = found.person.password_set_at is not None
            lacks = local and not found.second_factor and plant.second_factor.asks(found.person.role)
            return Principal(
                person=found.person,
                session=session,
                visit=session,
                address=address,
                confined=lacks,
                proven=is_proven(found, now),
            )
    return Principal(visit=visit, address=address)


AnyVisitor = Annotated[Principal, Depends(visitor_of)]


@dataclass(frozen=True)
class Needs:
    """Authorizes whoever has at least that role and, with a token, that scope."""

    role: Role
    scope: Scope | None = None
    #: Also for people who must set up a second factor first.
    confined: bool = False
    #: Where set, a recent re-authentication is needed; the page to return to.
    proven_for: str = ""

    def __call__(self, visitor: AnyVisitor) -> Principal:
        if visitor.person is None:
            raise SignInNeeded
        if visitor.confined and not self.confined:
            raise SecondFactorNeeded
        if not visitor.person.role.includes(self.role):
            raise HTTPException(403, f"This is for the role {self.role} and above; yours is {visitor.person.role}.")
        if visitor.scopes is not None and (self.scope is None or self.scope not in visitor.scopes):
            wanted = f"the scope {self.scope}" if self.scope else "a person, not a token"
            raise HTTPException(403, f"This needs {wanted}.")
        if self.proven_for and not visitor.proven:
            raise ProofNeeded(self.proven_for)
        return visitor


@dataclass(frozen=True)
class Public:
    """Authorizes everybody, with the reason."""

    why: str

    def __call__(self, visitor: AnyVisitor) -> Principal:
        return visitor


Viewer = Annotated[Principal, Depends(Needs(Role.VIEWER))]
SettingUp = Annotated[Principal, Depends(Needs(Role.VIEWER, confined=True))]
Operator = Annotated[Principal, Depends(Needs(Role.OPERATOR))]
Technician = Annotated[Principal, Depends(Needs(Role.TECHNICIAN))]
Supervisor = Annotated[Principal, Depends(Needs(Role.SUPERVISOR))]
Administrator = Annotated[Principal, Depends(Needs(Role.ADMINISTRATOR))]
ProvenAdministrator = Annotated[Principal, Depends(Needs(Role.ADMINISTRATOR, proven_for="/people"))]
ProvenOwner = Annotated[Principal, Depends(Needs(Role.VIEWER, proven_for="/account"))]
Reader = Annotated[Principal, Depends(Needs(Role.VIEWER, Scope.READ))]
CoreLogger = Annotated[Principal, Depends(Needs(Role.OPERATOR, Scope.CORES))]
AlarmHandler = Annotated[Principal, Depends(Needs(Role.OPERATOR, Scope.ALARMS))]
Measurer = Annotated[Principal, Depends(Needs(Role.VIEWER, Scope.METRICS))]
Pusher = Annotated[Principal, Depends(Needs(Role.OPERATOR, Scope.PUSH))]


def form_checked(request: Request, visitor: AnyVisitor, form_token: Annotated[str, Form(max_length=200)] = "") -> None:
    """Check the CSRF token of a form, and that no more is sent than a person can."""
    _checked(request, visitor, form_token)


def script_checked(
    request: Request, visitor: AnyVisitor, x_form_token: Annotated[str, Header(max_length=200)] = ""
) -> None:
    """Check the CSRF token of a script's request; requests with an API token need none."""
    if visitor.scopes is None:
        _checked(request, visitor, x_form_token)


def _checked(request: Request, visitor: Principal, token: str) -> None:
    elsewhere = request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
    if elsewhere or not visitor.visit or not signer_of(request).form_token_right(visitor.visit, token):
        raise HTTPException(403, "This form has expired or comes from another site. Reload the page and try again.")
    limit_changes(request, request.app.state.plant, visitor.visit)


FormChecked = Depends(form_checked)
ScriptChecked = Depends(script_checked)
FORM_CHECKS: tuple[Callable[..., None], ...] = (form_checked, script_checked)
