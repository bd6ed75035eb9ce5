"""Who gets through a door, without a database: roles, scopes, proofs, form tokens, cookies, limits on bodies and on guesses.

The table of roles is SECURITY.md's, written by hand; a mistake here opens somebody's account or keeps somebody out at three in the
morning.
"""

from __future__ import annotations

import asyncio
import base64
import json
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi import HTTPException, Response
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import Message, Receive, Scope, Send

from service.domain.plant.role import Role
from service.domain.plant.role import Scope as TokenScope
from service.jobs.accounts.actor import Door
from service.jobs.accounts.people import PROVEN_FOR, SignedIn, is_proven
from service.storage.accounts.people import PersonRecord
from service.web.accounts import sign_in
from service.web.base.access import (
    Needs,
    Principal,
    ProofNeeded,
    Public,
    SecondFactorNeeded,
    SignInNeeded,
    cookie_name,
    form_checked,
    script_checked,
)
from service.web.base.request_limit import MOST_AT_ONCE, MOST_CLIENTS, MOST_STREAMS, Budget, RequestLimit
from service.web.base.security_headers import HEADERS, SecurityHeaders
from service.web.base.signing import Signer
from service.web.base.throttle import (
    MAX_CHANGES,
    MAX_FAILURES,
    MAX_KEYS,
    MAX_USES,
    WINDOW,
    Throttle,
    limit_failures,
    limit_uses,
)

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
S = timedelta(seconds=1)
ROLES = [Role.VIEWER, Role.OPERATOR, Role.TECHNICIAN, Role.SUPERVISOR, Role.ADMINISTRATOR]
SIGNER = Signer(b"a secret of at least 32 bytes 1234")


def _to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Run it on a thread of its own: a worker that has had a browser keeps a loop running on its main one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()


def person(role: Role = Role.VIEWER) -> PersonRecord:
    return PersonRecord(
        id=1, name="mia", label="Mia", role=role, active=True, created_at=NOW, password_set_at=NOW, email=None
    )


def somebody(role: Role = Role.VIEWER, **more: Any) -> Principal:
    return Principal(person=person(role), **{"session": "s", "visit": "s"} | more)


def status(call: Callable[[], object]) -> int:
    try:
        call()
    except HTTPException as refused:
        return refused.status_code
    return 200


# --- roles, scopes, proofs --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("least", ROLES)
@pytest.mark.parametrize("role", ROLES)
def test_a_role_opens_what_asks_for_it_or_less(role: Role, least: Role) -> None:
    allowed = ROLES.index(role) >= ROLES.index(least)
    assert status(lambda: Needs(least)(somebody(role))) == (200 if allowed else 403)
    assert somebody(role).may(least) is allowed
    assert not Principal().may(least)


def test_a_stranger_is_asked_to_sign_in_and_lets_nothing_else_be_known() -> None:
    with pytest.raises(SignInNeeded):
        Needs(Role.VIEWER)(Principal())
    with pytest.raises(SignInNeeded):
        Needs(Role.ADMINISTRATOR, proven_for="/people")(Principal(confined=True))
    assert Public("why")(Principal()) == Principal()


def test_who_has_to_set_up_a_second_factor_gets_nowhere_else() -> None:
    confined = somebody(Role.ADMINISTRATOR, confined=True, proven=True)
    with pytest.raises(SecondFactorNeeded):
        Needs(Role.VIEWER)(confined)
    assert Needs(Role.VIEWER, confined=True)(confined) is confined


@pytest.mark.parametrize("asked", [None, *TokenScope])
@pytest.mark.parametrize("given", list(TokenScope))
def test_a_token_opens_only_what_its_scope_names_whatever_its_owners_role(
    given: TokenScope, asked: TokenScope | None
) -> None:
    program = somebody(Role.ADMINISTRATOR, scopes=frozenset({given}))
    assert status(lambda: Needs(Role.VIEWER, asked)(program)) == (200 if given is asked else 403)
    assert status(lambda: Needs(Role.VIEWER, asked)(somebody())) == 200  # a person needs no scope
    assert status(lambda: Needs(Role.ADMINISTRATOR, given)(somebody(scopes=frozenset({given})))) == 403


def test_what_guards_accounts_wants_more_than_a_cookie() -> None:
    door = Needs(Role.ADMINISTRATOR, proven_for="/people")
    assert door(somebody(Role.ADMINISTRATOR, proven=True)).person is not None
    with pytest.raises(ProofNeeded) as needed:
        door(somebody(Role.ADMINISTRATOR))
    assert needed.value.back == "/people"
    assert status(lambda: door(somebody(Role.SUPERVISOR, proven=True))) == 403


def test_a_proof_counts_for_five_minutes() -> None:
    def proven(age: timedelta | None) -> bool:
        return is_proven(SimpleNamespace(proven_at=None if age is None else NOW - age), NOW)  # type: ignore[arg-type]

    assert timedelta(minutes=5) == PROVEN_FOR
    assert (proven(PROVEN_FOR), proven(PROVEN_FOR + S), proven(None)) == (True, False, False)


def test_who_acts_is_named_with_their_door() -> None:
    page, program = somebody(address="192.0.2.1").actor, somebody(scopes=frozenset()).actor
    assert (page.name, page.account, page.via, page.address) == ("Mia", "mia", Door.PAGE, "192.0.2.1")
    assert program.via is Door.API
    assert (Principal().label, Principal().actor.account) == ("", "")


# --- forms and cookies ------------------------------------------------------------------------------------------------


def asked(
    scheme: str = "https", headers: dict[str, str] | None = None, path: str = "/x", throttle: Throttle | None = None
) -> Request:
    plant = SimpleNamespace(clock=lambda: NOW)
    state = SimpleNamespace(signer=SIGNER, throttle=throttle or Throttle(), plant=plant)
    return Request(
        {
            "type": "http", "method": "POST", "scheme": scheme, "path": path, "query_string": b"", "server": ("u.example.org", 443),
            "headers": [(k.encode(), v.encode()) for k, v in (headers or {}).items()], "app": SimpleNamespace(state=state),
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("visit", "token_of", "site", "right"),
    [
        ("v", "v", None, True),
        ("v", "v", "same-origin", True),
        ("v", "v", "none", True),
        ("v", "v", "same-site", False),
        ("v", "v", "cross-site", False),
        ("v", "w", None, False),
        ("v", None, None, False),
        ("", "", None, False),
    ],
)
def test_a_form_is_taken_only_from_a_page_of_ours_of_the_same_visit(
    visit: str, token_of: str | None, site: str | None, right: bool
) -> None:
    request = asked(headers={} if site is None else {"sec-fetch-site": site})
    token = "" if token_of is None else SIGNER.form_token(token_of)
    visitor = Principal(visit=visit)
    assert status(lambda: form_checked(request, visitor, token)) == (200 if right else 403)
    assert status(lambda: script_checked(request, visitor, token)) == (200 if right else 403)
    program = Principal(scopes=frozenset())
    assert status(lambda: script_checked(request, program, "")) == 200
    assert status(lambda: form_checked(request, program, "")) == 403


def test_a_form_token_with_any_bit_changed_or_cut_short_is_none() -> None:
    token = SIGNER.form_token("visit")
    raw = base64.urlsafe_b64decode(token + "==")
    assert SIGNER.form_token_right("visit", token)
    assert len(raw) == 64  # a mask as long as the MAC, so that neither is seen twice
    for place in range(64):
        changed = bytearray(raw)
        changed[place] ^= 1
        assert not SIGNER.form_token_right("visit", base64.urlsafe_b64encode(changed).decode().rstrip("="))
    for wrong in ("", "x", "ä", token[:-1], token + "AA", "A" * 86):
        assert not SIGNER.form_token_right("visit", wrong)


def test_what_was_signed_is_believed_for_its_purpose_and_as_it_was() -> None:
    signed = SIGNER.signed("a.b", "half way")
    assert SIGNER.value(signed, "half way") == "a.b"
    assert SIGNER.value(signed) is None
    assert Signer(b"another secret").value(signed, "half way") is None
    for wrong in ("", ".", signed[1:], signed[:-1], signed + "A", "a.c" + signed[3:], "." + signed.rpartition(".")[2]):
        assert SIGNER.value(wrong, "half way") is None


def cookies_of(answer: Response) -> dict[str, str]:
    found = [value.decode() for name, value in answer.raw_headers if name == b"set-cookie"]
    return {one.partition("=")[0]: one.partition("=")[2] for one in found}


@pytest.mark.parametrize(("scheme", "prefix"), [("https", "__Host-"), ("http", "")])
def test_a_session_begins_in_a_cookie_that_scripts_and_other_hosts_never_see(scheme: str, prefix: str) -> None:
    """RFC 6265bis: __Host- asks for Secure, Path=/ and no Domain."""
    request = asked(scheme)
    assert cookie_name(request, "uw_session") == f"{prefix}uw_session"
    answer = sign_in.session_started(request, SignedIn(secret="a secret", person=person()), "//example.com")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    found = cookies_of(answer)
    session = found[f"{prefix}uw_session"]
    value, *attributes = [part.strip().lower() for part in session.split(";")]
    assert SIGNER.value(session.partition(";")[0].strip('"')) == "a secret"
    assert {"httponly", "samesite=lax", "path=/", "max-age=604800"} <= set(attributes)
    assert ("secure" in attributes) is (scheme == "https")
    assert not any(part.startswith("domain") for part in attributes)
    assert "max-age=0" in found[f"{prefix}uw_visit"].lower()
    assert value


def test_half_way_in_a_cookie_says_whose_password_was_right_for_the_code_page_alone() -> None:
    answer = sign_in.ask_for_code(asked(), person(), "https://example.com", NOW)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in/code")
    kept, *attributes = [part.strip() for part in cookies_of(answer)["uw_half_way"].split(";")]
    value = SIGNER.value(kept.strip('"'), "half way")
    assert value is not None
    assert json.loads(base64.urlsafe_b64decode(value)) == ["mia", NOW.timestamp(), "/"]
    assert {"HttpOnly", "SameSite=strict", "Path=/sign-in/code", "Secure", "Max-Age=300"} <= set(attributes)


@pytest.mark.parametrize(
    ("to", "inside"),
    [("/", True), ("/alarms?x=1", True), ("", False), ("alarms", False), ("//e.com", False), ("/\\e.com", False), ("/a\\b", False),
     ("/a\nb", False), ("/a\tb", False), ("https://e.com", False), ("javascript:alert(1)", False)],
)  # fmt: skip
def test_one_goes_on_within_these_pages_only(to: str, inside: bool) -> None:
    assert sign_in.local_path(to) == (to if inside else "/")


# --- guesses ----------------------------------------------------------------------------------------------------------


def test_what_is_counted_is_forgotten_after_ten_minutes_and_beyond_the_most_nothing_is_counted() -> None:
    throttle = Throttle()
    assert [throttle.wait("a", 2, NOW + n * S) for n in range(2)] == [timedelta(0)] * 2
    assert throttle.wait("a", 2, NOW + 2 * S) == WINDOW - 2 * S
    assert throttle.wait("a", 2, NOW + WINDOW - S) == S
    assert throttle.wait("b", 2, NOW) == timedelta(0)
    # The first is forgotten at ten minutes, so one more is let through; the second then still counts.
    assert throttle.wait("a", 2, NOW + WINDOW) == timedelta(0)
    assert throttle.wait("a", 2, NOW + WINDOW) == S


def test_the_key_unused_longest_is_forgotten_first() -> None:
    throttle = Throttle()
    for n in range(MAX_KEYS):
        throttle.wait(str(n), 1, NOW)
    assert throttle.wait("0", 1, NOW) > timedelta(0)  # used again: now the newest
    throttle.wait("new", 1, NOW)
    assert throttle.wait("0", 1, NOW) > timedelta(0)
    assert throttle.wait("1", 1, NOW) == timedelta(0)


def test_wrong_links_are_counted_by_address_and_presses_by_link() -> None:
    request, plant = asked(), SimpleNamespace(clock=lambda: NOW + timedelta(seconds=0.2))
    assert (MAX_FAILURES, MAX_USES, timedelta(minutes=10)) == (20, 60, WINDOW)
    results = [status(lambda: limit_failures(request, plant, "192.0.2.1", "link")) for _ in range(21)]  # type: ignore[arg-type]
    assert results == [200] * 20 + [429]
    assert status(lambda: limit_failures(request, plant, "192.0.2.2", "link")) == 200  # type: ignore[arg-type]
    assert status(lambda: limit_failures(request, plant, "192.0.2.1", "gateway")) == 200  # type: ignore[arg-type]
    assert [status(lambda: limit_uses(request, plant, "t")) for _ in range(61)] == [200] * 60 + [429]  # type: ignore[arg-type]
    plant.clock = lambda: NOW + timedelta(seconds=1)
    with pytest.raises(HTTPException) as refused:
        limit_uses(request, plant, "t")  # type: ignore[arg-type]
    assert refused.value.headers == {"Retry-After": "600"}  # 599.2 s, whole seconds up


def test_a_session_changes_so_much_and_a_program_is_not_counted_by_its_forms() -> None:
    request, token = asked(), SIGNER.form_token("v")
    results = [status(lambda: form_checked(request, Principal(visit="v"), token)) for _ in range(MAX_CHANGES + 1)]
    assert results == [200] * MAX_CHANGES + [429]
    assert status(lambda: script_checked(request, Principal(visit="v"), token)) == 429  # one count for both
    assert status(lambda: form_checked(request, Principal(visit="w"), SIGNER.form_token("w"))) == 200
    assert (
        status(lambda: form_checked(request, Principal(visit="v"), SIGNER.form_token("w"))) == 403
    )  # not counted as the other's
    program = Principal(scopes=frozenset())
    assert {status(lambda: script_checked(request, program, "")) for _ in range(MAX_CHANGES + 1)} == {200}


def test_a_budget_is_spent_and_grows_again_and_the_client_gone_longest_is_forgotten() -> None:
    budget = Budget(in_a_row=3, a_second=0.5)
    assert [budget.wait("a", 10.0) for _ in range(4)] == [0, 0, 0, 2]
    assert budget.wait("b", 10.0) == 0
    assert budget.wait("a", 11.0) == pytest.approx(1.0)
    assert [budget.wait("a", 12.0), budget.wait("a", 12.0)] == [0, 2]
    assert [budget.wait("a", 1e6) for _ in range(4)] == [0, 0, 0, 2], "no more is saved up than in the beginning"
    for n in range(MOST_CLIENTS):
        budget.wait(str(n), 1e6)
    assert budget.wait("a", 1e6) == 0


# --- every answer -----------------------------------------------------------------------------------------------------


def answered(
    app: Any, *, path: str = "/x", scheme: str = "https", query: bytes = b"", body: tuple[bytes, ...] = (b"",), kind: str = "http",
    headers: dict[str, str] | None = None, client: tuple[str, int] | None = ("192.0.2.1", 1),
) -> list[Message]:  # fmt: skip
    """What an ASGI application sends for one request."""
    sent: list[Message] = []
    parts = iter(body)

    async def receive() -> Message:
        return {"type": "http.request", "body": next(parts, b""), "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    scope = {
        "type": kind, "path": path, "scheme": scheme, "query_string": query, "method": "POST", "server": None, "client": client,
        "headers": [(k.encode(), v.encode()) for k, v in (headers or {}).items()],
    }  # fmt: skip
    _to_its_end(app(scope, receive, send))
    return sent


async def plain(scope: Scope, receive: Receive, send: Send) -> None:
    await PlainTextResponse("fine")(scope, receive, send)


async def reads(scope: Scope, receive: Receive, send: Send) -> None:
    first, second = await receive(), await receive()
    await PlainTextResponse(f"{len(first['body']) + len(second['body'])}")(scope, receive, send)


async def swallows(scope: Scope, receive: Receive, send: Send) -> None:
    """As a form parser does: takes any failure to read for a body it cannot parse."""
    try:
        await reads(scope, receive, send)
    except Exception:
        await PlainTextResponse("cannot be parsed", status_code=400)(scope, receive, send)


async def breaks(scope: Scope, receive: Receive, send: Send) -> None:
    raise RuntimeError("inside")


async def breaks_late(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    raise RuntimeError("inside")


async def large_late(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await receive()
    await send({"type": "http.response.body", "body": b"never"})


def guard(app: Any) -> SecurityHeaders:
    return SecurityHeaders(app, lambda request, error: PlainTextResponse("sorry", status_code=500), largest_body=10)


def head(sent: list[Message]) -> tuple[int, dict[str, str]]:
    starts = [message for message in sent if message["type"] == "http.response.start"]
    assert len(starts) == 1
    return starts[0]["status"], {k.decode(): v.decode() for k, v in starts[0]["headers"]}


def test_every_answer_keeps_the_browser_strict_also_that_to_a_failure() -> None:
    for app, code in ((plain, 200), (breaks, 500)):
        found, headers = head(answered(guard(app)))
        assert found == code
        assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'")
        assert {name.lower() for name in HEADERS} <= set(headers)
        assert headers["cache-control"] == "no-store"
        assert headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"
        assert "content-disposition" not in headers
    assert "strict-transport-security" not in head(answered(guard(plain), scheme="http"))[1]
    assert head(answered(guard(plain), path="/api/x"))[1]["content-disposition"].startswith("attachment")
    assert head(answered(plain, path="/x"))[1].keys() == {"content-length", "content-type"}


@pytest.mark.parametrize("app", [reads, swallows])
@pytest.mark.parametrize(
    ("body", "code"), [((b"x" * 5, b"x" * 5), 200), ((b"x" * 5, b"x" * 6), 413), ((b"x" * 11,), 413)]
)
def test_a_body_beyond_the_limit_is_refused_in_our_words_whoever_reads_it(
    app: Any, body: tuple[bytes, ...], code: int
) -> None:
    sent = answered(guard(app), body=body)
    assert head(sent)[0] == code
    assert sum(message["type"] == "http.response.body" for message in sent) == 1
    assert (b"MiB" in sent[-1]["body"]) is (code == 413)


def test_an_answer_under_way_is_not_begun_again() -> None:
    sent = answered(guard(large_late), body=(b"x" * 11,))
    assert [message["type"] for message in sent] == ["http.response.start"]
    with pytest.raises(RuntimeError):
        answered(guard(breaks_late))


@pytest.mark.parametrize(("path", "query", "code"), [("/a\0b", b"", 400), ("/a", b"x=%00", 400), ("/a", b"x=%01", 200)])
def test_a_nul_reaches_no_database(path: str, query: bytes, code: int) -> None:
    assert head(answered(guard(plain), path=path, query=query))[0] == code


# --- requests at once -------------------------------------------------------------------------------------------------


def crowd(requests: list[dict[str, Any]]) -> list[int]:
    """Ask all at once and keep every answer waiting; the statuses."""
    results: list[int] = []

    async def run() -> None:
        free = asyncio.Event()

        async def waits(scope: Scope, receive: Receive, send: Send) -> None:
            await free.wait()
            await plain(scope, receive, send)

        limit = RequestLimit(waits)

        async def one(more: dict[str, Any]) -> int:
            found: list[int] = []

            async def receive() -> Message:
                return {"type": "http.request"}

            async def send(message: Message) -> None:
                if message["type"] == "http.response.start":
                    found.append(message["status"])

            scope = {"type": "http", "path": "/x", "headers": [], "client": ("192.0.2.1", 1), "method": "GET"} | more
            await limit(scope, receive, send)
            return found[0]

        tasks = [asyncio.create_task(one(more)) for more in requests]
        await asyncio.sleep(0)
        free.set()
        results.extend(await asyncio.gather(*tasks))
        assert not limit._running  # whoever has gone is not counted any more
        results.append(await one({}))

    _to_its_end(run())
    return results


def session(name: str, secret: str) -> dict[str, Any]:
    return {"headers": [(b"cookie", f"{name}={secret}".encode())]}


def test_eight_requests_of_one_client_at_once_and_no_more() -> None:
    assert (MOST_AT_ONCE, MOST_STREAMS) == (8, 32)
    assert crowd([{}] * 9) == [200] * 8 + [429, 200]
    assert crowd([{"path": "/live"}] * 33) == [200] * 32 + [429, 200]
    assert crowd([{}] * 8 + [{"path": "/live"}]) == [200] * 10  # a stream waits without a thread
    assert crowd([{}] * 8 + [{"client": ("192.0.2.2", 1)}]) == [200] * 10


@pytest.mark.parametrize("name", ["uw_session", "__Host-uw_session"])
def test_people_behind_one_address_do_not_take_each_others_turns(name: str) -> None:
    assert crowd([session(name, "a")] * 8 + [session(name, "b")]) == [200] * 10
    assert crowd([session(name, "a")] * 9)[8] == 429
    token = {"headers": [(b"authorization", b"Bearer t"), (b"cookie", b"uw_session=a")]}
    assert crowd([session(name, "a")] * 8 + [token] * 8) == [200] * 17
    assert crowd([{"headers": [(b"cookie", b"other=1")]}] * 9)[8] == 429
