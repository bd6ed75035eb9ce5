"""Encodes SMS-SUBMIT and decodes SMS-DELIVER units of 3GPP TS 23.040, in the GSM 7-bit alphabet."""

from __future__ import annotations

from dataclasses import dataclass

from service.notify.channels import gsm7

#: Validity of 24 hours in the relative format of TS 23.040 section 9.2.3.12.1: (value - 143) half hours on top of twelve.
ONE_DAY = 167


@dataclass(frozen=True, slots=True)
class Submit:
    """A unit to be sent: in hex with the service centre's field before it, and its length without that field."""

    pdu: str
    length: int


@dataclass(frozen=True, slots=True)
class Received:
    """A message that came in: the sender's number and the text."""

    sender: str
    text: str


def submit(number: str, text: str, validity: int = ONE_DAY) -> Submit:
    """An SMS-SUBMIT to an E.164 number; the text must fit one part.

    >>> submit("+46708251358", "hellohello", validity=0xAA).pdu
    '0011000B916407281553F80000AA0AE8329BFD4697D9EC37'
    """
    codes = gsm7.encode(text)
    if len(codes) > gsm7.ONE_PART_SEPTETS:
        raise ValueError(f"{len(codes)} septets do not fit one part of {gsm7.ONE_PART_SEPTETS}")
    digits = number.lstrip("+")
    if not digits.isdigit() or len(digits) > 15:
        raise ValueError(f"{number!r} is no E.164 number")
    unit = bytes((0x11, 0x00, len(digits), 0x91)) + _semi_octets(digits)
    unit += bytes((0x00, 0x00, validity, len(codes))) + gsm7.pack(codes)
    return Submit(pdu="00" + unit.hex().upper(), length=len(unit))


def deliver(pdu: str) -> Received:
    """The message in an SMS-DELIVER unit.

    Raises
    ------
    ValueError
        when the unit is of another kind, cut short, or in another alphabet.
    """
    unit = bytes.fromhex(pdu)
    try:
        unit = unit[1 + unit[0] :]
        first, digits, kind = unit[0], unit[1], unit[2]
        if first & 0x03:
            raise ValueError("not an SMS-DELIVER unit")
        octets = (digits + 1) // 2
        address, rest = unit[3 : 3 + octets], unit[3 + octets :]
        coding, count, data = rest[1], rest[9], rest[10:]
    except IndexError as error:
        raise ValueError("SMS-DELIVER unit is cut short") from error
    sender = _sender(address, digits, kind)
    if coding & 0x0C == 0x08:
        return Received(sender, data[:count].decode("utf-16-be", "replace"))
    if coding & 0x0C:
        raise ValueError("SMS carries data, not text")
    skip = 0
    if first & 0x40:  # a header before the text, as on parts of a long message
        skip = (8 * (data[0] + 1) + 6) // 7
    codes = unpack(data, count)
    return Received(sender, decode(codes[skip:]))


def unpack(data: bytes, count: int) -> bytes:
    """So many septets from packed octets; inverse of :func:`gsm7.pack`."""
    codes = bytearray()
    accumulator = bits = 0
    for octet in data:
        accumulator |= octet << bits
        bits += 8
        while bits >= 7 and len(codes) < count:
            codes.append(accumulator & 0x7F)
            accumulator >>= 7
            bits -= 7
    if len(codes) < count:
        raise ValueError("SMS text is cut short")
    return bytes(codes)


def decode(codes: bytes) -> str:
    """Septets as text; an unknown extension shows as a space, as TS 23.038 asks."""
    text = []
    escaped = False
    for code in codes:
        if escaped:
            text.append(_EXTENDED.get(code, " "))
            escaped = False
        elif code == 0x1B:
            escaped = True
        else:
            text.append(gsm7.BASIC[code])
    return "".join(text)


_EXTENDED = {code: character for character, code in gsm7.EXTENSION.items()}


def _semi_octets(digits: str) -> bytes:
    padded = digits + "F" * (len(digits) % 2)
    return bytes(int(padded[i + 1] + padded[i], 16) for i in range(0, len(padded), 2))


def _sender(address: bytes, digits: int, kind: int) -> str:
    if kind & 0x70 == 0x50:  # a name in place of a number
        return decode(unpack(address, digits * 4 // 7))
    swapped = "".join(f"{octet & 0x0F:x}{octet >> 4:x}" for octet in address)[:digits]
    return ("+" if kind & 0x70 == 0x10 else "") + swapped
