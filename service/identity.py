"""Signs people in with an OpenID Connect provider.

References
----------
OpenID Connect Core 1.0 and Discovery 1.0, authorization code flow; PKCE with S256 after RFC 7636; RFC 9700 for what else an
attacker might try: state bound to the browser, nonce bound to the token, exact issuer and audience, no unsigned tokens.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

import requests
from authlib.integrations.base_client.errors import OAuthError
from authlib.integrations.requests_client import OAuth2Session
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from service.domain.plant.role import Role
from service.errors import IdentityError

#: Signatures with a private key of the provider; never "none", never our client secret as a key.
ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA")
TIMEOUT = 10.0  # s, for every answer
LEEWAY = 120  # s, between two clocks


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityProvider:
    """The configured provider."""

    issuer: str
    client_id: str
    client_secret: str | None
    #: The redirect URI.
    callback: str
    #: The claim with the role; dots separate nested names.
    role_claim: str
    #: Values of that claim and their roles; empty: the roles' own names.
    roles: Mapping[str, Role]

    @property
    def host(self) -> str:
        """The provider's host, for people."""
        return urlsplit(self.issuer).hostname or self.issuer

    def __repr__(self) -> str:
        return f"IdentityProvider({self.issuer}, {self.client_id})"

    def role_of(self, claims: Mapping[str, Any]) -> Role | None:
        """The highest role the claims give; None when they give none."""
        found: Any = claims.get(self.role_claim)
        if found is None:
            found = claims
            for part in self.role_claim.split("."):
                found = found.get(part) if isinstance(found, Mapping) else None
        words = found.split() if isinstance(found, str) else found if isinstance(found, list) else []
        # With a mapping only its values count: "administrator" elsewhere may mean something else.
        known = self.roles or {role.value: role for role in Role}
        given = [known[word] for word in words if isinstance(word, str) and word in known]
        return max(given, key=list(Role).index, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingSignIn:
    """A sign-in under way; the same browser must return ``state``."""

    address: str  #: where the browser is redirected to
    state: str
    nonce: str
    verifier: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedIdentity:
    """A verified identity. ``subject`` never changes; ``role`` is None when they have none here."""

    subject: str
    name: str
    label: str
    role: Role | None
    #: When the provider last authenticated them; None where it does not say.
    authenticated_at: datetime | None = None


class IdentityClient:
    """The client of one provider. Its metadata is read once, its keys again after an unknown one signed."""

    def __init__(self, provider: IdentityProvider) -> None:
        self.provider = provider
        self._lock = threading.Lock()
        self._published: dict[str, Any] | None = None
        self._keys: KeySet | None = None

    def begin(self, *, fresh: bool = False) -> PendingSignIn:
        """Begin a sign-in; a *fresh* one has the provider authenticate again, and say when it did.

        OpenID Connect Core 1.0, 3.1.2.1: with ``max_age`` the claim ``auth_time`` is required.

        Raises
        ------
        IdentityError
            when the provider cannot be reached.
        """
        published = self._metadata()
        state, nonce, verifier = (secrets.token_urlsafe(32) for _ in range(3))
        options = {"prompt": "login", "max_age": "0"} if fresh else {}
        with self._session() as session:
            address, _ = session.create_authorization_url(
                published["authorization_endpoint"], state=state, code_verifier=verifier, nonce=nonce, **options
            )
        return PendingSignIn(address=address, state=state, nonce=nonce, verifier=verifier)

    def finish(self, code: str, *, nonce: str, verifier: str, now: datetime) -> VerifiedIdentity:
        """Exchange an authorization code for the verified identity.

        Raises
        ------
        IdentityError
            when the provider cannot be reached, refuses the code, or its token cannot be trusted.
        """
        published = self._metadata()
        try:
            with self._session() as session:
                tokens = session.fetch_token(published["token_endpoint"], code=code, code_verifier=verifier)
        except (OAuthError, requests.RequestException, ValueError) as error:
            raise IdentityError(f"{self.provider.issuer} did not take the sign-in: {error}") from error
        claims = self._claims(str(tokens.get("id_token", "")), nonce, now)
        if self.provider.role_of(claims) is None and "userinfo_endpoint" in published:
            more = self._get(
                published["userinfo_endpoint"], {"Authorization": f"Bearer {tokens.get('access_token', '')}"}
            )
            # OpenID Connect Core 5.3.2: claims of another subject must not be used.
            if more.get("sub") == claims["sub"]:
                claims = {**more, **claims}
        name = next((str(claims[key]) for key in ("preferred_username", "email", "sub") if claims.get(key)), "")
        return VerifiedIdentity(
            subject=f"{self.provider.issuer}|{claims['sub']}",
            name=name,
            label=str(claims.get("name") or name),
            role=self.provider.role_of(claims),
            authenticated_at=_time_of(claims.get("auth_time")),
        )

    def _claims(self, token: str, nonce: str, now: datetime) -> dict[str, Any]:
        expected = jwt.JWTClaimsRegistry(
            now=int(now.timestamp()),
            leeway=LEEWAY,
            iss={"essential": True, "value": self.provider.issuer},
            aud={"essential": True, "value": self.provider.client_id},
            exp={"essential": True},
            iat={"essential": True},
            sub={"essential": True},
            nonce={"essential": True, "value": nonce},
        )
        try:
            claims = self._decoded(token)
            expected.validate(claims)
        except (JoseError, ValueError, TypeError) as error:
            raise IdentityError(f"what {self.provider.issuer} says cannot be trusted: {error}") from error
        several = isinstance(claims["aud"], list) and len(claims["aud"]) > 1
        if claims.get("azp", self.provider.client_id) != self.provider.client_id or (several and "azp" not in claims):
            raise IdentityError(f"what {self.provider.issuer} says was meant for another program")
        return claims

    def _decoded(self, token: str) -> dict[str, Any]:
        try:
            return dict(jwt.decode(token, self._key_set(), algorithms=ALGORITHMS).claims)
        except (JoseError, ValueError):
            # The provider may have changed its keys since they were read.
            return dict(jwt.decode(token, self._key_set(fresh=True), algorithms=ALGORITHMS).claims)

    def _metadata(self) -> dict[str, Any]:
        with self._lock:
            if self._published is None:
                found = self._get(f"{self.provider.issuer.rstrip('/')}/.well-known/openid-configuration")
                if found.get("issuer") != self.provider.issuer:
                    raise IdentityError(
                        f"{self.provider.issuer} calls itself {found.get('issuer')!r}; write that as UNDERWEIR_OIDC_ISSUER"
                    )
                missing = [
                    key for key in ("authorization_endpoint", "token_endpoint", "jwks_uri") if not found.get(key)
                ]
                if missing:
                    raise IdentityError(f"{self.provider.issuer} does not say its {', '.join(missing)}")
                self._published = found
            return self._published

    def _key_set(self, *, fresh: bool = False) -> KeySet:
        published = self._metadata()
        with self._lock:
            if self._keys is None or fresh:
                try:
                    self._keys = KeySet.import_key_set(self._get(published["jwks_uri"]))  # type: ignore[arg-type]
                except (JoseError, KeyError, ValueError, TypeError) as error:
                    raise IdentityError(f"the keys of {self.provider.issuer} cannot be read: {error}") from error
            return self._keys

    def _get(self, address: str, headers: Mapping[str, str] | None = None) -> dict[str, Any]:
        try:
            answer = requests.get(address, headers=headers, timeout=TIMEOUT, allow_redirects=False)
            answer.raise_for_status()
            found = answer.json()
        except (requests.RequestException, ValueError) as error:
            raise IdentityError(f"{self.provider.issuer} cannot be asked: {error}") from error
        if not isinstance(found, dict):
            raise IdentityError(f"{self.provider.issuer} gave no answer that could be read")
        return found

    def _session(self) -> Any:
        provider = self.provider
        return OAuth2Session(
            provider.client_id,
            provider.client_secret,
            scope="openid profile email",
            redirect_uri=provider.callback,
            code_challenge_method="S256",
            token_endpoint_auth_method="client_secret_basic" if provider.client_secret else "none",
            default_timeout=TIMEOUT,
        )


def _time_of(claim: object) -> datetime | None:
    """A claim in seconds since 1970 as a time."""
    if isinstance(claim, bool) or not isinstance(claim, int | float):
        return None
    try:
        return datetime.fromtimestamp(claim, UTC)
    except (OverflowError, ValueError, OSError):
        return None
