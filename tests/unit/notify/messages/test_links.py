"""The link under an alarm: good for one occurrence, from here, for a day, and for nothing else."""

from __future__ import annotations

import base64
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify.messages.links import AlarmLinks, LinkClaims

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
LINKS = AlarmLinks(b"a secret of at least 32 bytes 1234", "https://underweir.example.org/")


def test_a_link_leads_to_its_occurrence() -> None:
    link = LINKS.link("east.high", "K7MD", NOW)
    assert link is not None
    base, _, token = link.rpartition("/")
    assert base == "https://underweir.example.org/a"
    assert LINKS.read(token, NOW) == LinkClaims("east.high", "K7MD", NOW + timedelta(hours=24))


def test_there_is_no_link_without_an_address_or_an_occurrence() -> None:
    assert LINKS.link("east.high", "", NOW) is None
    assert AlarmLinks(b"x" * 32, None).link("east.high", "K7MD", NOW) is None
    assert AlarmLinks(b"x" * 32, "").link("east.high", "K7MD", NOW) is None


def test_a_link_ends_after_a_day_to_the_second() -> None:
    token = LINKS.token("east.high", "K7MD", NOW)
    assert LINKS.read(token, NOW + timedelta(hours=24, seconds=-1)) is not None
    assert LINKS.read(token, NOW + timedelta(hours=24)) is None


def test_another_installations_link_opens_nothing() -> None:
    other = AlarmLinks(b"another secret of 32 bytes and more", "https://underweir.example.org")
    assert LINKS.read(other.token("east.high", "K7MD", NOW), NOW) is None


def test_whoever_changes_a_link_by_a_bit_opens_nothing() -> None:
    token = LINKS.token("east.high", "K7MD", NOW)
    raw = bytearray(base64.urlsafe_b64decode(token + "=" * (-len(token) % 4)))
    for place in range(len(raw)):
        changed = bytearray(raw)
        changed[place] ^= 1
        assert LINKS.read(base64.urlsafe_b64encode(changed).rstrip(b"=").decode(), NOW) is None
    assert len(raw) == 16 + len(b"east.high\nK7MD\n1773544200")  # sixteen bytes of the MAC: 128 bits


@given(st.text(max_size=60))
def test_no_text_is_a_link_by_chance(text: str) -> None:
    assert LINKS.read(text, NOW) is None


@pytest.mark.parametrize("key", ["east.high", "nord.höchst"])
def test_a_key_in_any_letters_comes_back(key: str) -> None:
    found = LINKS.read(LINKS.token(key, "K7MD", NOW), NOW)
    assert found is not None
    assert found.key == key


def test_a_link_mailed_before_an_update_opens_after_it() -> None:
    """Written down once: what changes it makes every link that was sent last night a dead one."""
    sent = "47Mw7TOzBjlYyEsmHm_G02Vhc3QuaGlnaApLN01ECjE3NzM1NDQyMDA"
    assert LINKS.token("east.high", "K7MD", NOW) == sent
