"""Whom the owner of the tables lets work with them."""

from __future__ import annotations

from sqlalchemy import Engine, text

from service.storage.database.session import transaction

#: Nodes that start together would otherwise write the same line of the server's catalogue at once, which it refuses.
_LETTING_IN = 0x556E646572776973


def everyday_grants(role: str) -> tuple[str, ...]:
    """What the owner of a database says, so that a role can work with every table made later. Saying it again changes nothing."""
    return (
        f"GRANT USAGE ON SCHEMA public TO {role}",
        f"ALTER DEFAULT PRIVILEGES GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {role}",
        f"ALTER DEFAULT PRIVILEGES GRANT EXECUTE ON FUNCTIONS TO {role}",
    )


def let_everyday_in(owner: Engine, everyday: Engine) -> None:
    """Let a role that does not own the tables work with all that are made from now on; changes nothing where one role does both.

    Raises
    ------
    StorageError
        The database is away, or the role of *owner* does not own it.
    """
    named = text("SELECT quote_ident(current_user)")
    with transaction(everyday) as conn:
        role = conn.execute(named).scalar_one()
    with transaction(owner) as conn:
        if conn.execute(named).scalar_one() != role:
            conn.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LETTING_IN})
            for statement in everyday_grants(role):
                conn.execute(text(statement))
