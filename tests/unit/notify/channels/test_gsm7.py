"""The GSM 7-bit default alphabet, counted and packed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify.channels import gsm7

# 3GPP TS 23.038: the basic table's contents are from memory, its length of 128 is checked; in the extension table the codes
# of { and | were verified in a public source, the others are from memory.
BASIC_CODES = {
    "@": 0x00,
    "£": 0x01,
    "\n": 0x0A,
    "\r": 0x0D,
    "Δ": 0x10,
    "_": 0x11,
    " ": 0x20,
    "A": 0x41,
    "a": 0x61,
    "à": 0x7F,
}
EXTENSION_CODES = {"^": 0x14, "{": 0x28, "}": 0x29, "\\": 0x2F, "[": 0x3C, "~": 0x3D, "]": 0x3E, "|": 0x40, "€": 0x65}


def test_tables() -> None:
    assert len(gsm7.BASIC) == len(set(gsm7.BASIC)) == 128
    for character, code in BASIC_CODES.items():
        assert gsm7.encode(character) == bytes([code])
    for character, code in EXTENSION_CODES.items():
        assert gsm7.encode(character) == bytes([0x1B, code])


@pytest.mark.parametrize(("text", "octets"), [("hellohello", "E8329BFD4697D9EC37"), ("hello", "E8329BFD06")])
def test_packing_vectors(text: str, octets: str) -> None:
    # Widely published packing example, recomputed from the bit layout of TS 23.038 section 6.1.2.1.1.
    assert gsm7.pack(gsm7.encode(text)).hex().upper() == octets


def test_140_octets_carry_160_septets() -> None:
    # 3GPP TS 23.040: 140 octets of user data.
    assert len(gsm7.pack(gsm7.encode("x" * 160))) == 140


@pytest.mark.parametrize(("text", "count"), [("x" * 160, 160), ("x" * 159 + "€", 161), ("[ok]", 6), ("", 0)])
def test_counting(text: str, count: int) -> None:
    assert gsm7.septets(text) == count


@pytest.mark.parametrize("character", ["`", "°", "µ", "水", "–"])
def test_what_the_alphabet_lacks(character: str) -> None:
    assert gsm7.septets(character) is None
    with pytest.raises(ValueError, match="GSM 7-bit"):
        gsm7.encode(character)


@given(st.text())
def test_plain_text_can_always_be_sent(text: str) -> None:
    assert gsm7.septets(gsm7.plain(text)) is not None


@given(st.text(), st.integers(1, 200))
def test_shortened_text_fits_and_says_nothing_new(text: str, limit: int) -> None:
    short = gsm7.shorten(text, limit)
    count = gsm7.septets(short)
    assert count is not None
    assert count <= limit
    assert gsm7.plain(text).startswith(short) or gsm7.septets(text) is None
    assert len(gsm7.encode(short)) == count


@pytest.mark.parametrize(
    ("text", "limit", "short"),
    [
        ("one two three", 9, "one two"),
        ("a bcdefghijk", 8, "a bcdefg"),  # cut at a word that early, hardly anything would be left
        ("abcd efghijk", 8, "abcd efg"),
        ("abcde fghijk", 8, "abcde"),
        ("x" * 9, 8, "x" * 8),
        ("[[[[[", 5, "[["),  # two septets each
        ("水水水", 2, "??"),
        ("whole", 5, "whole"),
    ],
)
def test_text_is_cut_at_a_word_where_that_leaves_more_than_half(text: str, limit: int, short: str) -> None:
    assert gsm7.shorten(text, limit) == short
