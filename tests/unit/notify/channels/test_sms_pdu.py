"""SMS units as bytes, against widely published examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify.channels import gsm7
from service.notify.channels.sms_pdu import decode, deliver, submit, unpack


def test_submit_example() -> None:
    # Widely published SMS-SUBMIT example (from memory): "hellohello" to +46 70 825 13 58, valid four days.
    made = submit("+46708251358", "hellohello", validity=0xAA)
    assert made.pdu == "0011000B916407281553F80000AA0AE8329BFD4697D9EC37"
    assert made.length == 23


def test_deliver_example() -> None:
    # Widely published SMS-DELIVER example (from memory).
    found = deliver("07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37")
    assert (found.sender, found.text) == ("27838890001", "hellohello")


@pytest.mark.parametrize("pdu", ["", "00", "0700", "00FF", "0004", "00040B", "zz", "0011000B916407281553F80000AA0A"])
def test_what_is_no_message_is_refused(pdu: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        deliver(pdu)


@pytest.mark.parametrize(
    ("number", "text"), [("abc", "x"), ("+1234567890123456", "x"), ("+15550100", "x" * 161), ("+15550100", "水")]
)
def test_what_cannot_be_sent_is_refused(number: str, text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        submit(number, text)


ALPHABET = "".join(c for c in gsm7.BASIC if c != "\x1b") + "".join(gsm7.EXTENSION)


@given(st.text(ALPHABET, max_size=80))
def test_packing_can_be_undone(text: str) -> None:
    codes = gsm7.encode(text)
    assert decode(unpack(gsm7.pack(codes), len(codes))) == text


@given(st.binary(max_size=60))
def test_any_bytes_give_a_message_or_a_refusal(data: bytes) -> None:
    try:
        deliver(data.hex())
    except ValueError:
        return


def unit_of(first: int, sender: tuple[int, int, bytes], coding: int, count: int, data: bytes) -> str:
    """An SMS-DELIVER of TS 23.040 section 9.2.2.1, field by field, without a service centre."""
    digits, kind, address = sender
    return (bytes((0, first, digits, kind)) + address + bytes((0, coding)) + bytes(7) + bytes((count,)) + data).hex()


NUMBER = (11, 0x91, bytes.fromhex("5155100091F9"))  # +15550100199


def packed_after(header: bytes, text: str) -> tuple[int, bytes]:
    """Septets behind a header, from the next septet boundary on (TS 23.040 section 9.2.3.24)."""
    skipped = -(-8 * len(header) // 7)
    bits = int.from_bytes(header, "little")
    for place, code in enumerate(gsm7.encode(text), start=skipped):
        bits |= code << (7 * place)
    count = skipped + len(text)
    return count, bits.to_bytes(-(-7 * count // 8), "little")


@pytest.mark.parametrize("header", [b"\x05\x00\x03\xaa\x02\x01", b"\x06\x08\x04\x01\x02\x02\x01", b"\x02\x70\x00"])
def test_a_part_of_a_long_message_is_read_from_behind_its_header(header: bytes) -> None:
    found = deliver(unit_of(0x44, NUMBER, 0, *packed_after(header, "K7QDHM yes")))
    assert (found.sender, found.text) == ("+15550100199", "K7QDHM yes")


def test_a_message_in_unicode_is_read_and_one_of_data_is_not() -> None:
    text = "ja, naïve 水".encode("utf-16-be")
    assert deliver(unit_of(0x04, NUMBER, 0x08, len(text), text)).text == "ja, naïve 水"
    for coding in (0x04, 0x0C):
        with pytest.raises(ValueError, match="carries data"):
            deliver(unit_of(0x04, NUMBER, coding, len(text), text))


def test_a_sender_is_a_number_as_dialled_or_abroad_or_a_name() -> None:
    count, data = packed_after(b"", "yes")
    assert deliver(unit_of(0x04, (4, 0x81, b"\x21\x43"), 0, count, data)).sender == "1234"
    name = gsm7.pack(gsm7.encode("Underweir"))
    assert deliver(unit_of(0x04, (16, 0xD0, name), 0, count, data)).sender == "Underweir"


@pytest.mark.parametrize("first", [0x01, 0x02, 0x03])
def test_what_is_no_delivered_message_is_refused(first: int) -> None:
    with pytest.raises(ValueError, match="not an SMS-DELIVER"):
        deliver(unit_of(first, NUMBER, 0, *packed_after(b"", "yes")))


def test_what_is_sent_has_its_fields_where_the_standard_wants_them() -> None:
    # TS 23.040 section 9.2.2.2: SUBMIT with a relative validity, no reference, international number, 7 bit, 24 h (9.2.3.12.1: 167).
    made = submit("+123456", "hi")
    assert made.pdu == "00" + "1100" + "0691" + "214365" + "0000" + "A7" + "02" + "E834"
    assert made.length == len(made.pdu) // 2 - 1
    assert submit("+1" + "2" * 14, "x" * 160).length > 140
    assert decode(b"\x1b\x65\x1b\x00a") == "€ a"
