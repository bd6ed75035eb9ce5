"""What people write back at night, as they write it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.machine import occurrence_code
from service.alarms.replies import (
    AsksStatus,
    Confirms,
    Declines,
    Reply,
    TakesIt,
    TookCore,
    Unclear,
    read_reply,
)
from tests.unit.alarms.cases import T0

#: NIST SP 811 appendix B: exact.
FOOT, INCH = 0.3048, 0.0254


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("K7QD", TakesIt("K7QD")),
        ("k7qd", TakesIt("K7QD")),
        (" K7QD. ", TakesIt("K7QD")),
        ("ack K7QD", TakesIt("K7QD")),
        ("OK k7qd going there now", TakesIt("K7QD", "going there now")),
        ("code K7QD", TakesIt("K7QD")),
        ("bcdf", TakesIt("BCDF")),
        ("ok", TakesIt(None)),
        ("OK!", TakesIt(None)),
        ("I have it", TakesIt(None)),
        ("got it, 10 min away", TakesIt(None, "10 min away")),
        ("?", AsksStatus()),
        ("Status please", AsksStatus()),
        ("yes", Confirms()),
        ("Y", Confirms()),
        ("no", Declines()),
        ("core 2.4 ft", TookCore(2.4, "ft", 2.4 * FOOT)),
        ("Took a core: 2.4 ft", TookCore(2.4, "ft", 2.4 * FOOT)),
        ("core 2,4 ft", TookCore(2.4, "ft", 2.4 * FOOT)),
        ("core east 2.4", TookCore(2.4, None, None, "east")),
        ("core tank 2 3.1 ft", TookCore(3.1, "ft", 3.1 * FOOT, "tank 2")),
        ("East core 3 ft 5 in", TookCore(3.4167, "ft", 3 * FOOT + 5 * INCH, "east")),
        ("core 3'5\"", TookCore(3.4167, "ft", 3 * FOOT + 5 * INCH)),
        ("core 85 cm", TookCore(85.0, "cm", 85 * 0.01)),
        ("2.4 ft", TookCore(2.4, "ft", 2.4 * FOOT)),
        ("core", Unclear()),
        ("", Unclear()),
        ("who is this", Unclear()),
        ("call me back", Unclear()),
    ],
)
def test_replies(text: str, meant: Reply) -> None:
    assert read_reply(text) == meant


@given(st.text(max_size=200))
def test_any_text_means_something_or_is_unclear(text: str) -> None:
    reply = read_reply(text)
    if isinstance(reply, TookCore):
        assert reply.number >= 0.0


@given(st.integers(0, 10_000), st.booleans())
def test_every_code_is_understood(seconds: int, lower: bool) -> None:

    code = occurrence_code("east.high", T0 + timedelta(seconds=seconds))
    assert read_reply(code.lower() if lower else code) == TakesIt(code)
