"""What a stolen table of passwords costs whoever wants to read it; tests hash cheaply, so this looks at what is shipped."""

from __future__ import annotations

from argon2 import Type

from service.jobs.accounts import people
from tests.conftest import SHIPPED_HASHER


def test_shipped_passwords_are_hashed_as_rfc_9106_recommends_where_memory_is_scarce() -> None:
    """RFC 9106, section 4, second recommended option: Argon2id, 3 passes, 64 MiB, 4 lanes, salt 16 and tag 32 bytes."""
    assert SHIPPED_HASHER.type is Type.ID
    assert (SHIPPED_HASHER.time_cost, SHIPPED_HASHER.memory_cost, SHIPPED_HASHER.parallelism) == (3, 64 * 1024, 4)
    assert (SHIPPED_HASHER.salt_len, SHIPPED_HASHER.hash_len) == (16, 32)


def test_a_password_hashed_more_cheaply_is_hashed_anew() -> None:
    assert SHIPPED_HASHER.check_needs_rehash(people._hasher.hash("six heron marsh lantern"))
