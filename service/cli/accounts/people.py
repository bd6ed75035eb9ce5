"""``underweir people``: accounts, roles, second factors and API tokens."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Callable
from datetime import timedelta
from typing import Annotated

import typer

from service.bootstrap import database, read_only_database, settings_from_environment, wall_clock
from service.cli.base.options import Json
from service.cli.base.output import say, say_json, say_table, usage_error, warn
from service.domain.plant.role import Role, Scope, SecondFactorRule
from service.jobs.accounts import people, second_factor
from service.storage.accounts import api_tokens, second_factors
from service.storage.accounts import people as store
from service.storage.database.session import transaction

Name = Annotated[str, typer.Argument(help="The name they sign in with.", show_default=False)]
FromInput = Annotated[
    bool, typer.Option("--password-stdin", help="Read the password from standard input instead of asking for it.")
]

_ACTOR = "command line"


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(
        help="People who may sign in: add, list, password, email, role, off, on, second-factor-off, token.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    commands: dict[str, Callable[..., None]] = {
        "add": _add,
        "list": _list,
        "password": _password,
        "email": _email,
        "role": _role,
        "off": _off,
        "on": _on,
        "second-factor-off": _second_factor_off,
        "token": _token,
        "tokens": _tokens,
        "revoke": _revoke,
    }
    for name, command in commands.items():
        group.command(name)(command)
    app.add_typer(group, name="people")


def _add(
    name: Name,
    role: Annotated[Role, typer.Option(help="What they may do.", show_default=False)],
    label: Annotated[str, typer.Option("--as", help="Name shown to others; the sign-in name otherwise.")] = "",
    email: Annotated[str, typer.Option(help="Address for notices of changes to their account.")] = "",
    password_stdin: FromInput = False,
) -> None:
    """Let somebody new in. The first administrator is made this way; there is no default password."""
    password = _asked(password_stdin)
    settings = settings_from_environment()
    with database(settings) as engine:
        made = people.add(
            engine, name=name, label=label, role=role, password=password, now=wall_clock(), actor=_actor(), email=email
        )
    say(f"{made.name} may sign in as {made.role}")
    if SecondFactorRule(settings.second_factor).asks(made.role):
        say("two-step sign-in is set up at the first sign-in: have a phone with an app for one-time codes at hand")


def _list(json: Json = False) -> None:
    """List everybody, with their role and whether they are switched off."""
    with read_only_database(settings_from_environment()) as engine, transaction(engine) as conn:
        found, with_codes = store.people(conn), second_factors.confirmed(conn)
    if json:
        say_json(
            [
                {
                    "name": p.name,
                    "label": p.label,
                    "role": p.role,
                    "active": p.active,
                    "email": p.email,
                    "second_factor": p.id in with_codes,
                }
                for p in found
            ]
        )
    elif not found:
        warn("nobody may sign in yet; add a person with: underweir people add NAME --role administrator")
    else:
        say_table(
            ("name", "shown as", "role", "second factor", ""),
            [
                (p.name, p.label, p.role.value, "on" if p.id in with_codes else "", "" if p.active else "switched off")
                for p in found
            ],
        )


def _password(name: Name, password_stdin: FromInput = False) -> None:
    """Give somebody a new password; where they are signed in now, they are signed out."""
    password = _asked(password_stdin)
    with database(settings_from_environment()) as engine:
        people.change_password(engine, name, password, now=wall_clock(), actor=_actor())
    say(f"the password of {people.clean_name(name)} is changed; sessions and tokens ended")


def _email(
    name: Name, address: Annotated[str, typer.Argument(help="The address; '' for none.", show_default=False)]
) -> None:
    """Say where somebody is told of changes to their account; the address before hears of that too."""
    with database(settings_from_environment()) as engine:
        people.change_email(engine, name, address, now=wall_clock(), actor=_actor())
    say(f"{people.clean_name(name)} is told of changes to the account at {address or 'no address'}")


def _role(name: Name, role: Annotated[Role, typer.Argument(help="The new role.", show_default=False)]) -> None:
    """Give somebody another role; it counts at once."""
    with database(settings_from_environment()) as engine:
        people.change_role(engine, name, role, now=wall_clock(), actor=_actor())
    say(f"{people.clean_name(name)} is {role} now")


def _off(name: Name) -> None:
    """Switch somebody off: sessions and tokens end at once. People are never deleted, the journals name them."""
    with database(settings_from_environment()) as engine:
        people.switch(engine, name, False, now=wall_clock(), actor=_actor())
    say(f"{people.clean_name(name)} is switched off")


def _on(name: Name) -> None:
    """Switch somebody on again."""
    with database(settings_from_environment()) as engine:
        people.switch(engine, name, True, now=wall_clock(), actor=_actor())
    say(f"{people.clean_name(name)} is switched on")


def _second_factor_off(name: Name) -> None:
    """Take the second factor off somebody who lost the phone; where they are signed in, they are signed out."""
    with database(settings_from_environment()) as engine:
        second_factor.take_off(engine, name, now=wall_clock(), actor=_actor())
    say(f"{people.clean_name(name)} signs in with the password alone")


def _token(
    name: Name,
    purpose: Annotated[str, typer.Option("--for", help="What it is for.", show_default=False)],
    scope: Annotated[list[Scope], typer.Option(help="What it may be used for; may be repeated.", show_default=False)],
    days: Annotated[
        float | None, typer.Option(help="For how long; as long as allowed otherwise.", show_default=False)
    ] = None,
) -> None:
    """Make a token for a program that acts for somebody. It is shown once.

    It ends with its days (UNDERWEIR_TOKEN_DAYS at most, 90 at most where it may answer alarms), with its owner's password, and when
    its owner is switched off or loses the role.
    """
    now, settings = wall_clock(), settings_from_environment()
    with database(settings) as engine:
        secret = people.issue_token(
            engine,
            name,
            purpose=purpose,
            scopes=scope,
            now=now,
            actor=_actor(),
            expires_at=None if days is None else now + timedelta(days=days),
            longest=timedelta(days=settings.token_days),
        )
    say(secret)


def _tokens(json: Json = False) -> None:
    """List the tokens, without their secrets."""
    now = wall_clock()
    with read_only_database(settings_from_environment()) as engine, transaction(engine) as conn:
        found = api_tokens.tokens(conn)
    if json:
        say_json(
            [
                {
                    "token": t.id,
                    "for": t.name,
                    "person": t.person.name,
                    "scopes": sorted(t.scopes),
                    "valid": t.valid(now),
                    "expires_at": t.expires_at,
                    "last_used_at": t.last_used_at,
                }
                for t in found
            ]
        )
        return
    say_table(
        ("token", "for", "person", "scopes", ""),
        [
            (str(t.id), t.name, t.person.name, " ".join(sorted(t.scopes)), "" if t.valid(now) else "no longer valid")
            for t in found
        ],
    )


def _revoke(token: Annotated[int, typer.Argument(help="The token's number, as listed.", show_default=False)]) -> None:
    """Revoke a token."""
    with database(settings_from_environment()) as engine:
        people.revoke_token(engine, token, now=wall_clock(), actor=_actor())
    say(f"token {token} is revoked")


def _asked(from_input: bool) -> str:
    if from_input:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        usage_error("there is no terminal to ask for the password; pipe it in with --password-stdin")
    password = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != password:
        usage_error("the two passwords differ")
    return password


def _actor() -> str:
    try:
        return f"{getpass.getuser()} ({_ACTOR})"
    except (KeyError, OSError):  # an account without a name, as in containers
        return _ACTOR
