"""One-time codes against the vectors of their standards, and what is stored of them."""

from __future__ import annotations

import base64
from datetime import UTC, datetime

import pyotp
import pytest

from service.errors import InputError
from service.jobs.accounts.second_factor import FactorKeys, _step, address_of

#: The key of both standards' vectors, in base 32 as phones take it.
KEY = base64.b32encode(b"12345678901234567890").decode()


@pytest.mark.parametrize(
    ("seconds", "eight_digits"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_are_those_of_rfc_6238(seconds: int, eight_digits: str) -> None:
    """Appendix B, SHA-1; six digits are the last six of its eight, as both are the same number modulo powers of ten."""
    assert _step(KEY, eight_digits[-6:], datetime.fromtimestamp(seconds, UTC)) == seconds // 30


def test_counters_give_the_codes_of_rfc_4226() -> None:
    """Appendix D: the counters 0 to 9, each of which is a time step of ours."""
    codes = ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"]
    assert [_step(KEY, code, datetime.fromtimestamp(30 * n + 30, UTC)) for n, code in enumerate(codes)] == [*range(10)]


@pytest.mark.parametrize(("off_by", "taken"), [(-2, False), (-1, True), (0, True), (1, True), (2, False)])
def test_a_phone_may_be_off_by_one_step(off_by: int, taken: bool) -> None:
    now = datetime(2026, 1, 14, 3, 10, 15, tzinfo=UTC)
    code = pyotp.TOTP(KEY).at(now, counter_offset=off_by)
    assert (_step(KEY, code, now) is not None) == taken


@pytest.mark.parametrize("typed", ["", "12345", "1234567", "94287082", "abcdef", "２８７０８２", "28708²", "\ud800", "0" * 100])  # fmt: skip
def test_what_is_no_code_is_refused(typed: str) -> None:
    assert _step(KEY, typed, datetime.fromtimestamp(59, UTC)) is None


def test_what_is_sealed_opens_with_the_same_secret_alone() -> None:
    keys, others = FactorKeys(b"a" * 32), FactorKeys(b"b" * 32)
    sealed = keys.sealed(KEY)
    assert KEY not in sealed
    assert keys.opened(sealed) == KEY
    with pytest.raises(InputError, match="an administrator can take it off"):
        others.opened(sealed)
    assert len({keys.hashed(1, "x"), keys.hashed(2, "x"), others.hashed(1, "x")}) == 3


def test_the_phone_is_told_whose_key_it_is() -> None:
    parsed = pyotp.parse_uri(address_of(KEY, "night", "Alder Creek: north"))
    assert isinstance(parsed, pyotp.TOTP)
    assert (parsed.name, parsed.issuer, parsed.secret) == ("night", "Underweir Alder Creek  north", KEY)
    assert (parsed.digits, parsed.interval, parsed.digest().name) == (6, 30, "sha1")
