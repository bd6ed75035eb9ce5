"""Every guarantee sabotaged alone, on a made-up account of one night: the accountant notices each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tests.faults.accountant import Account, Answer, Due, Evidence, Line, OutboxMessage, Received, Told, examine, unlike
from tests.faults.plant import ADDRESSES, CALLED_NEXT, FIRST_CALLED

AT = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
OCCURRED = "2026-03-14T08:00:00+00:00"
WORDS = {
    "alarm": "DANGER Tank {tank}: 2 ft under the weir. Code {code}",
    "acknowledged": "TAKEN Tank {tank}: Supervisor (invented) has it",
}


def night() -> Evidence:
    """Two tanks rise; the first is taken by whoever is called first, the second by the next."""
    evidence = Evidence(
        produced={("T00_BLANKET", AT): 4.0, ("T01_BLANKET", AT): 5.0},
        stored={("T00_BLANKET", AT): 4.0 * 0.3048, ("T01_BLANKET", AT): 5.0 * 0.3048},
        shown={0: 10.0, 1: 11.0, 2: 12.0},
        counted={0, 1},
        excused=[(11.5, 12.5)],
        addresses=ADDRESSES,
        stormed={"Tank t00", "Tank t01"},
        first_step=FIRST_CALLED,
        due=[Due(tank="Tank t00", contact=FIRST_CALLED), Due(tank="Tank t01", contact=CALLED_NEXT)],
        answers=[Answer(contact=FIRST_CALLED, code="K7QDHM"), Answer(contact=CALLED_NEXT, code="4NPHBC")],
    )
    _happens(evidence, "t00", "K7QDHM", "occurred", (FIRST_CALLED, "sms", "alarm"))
    _happens(evidence, "t00", "K7QDHM", "acknowledged", actor=FIRST_CALLED)
    _happens(evidence, "t01", "4NPHBC", "occurred", (FIRST_CALLED, "sms", "alarm"))
    _happens(evidence, "t01", "4NPHBC", "called further", (CALLED_NEXT, "email", "alarm"))
    _happens(evidence, "t01", "4NPHBC", "acknowledged", (FIRST_CALLED, "sms", "acknowledged"), actor=CALLED_NEXT)
    return evidence


_STATES = {
    "occurred": ("normal", "unacknowledged"),
    "called further": ("unacknowledged", "unacknowledged"),
    "acknowledged": ("unacknowledged", "acknowledged"),
}


def _happens(
    evidence: Evidence, tank: str, code: str, event: str, *calls: tuple[str, str, str], actor: str = ""
) -> None:
    number = len(evidence.journal) + 1
    told = tuple(Told(who, channel, kind, f"{tank}|{number}|{who}|{channel}|{kind}") for who, channel, kind in calls)
    from_state, to_state = _STATES[event]
    evidence.journal.append(
        Line(
            id=number,
            alarm=f"{tank}.high-high",
            tank=f"Tank {tank}",
            event=event,
            from_state=from_state,
            to_state=to_state,
            actor=actor,
            code=code,
            occurred=OCCURRED,
            told=told,
        )
    )
    for call in told:
        words = WORDS[call.kind].format(tank=tank, code=code)
        message = OutboxMessage(
            key=call.key,
            line=number,
            kind=call.kind,
            contact=call.contact,
            channel=call.channel,
            recipient=ADDRESSES[call.contact, call.channel],
            occurred=OCCURRED,
            subject=words,
            text=words,
        )
        evidence.outbox.append(message)
        _arrives(evidence, message, at=100.0 * number)


def _arrives(evidence: Evidence, message: OutboxMessage, *, at: float) -> None:
    subject = message.subject if message.channel == "email" else ""
    evidence.received.append(
        Received(
            id=message.id,
            channel=message.channel,
            recipient=message.recipient,
            subject=subject,
            text=message.text,
            at=at,
        )
    )


def test_a_night_on_which_all_went_well_is_found_well() -> None:
    account = examine(night())
    assert account.wrong() == []
    assert (account.produced, account.shown, account.excused) == (2, 3, 1)
    assert (account.calls, account.answers, account.duplicates) == (2, 2, 0)


def _dropped_row(evidence: Evidence) -> None:
    del evidence.stored["T01_BLANKET", AT]


def _register_number_lost(evidence: Evidence) -> None:
    evidence.counted.discard(0)


def _file_left(evidence: Evidence) -> None:
    evidence.not_taken.append("storm-t00-0.csv")


def _line_without_message(evidence: Evidence) -> None:
    gone = evidence.outbox.pop(0)
    evidence.received = [received for received in evidence.received if received.id != gone.id]


def _message_without_line(evidence: Evidence) -> None:
    evidence.outbox[0] = replace(evidence.outbox[0], line=None)


def _line_gone(evidence: Evidence) -> None:
    del evidence.journal[2]


def _line_told_nobody(evidence: Evidence) -> None:
    evidence.journal[3] = replace(evidence.journal[3], told=())


def _mail_doubled(evidence: Evidence) -> None:
    evidence.received += [received for received in evidence.received if received.channel == "email"]


def _everything_doubled(evidence: Evidence) -> None:
    evidence.disturbed = [(0.0, 1000.0)]
    evidence.received *= 2


def _never_came(evidence: Evidence) -> None:
    del evidence.received[0]


def _one_more_came(evidence: Evidence) -> None:
    evidence.received.append(replace(evidence.received[0], id="made up"))


def _one_for_another(evidence: Evidence) -> None:
    """One call did not come and another came twice: their number is right."""
    evidence.received[1] = evidence.received[0]


def _tanks_swapped(evidence: Evidence) -> None:
    """Both are called, each to the other's tank."""
    first, second = evidence.outbox[0], evidence.outbox[1]
    evidence.outbox[0] = replace(first, subject=second.subject, text=second.text)
    evidence.outbox[1] = replace(second, subject=first.subject, text=first.text)


def _people_swapped(evidence: Evidence) -> None:
    evidence.received[0] = replace(evidence.received[0], recipient=ADDRESSES[CALLED_NEXT, "sms"])


def _called_another(evidence: Evidence) -> None:
    """The row of the outbox itself is for somebody else than was decided."""
    other = ADDRESSES[CALLED_NEXT, "sms"]
    evidence.outbox[0] = replace(evidence.outbox[0], contact=CALLED_NEXT, recipient=other)
    evidence.received[0] = replace(evidence.received[0], recipient=other)


def _occurrence_swapped(evidence: Evidence) -> None:
    evidence.outbox[0] = replace(evidence.outbox[0], occurred="2026-03-13T08:00:00+00:00")


def _kind_swapped(evidence: Evidence) -> None:
    evidence.outbox[0] = replace(evidence.outbox[0], kind="cleared")


def _given_up(evidence: Evidence) -> None:
    evidence.outbox[0] = replace(evidence.outbox[0], status="failed")


def _called_off_untaken(evidence: Evidence) -> None:
    """A call is called off although nobody has the alarm."""
    evidence.outbox[0] = replace(evidence.outbox[0], status="cancelled")
    evidence.journal[1] = replace(evidence.journal[1], event="shelved", to_state="shelved")
    evidence.answers.pop(0)


def _answer_lost(evidence: Evidence) -> None:
    del evidence.journal[1]


def _answer_of_another(evidence: Evidence) -> None:
    evidence.journal[1] = replace(evidence.journal[1], actor=CALLED_NEXT)


def _called_after_taken(evidence: Evidence) -> None:
    _happens(evidence, "t00", "K7QDHM", "called further", (CALLED_NEXT, "email", "alarm"))
    evidence.journal[-1] = replace(evidence.journal[-1], from_state="acknowledged", to_state="acknowledged")


def _tank_forgotten(evidence: Evidence) -> None:
    """Nothing at all about a tank that rose: neither line nor message, and so no contradiction between them."""
    kept = [line.id for line in evidence.journal if line.tank != "Tank t00"]
    evidence.journal = [line for line in evidence.journal if line.id in kept]
    evidence.outbox = [message for message in evidence.outbox if message.line in kept]
    ids = {message.id for message in evidence.outbox}
    evidence.received = [received for received in evidence.received if received.id in ids]
    evidence.answers.pop(0)


def _calm_tank_called(evidence: Evidence) -> None:
    evidence.stormed = {"Tank t00"}
    evidence.due.pop()


@pytest.mark.parametrize(
    ("sabotage", "found_in", "word"),
    [
        (_dropped_row, "lost", "T01_BLANKET"),
        (_register_number_lost, "lost", "number 0"),
        (_file_left, "lost", "storm-t00-0.csv"),
        (_line_without_message, "missed", "no message"),
        (_message_without_line, "unfounded", "no line in the journal"),
        (_line_gone, "unfounded", "no line in the journal"),
        (_line_told_nobody, "unfounded", "did not decide it"),
        (_mail_doubled, "doubled", "came 2 times"),
        (_everything_doubled, "doubled", "came 2 times"),
        (_never_came, "missed", "never came"),
        (_one_more_came, "unfounded", "in no outbox"),
        (_one_for_another, "missed", "never came"),
        (_one_for_another, "doubled", "came 2 times"),
        (_tanks_swapped, "unfounded", "does not speak of Tank t01"),
        (_people_swapped, "unfounded", "somebody else"),
        (_called_another, "unfounded", "decided was"),
        (_occurrence_swapped, "unfounded", "decided was alarm of"),
        (_kind_swapped, "unfounded", "decided was alarm of"),
        (_given_up, "missed", "is failed"),
        (_called_off_untaken, "missed", "is cancelled"),
        (_answer_lost, "missed", "took K7QDHM"),
        (_answer_of_another, "missed", "took K7QDHM"),
        (_called_after_taken, "unfounded", "which somebody has"),
        (_tank_forgotten, "missed", "the danger of Tank t00 never occurred"),
        (_tank_forgotten, "missed", "was not called for Tank t00"),
        (_calm_tank_called, "unfounded", "never rose"),
    ],
    ids=lambda value: value.__name__.strip("_") if callable(value) else None,
)
def test_every_guarantee_broken_alone_is_noticed(
    sabotage: Callable[[Evidence], None], found_in: str, word: str
) -> None:
    evidence = night()
    sabotage(evidence)
    account: Account = examine(evidence)
    assert any(word in line for line in getattr(account, found_in)), account.wrong()
    assert account.wrong()


def test_what_faults_explain_is_no_defect() -> None:
    evidence = night()
    # A kill about the time of the first text message, and a mail server that took a mail and said nothing.
    evidence.disturbed = [(95.0, 97.0)]
    _arrives(evidence, evidence.outbox[0], at=103.0)
    evidence.outbox[2] = replace(evidence.outbox[2], unsure=1)
    _arrives(evidence, evidence.outbox[2], at=420.0)
    account = examine(evidence)
    assert (account.duplicates, account.wrong()) == (2, [])
    # The same kill explains no third copy.
    _arrives(evidence, evidence.outbox[0], at=104.0)
    assert len(examine(evidence).doubled) == 1


def test_a_call_that_is_called_off_as_somebody_has_it_is_no_call_missed() -> None:
    evidence = night()
    evidence.outbox[1] = replace(evidence.outbox[1], status="cancelled")
    gone = evidence.outbox[1].id
    evidence.received = [received for received in evidence.received if received.id != gone]
    assert examine(evidence).wrong() == []


def test_what_was_told_in_the_place_of_another_belongs_to_the_same_line() -> None:
    evidence = night()
    first = evidence.outbox[0]
    instead = replace(
        first,
        key=f"{first.key}|instead|{CALLED_NEXT}|email",
        contact=CALLED_NEXT,
        channel="email",
        recipient=ADDRESSES[CALLED_NEXT, "email"],
    )
    evidence.outbox.append(instead)
    _arrives(evidence, instead, at=150.0)
    assert examine(evidence).wrong() == []


def test_the_account_finds_what_is_missing_different_or_made_up() -> None:
    produced = {("A", AT): 1.0, ("B", AT): 2.0, ("C", AT): 3.0}
    stored = {("A", AT): 0.3048, ("B", AT): 0.61, ("D", AT): 1.0}
    assert sorted(line.split(" at ")[0] for line in unlike(produced, stored)) == ["B", "C", "D"]
