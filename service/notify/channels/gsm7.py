"""GSM 7-bit default alphabet of 3GPP TS 23.038 section 6.2.1: septets, transliteration, packing, shortening."""

from __future__ import annotations

import unicodedata

#: Basic set in code order 0x00..0x7F; 0x1B is the escape to the extension table and stands here as itself.
BASIC = (
    "@£$¥èéùìòÇ\nØø\rÅå"
    "Δ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ"
    " !\"#¤%&'()*+,-./"
    "0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNO"
    "PQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmno"
    "pqrstuvwxyzäöñüà"
)
#: Extension table: each of these costs the escape and one more septet.
EXTENSION = {
    "\f": 0x0A,
    "^": 0x14,
    "{": 0x28,
    "}": 0x29,
    "\\": 0x2F,
    "[": 0x3C,
    "~": 0x3D,
    "]": 0x3E,
    "|": 0x40,
    "€": 0x65,
}
ONE_PART_SEPTETS = 160
_CODE = {character: code for code, character in enumerate(BASIC) if character != "\x1b"}

# Written otherwise rather than sent as UCS-2, which would cut a part to 70 characters.
_PLAIN = {
    "–": "-",
    "—": "-",
    "−": "-",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "…": "...",
    "·": ".",
    "×": "x",
    "±": "+/-",
    "°": " deg",
    "µ": "u",
    "³": "3",
    "²": "2",
    "\u00a0": " ",
    "\u202f": " ",
    "\t": " ",
    "`": "'",
}


def septets(text: str) -> int | None:
    """Septets the text takes in the default alphabet; None when it cannot be written in it.

    >>> septets("hello"), septets("5 €"), septets("水")
    (5, 4, None)
    """
    total = 0
    for character in text:
        if character in _CODE:
            total += 1
        elif character in EXTENSION:
            total += 2
        else:
            return None
    return total


def plain(text: str) -> str:
    """The text with whatever the alphabet lacks written otherwise: typographic signs by plain ones, others by ``?``.

    >>> plain("2 m³ – naïve 水")
    '2 m3 - naive ?'
    """
    written = []
    for character in text:
        if character in _CODE or character in EXTENSION:
            written.append(character)
            continue
        if character in _PLAIN:
            written.append(_PLAIN[character])
            continue
        base = unicodedata.normalize("NFKD", character)[0]
        written.append(base if base in _CODE else "?")
    return "".join(written)


def encode(text: str) -> bytes:
    """The septets one per byte, escapes included; raises ValueError on what the alphabet lacks."""
    codes = bytearray()
    for character in text:
        if character in _CODE:
            codes.append(_CODE[character])
        elif character in EXTENSION:
            codes += bytes((0x1B, EXTENSION[character]))
        else:
            raise ValueError(f"{character!r} is not in the GSM 7-bit alphabet")
    return bytes(codes)


def pack(codes: bytes) -> bytes:
    """Septets packed into octets, least significant bit first (3GPP TS 23.038 section 6.1.2.1.1).

    >>> pack(encode("hellohello")).hex().upper()
    'E8329BFD4697D9EC37'
    """
    packed = bytearray()
    accumulator = bits = 0
    for code in codes:
        accumulator |= code << bits
        bits += 7
        while bits >= 8:
            packed.append(accumulator & 0xFF)
            accumulator >>= 8
            bits -= 8
    if bits:
        packed.append(accumulator & 0xFF)
    return bytes(packed)


def shorten(text: str, limit: int = ONE_PART_SEPTETS) -> str:
    """The text cut at a word so that it takes at most *limit* septets; nothing is cut in the middle of an escape."""
    if septets(text) is None:
        text = plain(text)
    if len(encode(text)) <= limit:
        return text
    kept = ""
    used = 0
    for character in text:
        cost = 2 if character in EXTENSION else 1
        if used + cost > limit:
            break
        kept += character
        used += cost
    head, space, _ = kept.rpartition(" ")
    return head if space and len(head) > limit // 2 else kept
