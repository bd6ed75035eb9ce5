"""What people write back at night, as they write it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.machine import occurrence_code
from service.calls.replies import (
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
        ("K7QDHM", TakesIt("K7QDHM")),
        ("k7qdhm", TakesIt("K7QDHM")),
        (" K7QDHM. ", TakesIt("K7QDHM")),
        ("K7QDHM!", TakesIt("K7QDHM")),
        ("OK k7qdhm", TakesIt("K7QDHM")),
        ("Ok, K7QDHM.", TakesIt("K7QDHM")),
        ("ok: K7QDHM", TakesIt("K7QDHM")),
        ("bcdfgh", TakesIt("BCDFGH")),
        ("?", AsksStatus()),
        ("Status please", AsksStatus()),
        ("yes", Confirms()),
        ("Y", Confirms()),
        ("no", Declines(bare=True)),
        ("No.", Declines(bare=True)),
        ("NO 4NPHBC not me", Declines("4NPHBC")),
        ("no K7QDHM", Declines("K7QDHM")),
        ("pass K7QDHM", Declines("K7QDHM")),
        ("K7QDHM no", Declines("K7QDHM")),
        ("K7QDHM: can't, sick", Declines("K7QDHM")),
        ("can't take TJHCWK, in hospital. call somebody else", Declines("TJHCWK")),
        ("Can\u2019t take TJHCWK", Declines("TJHCWK")),
        ("Sorry, I cannot take k7qdhm", Declines("K7QDHM")),
        ("Got food poisoning, cannot come", Declines()),
        ("pass", Declines()),
        ("Can't", Declines()),
        ("can not make it", Declines()),
        ("Not me", Declines()),
        ("not on call tonight", Declines()),
        ("No, ask Ben", Declines()),
        ("no puedo", Declines()),
        # A phone's own text: nobody knows whether anybody read the alarm, but the next person can be called.
        ("Sorry, I can't talk right now.", Declines()),
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
        # A no that may be a yes is neither.
        ("no problem, on my way", Unclear()),
        ("can't talk, on my way", Unclear()),
        ("no K7QDHM wait I have it", Unclear()),
        # Asked to be left alone is not asked to take it.
        ("STOP", Unclear()),
        ("STOP 4NPHBC calls please", Unclear()),
        ("STOPALL", Unclear()),
        ("cancel", Unclear()),
        ("START", Unclear()),
    ],
)
def test_replies(text: str, meant: Reply) -> None:
    assert read_reply(text) == meant


ALARM = "DANGER East clarifier: sludge 1.0 ft under weir, rising 0.3 ft/h. Estimate reliable. 03:01 EST. Code K7QDHM"


@pytest.mark.parametrize(
    "text",
    [
        # What today's phones write by themselves, or nearly so.
        "I have my phone on silent while driving. I will see your message later.",
        "I'm driving with Do Not Disturb While Driving turned on. I'll see your message when I get where I'm going.",
        "I'm driving right now - I'll get back to you later. [auto reply]",
        '(I\'m not receiving notifications. If this is urgent, reply "urgent" to send a notification through.)',
        "Auto-reply: I am out of the office until Monday and will have limited access to messages.",
        "I am out of office. For urgent matters call the plant.",
        "Ich bin gerade nicht erreichbar und melde mich sp\u00e4ter.",
        "Estoy conduciendo. Te llamo luego.",
        "Je suis en r\u00e9union, je vous rappelle.",
        "Thank you for your message. This mailbox is not monitored.",
        "Thanks! We got your message and will be in touch soon.",
        "Call you later",
        "In a meeting. What's up?",
        "I'm busy, call me later?",
        "New phone who dis",
        "Message blocked: premium content is not active on this number.",
        "Delivered",
        "Read 03:02",
        # Said with less than the code, or with more.
        "ok",
        "OK!",
        "okay",
        "I have it",
        "got it, 10 min away",
        "on it",
        "mine",
        "going",
        "yes K7QDHM",
        "ack K7QDHM",
        "code K7QDHM",
        "K7QDHM ok",
        "K7QDHM on my way",
        "OK K7QDHM going there now",
        "ok ok K7QDHM",
        "is K7QDHM mine?",
        "K7QDHM?",
        "OK K7QDHM?",
        "not K7QDHM",
        "K7QDHM TJHCWK",
        "K7Q DHM",
        "K7QDHM1",
        "OKK7QDHM",
        "\u041a7QDHM",
        "what is K7QDHM",
        "who has k7qdhm now",
        "Hmmm what",
        "\U0001f44d",
        "\U0001f44d K7QDHM",
        "\u2705",
        # The alarm quoted back, as phones, mail gateways and reactions do.
        ALARM,
        f"> {ALARM}",
        f'"{ALARM}"',
        f"Liked \u201c{ALARM}\u201d",
        f"\U0001f44d to \u201c{ALARM}\u201d",
        f"Emphasized \u201c{ALARM}\u201d",
        f"OK\n> {ALARM}",
        f"K7QDHM\n\nOn Wed, 14 Jan 2026 at 03:01 {ALARM} wrote:",
        f"Fwd: {ALARM}",
        f"Auto-reply to: {ALARM}",
        "SENSOR East clarifier: no blanket reading for 30 min. 03:01 EST. Code K7QDHM",
        "DANGER East: hand core puts the sludge 1.0 ft under weir. From hand core. 03:01 EST. Code K7QDHM",
        "> Code K7QDHM",
        "\u201cK7QDHM\u201d",
        "K7QDHM\nSent from my phone",
        # Nothing else can be done to an alarm by message.
        "shelve K7QDHM",
        "shelve K7QDHM 12 h",
        "reset K7QDHM",
        "unlatch K7QDHM",
        "disable K7QDHM",
        "suppress east.high-high",
        "clear K7QDHM",
        "OK all",
        "east.high-high",
        "OK east.high-high",
    ],
)
def test_nothing_but_the_code_takes_an_alarm(text: str) -> None:
    assert read_reply(text) == Unclear()


@given(st.text(max_size=60), st.text(max_size=60))
def test_a_code_among_other_words_takes_nothing(before: str, after: str) -> None:
    words = f"{before} w\u00f6rd K7QDHM {after}"
    assert not isinstance(read_reply(words), TakesIt)
    assert not isinstance(read_reply(f"{before} K7QDHM w\u00f6rd {after}"), TakesIt)


@given(st.text(max_size=200))
def test_any_text_means_something_or_is_unclear(text: str) -> None:
    reply = read_reply(text)
    if isinstance(reply, TookCore):
        assert reply.number >= 0.0


@given(st.integers(0, 10_000), st.booleans())
def test_every_code_is_understood(seconds: int, lower: bool) -> None:

    code = occurrence_code("east.high", T0 + timedelta(seconds=seconds))
    said = code.lower() if lower else code
    assert read_reply(said) == read_reply(f"OK {said}") == TakesIt(code)
    assert read_reply(f"no {said}") == read_reply(f"can't take {said}, sick") == Declines(code)
