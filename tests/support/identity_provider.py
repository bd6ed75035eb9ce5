"""A real OpenID Connect provider in this process, that can be told to lie."""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import KeySet, OctKey, RSAKey

CLIENT, SECRET = "underweir", "between the two of us"


@dataclass
class Provider:
    """What it says and whom it knows. ``claims`` go into the token, ``userinfo`` only to whoever asks for more."""

    clock: Callable[[], datetime]
    issuer: str = ""
    claims: dict[str, Any] = field(
        default_factory=lambda: {"sub": "a-1", "preferred_username": "sam", "name": "Sam O."}
    )
    userinfo: dict[str, Any] = field(default_factory=dict)
    #: Put in the place of what would be right.
    lies: dict[str, Any] = field(default_factory=dict)
    algorithm: str = "RS256"
    refuses: str = ""  #: an error it sends people back with
    key: Any = field(default_factory=lambda: RSAKey.generate_key(2048, {"kid": "first", "use": "sig"}))
    signs_with: Any = None  #: another key than it publishes
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)  #: what a strict provider would complain about

    def change_keys(self) -> None:
        """As providers do from time to time."""
        self.key = RSAKey.generate_key(2048, {"kid": secrets.token_hex(4), "use": "sig"})

    def authorize(self, asked: dict[str, str]) -> str:
        """Where the browser is sent back to; whoever comes is signed in at once."""
        for name, value in {"client_id": CLIENT, "response_type": "code", "code_challenge_method": "S256"}.items():
            if asked.get(name) != value:
                self.problems.append(f"{name} is {asked.get(name)}")
        if self.refuses:
            return f"{asked['redirect_uri']}?{urlencode({'error': self.refuses, 'state': asked['state']})}"
        code = secrets.token_urlsafe(16)
        self.codes[code] = asked
        return f"{asked['redirect_uri']}?{urlencode({'code': code, 'state': asked['state']})}"

    def token(self, authorization: str, asked: dict[str, str]) -> tuple[int, dict[str, Any]]:
        """Tokens for a code: once, to the client it was made for, with the verifier only that one has."""
        begun = self.codes.pop(asked.get("code", ""), None)
        expected = "Basic " + base64.b64encode(f"{CLIENT}:{SECRET.replace(' ', '+')}".encode()).decode()
        plain = "Basic " + base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        challenge = base64.urlsafe_b64encode(hashlib.sha256(asked.get("code_verifier", "").encode()).digest())
        if authorization not in (expected, plain):
            return 401, {"error": "invalid_client"}
        if (
            begun is None
            or begun["redirect_uri"] != asked.get("redirect_uri")
            or begun["code_challenge"] != challenge.rstrip(b"=").decode()
        ):
            return 400, {"error": "invalid_grant"}
        return 200, {"access_token": "more", "token_type": "Bearer", "id_token": self.word(begun["nonce"])}

    def word(self, nonce: str) -> str:
        """Who it is, signed."""
        now = int(self.clock().timestamp())
        claims = {"iss": self.issuer, "aud": CLIENT, "iat": now, "exp": now + 300, "nonce": nonce} | self.claims
        claims = {name: value for name, value in (claims | self.lies).items() if value is not None}
        key = self.signs_with or self.key
        header = {"alg": self.algorithm} | ({} if isinstance(key, OctKey) else {"kid": key.kid})
        return jwt.encode(header, claims, key, algorithms=[self.algorithm])


@contextmanager
def identity_provider(clock: Callable[[], datetime]) -> Iterator[Provider]:
    """Run it."""
    provider = Provider(clock)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            address = urlsplit(self.path)
            issuer = provider.issuer
            if address.path == "/.well-known/openid-configuration":
                self.say(
                    200,
                    {
                        "issuer": issuer,
                        "authorization_endpoint": f"{issuer}/authorize",
                        "token_endpoint": f"{issuer}/token",
                        "jwks_uri": f"{issuer}/keys",
                        "userinfo_endpoint": f"{issuer}/userinfo",
                    },
                )
            elif address.path == "/keys":
                self.say(200, KeySet([provider.key]).as_dict(private=False))
            elif address.path == "/userinfo":
                known = self.headers["Authorization"] == "Bearer more"
                self.say(200 if known else 401, provider.userinfo)
            elif address.path == "/authorize":
                asked = {name: values[0] for name, values in parse_qs(address.query).items()}
                self.send_response(302)
                self.send_header("Location", provider.authorize(asked))
                self.end_headers()
            else:
                self.say(404, {})

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            asked = {name: values[0] for name, values in parse_qs(body).items()}
            self.say(*provider.token(self.headers["Authorization"] or "", asked))

        def say(self, status: int, value: object) -> None:
            content = json.dumps(value).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:
            """Tests are quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    provider.issuer = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield provider
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
