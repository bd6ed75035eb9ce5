"""SMS units as bytes, against widely published examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify import gsm7
from service.notify.sms_pdu import decode, deliver, submit, unpack


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
