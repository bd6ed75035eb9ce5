"""The alarm machine held against the transitions of the standard, reached only by what happens to an alarm from normal on.

Written from the table of ANSI/ISA-18.2-2016 and IEC 62682:2014 (alarm state transition diagram; labels and arrows from memory)
and from OPC UA Part 9 v1.05 section 4.8 (states of an alarm as independent yes-or-no questions), not from the machine's code.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import (
    Acknowledge,
    Evaluate,
    Input,
    Machine,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Suppress,
    Unshelve,
    Unsuppress,
    step,
)
from service.alarms.rules import Condition, RuleReason, RuleResult

T0 = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def verdict(condition: Condition) -> Evaluate:
    return Evaluate(verdict=RuleResult(condition=condition, reason=RuleReason.BEYOND_LIMIT))


#: What can happen to an alarm, by the words of the diagram's arrows.
HAPPENS: dict[str, Input] = {
    "alarm": verdict(Condition.ABNORMAL),
    "return to normal": verdict(Condition.NORMAL),
    "acknowledge": Acknowledge(who="Sam"),
    "reset": Reset(who="Sam"),
    "shelve": Shelve(who="Sam", why="diver in the tank", until=T0 + timedelta(hours=9)),
    "un-shelve": Unshelve(who="Sam"),
    "designed suppression": Suppress(why="tank empty"),
    "designed un-suppression": Unsuppress(),
    "remove from service": RemoveFromService(who="Sam", why="sensor replaced"),
    "return to service": ReturnToService(who="Sam"),
}


@dataclass(frozen=True)
class Place:
    """A state as the standard names it, and a way there from normal. ``latching`` only where the way needs it."""

    name: str
    way: tuple[str, ...]
    latching: bool = False


#: letter: the state. The two lines of G, H and I are those with the process normal and abnormal.
PLACES = {
    "A": Place("normal", ()),
    "B": Place("unacknowledged", ("alarm",)),
    "C": Place("acknowledged", ("alarm", "acknowledge")),
    "D": Place("returned, unacknowledged", ("alarm", "return to normal")),
    "E": Place("latched, unacknowledged", ("alarm", "return to normal"), latching=True),
    "F": Place("latched, acknowledged", ("alarm", "acknowledge", "return to normal"), latching=True),
    "G normal": Place("shelved", ("shelve",)),
    "G abnormal": Place("shelved", ("alarm", "shelve")),
    "H normal": Place("suppressed by design", ("designed suppression",)),
    "H abnormal": Place("suppressed by design", ("alarm", "designed suppression")),
    "I normal": Place("out of service", ("remove from service",)),
    "I abnormal": Place("out of service", ("alarm", "remove from service")),
}

#: (from, what happens): to. The diagram's arrows, one a line, and no others.
ARROWS = {
    ("A", "alarm"): "B",
    ("B", "acknowledge"): "C",
    ("B", "return to normal"): "D",  # E where the alarm latches
    ("C", "return to normal"): "A",  # F where the alarm latches
    ("D", "acknowledge"): "A",
    ("D", "alarm"): "B",
    ("E", "acknowledge"): "F",
    ("E", "alarm"): "B",
    ("F", "reset"): "A",
    ("F", "alarm"): "B",
    **{(letter, "shelve"): "G" for letter in "ABCDEF"},
    **{(letter, "designed suppression"): "H" for letter in "ABCDEF"},
    **{(letter, "remove from service"): "I" for letter in "ABCDEF"},
    ("G normal", "un-shelve"): "A",
    ("G abnormal", "un-shelve"): "B",
    ("H normal", "designed un-suppression"): "A",
    ("H abnormal", "designed un-suppression"): "B",
    ("I normal", "return to service"): "A",
    ("I abnormal", "return to service"): "B",
}
#: Not in the diagram, which leads to G, H and I from A to F alone: our own choice is that maintenance and logic come before a
#: shelf, and that a shelf may be made longer.
OURS = {
    ("G", "shelve"): "G",
    ("G", "designed suppression"): "H",
    ("G", "remove from service"): "I",
    ("H", "remove from service"): "I",
}


def definition(latching: bool) -> AlarmDefinition:
    return AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.0, latching=latching)


def begun(latching: bool) -> Machine:
    """An alarm that was looked at once, and was normal."""
    return step(definition(latching), Machine(), HAPPENS["return to normal"], T0 - MINUTE).machine


def went(way: tuple[str, ...], *, latching: bool) -> Machine:
    machine = begun(latching)
    for minute, happens in enumerate(way):
        machine = step(definition(latching), machine, HAPPENS[happens], T0 + minute * MINUTE).machine
    return machine


def wanted(letter: str, happens: str, *, latching: bool) -> str | None:
    """Where the arrow leads; None where there is none."""
    if latching and (letter, happens) in (("B", "return to normal"), ("C", "return to normal")):
        return PLACES["E" if letter == "B" else "F"].name
    to = ARROWS.get((letter, happens)) or OURS.get((letter[0], happens))
    return None if to is None else next(place.name for key, place in PLACES.items() if key[0] == to)


@pytest.mark.parametrize("letter", PLACES)
def test_each_state_of_the_standard_is_reached_by_what_leads_there(letter: str) -> None:
    place = PLACES[letter]
    assert went(place.way, latching=place.latching).state.value == place.name


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize("happens", HAPPENS)
@pytest.mark.parametrize("letter", PLACES)
def test_every_arrow_of_the_diagram_is_taken_and_no_other_is(letter: str, happens: str, latching: bool) -> None:
    """An arrow too many silences an alarm that stands; one too few keeps calling about what is over."""
    place = PLACES[letter]
    if place.latching and not latching:
        return  # only latching alarms stand there
    if latching and letter == "D":
        return  # and these never stand there
    before = went(place.way, latching=latching)
    taken = step(definition(latching), before, HAPPENS[happens], T0 + timedelta(hours=1))
    to = wanted(letter, happens, latching=latching)
    assert taken.machine.state.value == (place.name if to is None else to)
    assert [(t.from_state.value, t.to_state.value) for t in taken.transitions] == (
        [] if to is None else [(place.name, to)]
    )
    assert taken.refused is (to is None)


def test_a_shelf_ends_by_itself_and_an_alarm_still_abnormal_calls() -> None:
    """The diagram's time-limited shelf: G leads to A or B when its time is over, whoever forgot it."""
    for way, name in ((("shelve",), "normal"), (("alarm", "shelve"), "unacknowledged")):
        condition = "alarm" if "alarm" in way else "return to normal"
        before = went(way, latching=False)
        early = step(definition(False), before, HAPPENS[condition], T0 + timedelta(hours=9) - timedelta(seconds=1))
        assert early.machine.state.value == "shelved"
        over = step(definition(False), early.machine, HAPPENS[condition], T0 + timedelta(hours=9))
        assert over.machine.state.value == name


# --- OPC UA Part 9: the same states as yes-or-no questions ---------------------------------------------------------------

#: Ours as (acknowledged, shelved, suppressed, out of service); None where the question says nothing while kept quiet.
QUESTIONS: dict[str, tuple[bool | None, bool, bool, bool]] = {
    "normal": (True, False, False, False),
    "unacknowledged": (False, False, False, False),
    "acknowledged": (True, False, False, False),
    "returned, unacknowledged": (False, False, False, False),
    "latched, unacknowledged": (False, False, False, False),
    "latched, acknowledged": (True, False, False, False),
    "shelved": (None, True, False, False),
    "suppressed by design": (None, False, True, False),
    "out of service": (None, False, False, True),
}


@given(
    happened=st.lists(st.sampled_from(sorted(HAPPENS)), max_size=25),
    latching=st.booleans(),
)
def test_a_shelved_or_suppressed_alarm_stays_functional_and_nobody_but_a_person_acknowledges(
    happened: list[str], latching: bool
) -> None:
    """Part 9 section 4.8: shelving, suppression and service leave the condition followed, and each ends only by its own opposite."""
    machine, active = begun(latching), False
    for minute, happens in enumerate(happened):
        before = QUESTIONS[machine.state.value]
        machine = step(definition(latching), machine, HAPPENS[happens], T0 + minute * MINUTE).machine
        after = QUESTIONS[machine.state.value]
        if happens in ("alarm", "return to normal"):
            active = happens == "alarm"
        assert machine.active is active  # with no delays the condition is the process, quiet or not
        if before[0] is False and after[0] is True:
            assert happens == "acknowledge"
        if before[3] and not after[3]:
            assert happens == "return to service"
        if before[2] and not after[2]:
            assert happens in ("designed un-suppression", "remove from service")
        if before[1] and not after[1]:
            assert happens in ("un-shelve", "designed suppression", "remove from service")
        if not any(before[1:]) and any(after[1:]):
            assert happens in ("shelve", "designed suppression", "remove from service")
