"""Whom the owner of the tables lets work with them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Engine, text

from service.storage.database.session import transaction

#: Tables whose rows come and go with every day's work. Of all others, what was measured, decided, told and by whom, the everyday role
#: deletes nothing; what retention takes of them goes by functions of the owner.
DELETABLE = (
    "assessment",
    "core_pair",
    "core_photo",
    "estimate",
    "estimator_checkpoint",
    "job_run",
    "recovery_code",
    "rollup",
    "rollup_due",
    "second_factor",
    "sign_in_failure",
    "web_session",
)

#: Nodes that start together would otherwise write the same line of the server's catalogue at once, which it refuses.
_LETTING_IN = 0x556E646572776973


def everyday_grants(role: str) -> tuple[str, ...]:
    """What the owner of a database says, so that a role can work with every table made later. Saying it again changes nothing."""
    return (
        f"GRANT USAGE ON SCHEMA public TO {role}",
        f"ALTER DEFAULT PRIVILEGES GRANT SELECT, INSERT, UPDATE ON TABLES TO {role}",
        f"ALTER DEFAULT PRIVILEGES GRANT EXECUTE ON FUNCTIONS TO {role}",
    )


def let_everyday_in(owner: Engine, everyday: Engine) -> None:
    """Let a role that does not own the tables work with all that are made from now on; changes nothing where one role does both.

    Raises
    ------
    StorageError
        The database is away, or the role of *owner* does not own it.
    """
    role = _role(everyday)
    _say(owner, role, everyday_grants(role))


def let_everyday_delete(owner: Engine, everyday: Engine) -> None:
    """Let that role delete from the tables, which are there by now, whose rows come and go. Raises as :func:`let_everyday_in`."""
    role = _role(everyday)
    _say(owner, role, [f"GRANT DELETE ON {', '.join(DELETABLE)} TO {role}"])


def _role(engine: Engine) -> str:
    with transaction(engine) as conn:
        return str(conn.execute(_NAMED).scalar_one())


def _say(owner: Engine, role: str, statements: Sequence[str]) -> None:
    with transaction(owner) as conn:
        if conn.execute(_NAMED).scalar_one() != role:
            conn.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LETTING_IN})
            for statement in statements:
                conn.execute(text(statement))


_NAMED = text("SELECT quote_ident(current_user)")
