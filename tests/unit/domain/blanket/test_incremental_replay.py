"""However data arrive, what is believed in memory is what a fold of all data known by then gives."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.blanket.estimate import Event, advance, event_order, initial
from service.domain.blanket.incremental_replay import EventChange, Refold
from service.domain.blanket.state import to_json
from service.domain.cores.core import Core
from service.domain.forecast.tracker import Heading, first_heading, follow, heading_to_json
from service.domain.plant.reading import Reading
from tests.support.sensor_story import Story, quiet

STORY = Story(days=0.2, core_every=1.5, height=lambda hours: quiet(hours) + 0.1 * np.sin(3 * hours))
EVENTS = STORY.events()
NEVER = datetime.max.replace(tzinfo=UTC)


def _at_once(events: list[Event]) -> tuple[object, object, object, Heading]:
    setup = STORY.setup
    ordered = sorted(events, key=event_order)
    advanced = advance(setup, initial(setup), ordered)
    heading = first_heading(setup)
    follow(setup, heading, [event for event in ordered if isinstance(event, Reading)], advanced.estimates)
    return to_json(advanced.state), advanced.estimates, advanced.assessments, heading


def _same(refold: Refold, events: list[Event]) -> None:
    state, estimates, assessments, heading = _at_once(events)
    assert to_json(refold.state) == state
    assert tuple(refold.estimates) == estimates
    assert tuple(refold.samples["north.level"]) == assessments
    assert heading_to_json(refold.heading) == heading_to_json(heading)
    assert refold.cores == sorted((e for e in events if isinstance(e, Core)), key=event_order)


@settings(max_examples=8)
@given(st.lists(st.integers(0, 200), min_size=len(EVENTS), max_size=len(EVENTS)), st.integers(1, 40))
def test_any_order_of_arrival_leads_to_the_fold_of_all(delays: list[int], together: int) -> None:
    order = sorted(range(len(EVENTS)), key=lambda i: i + delays[i])
    refold = Refold(STORY.setup)
    for start in range(0, len(order), together):
        refold.take([EventChange(EVENTS[i]) for i in order[start : start + together]])
    _same(refold, EVENTS)


def test_a_changed_reading_and_a_corrected_core_take_the_place_of_what_was_there() -> None:
    refold = Refold(STORY.setup)
    for event in EVENTS:
        refold.take([EventChange(event)])
    at = next(i for i, event in enumerate(EVENTS) if isinstance(event, Reading) and i > 100)
    old = EVENTS[at]
    assert isinstance(old, Reading)
    better = Reading(old.tag, old.time, old.value + 0.02)
    wrong = next(event for event in EVENTS if isinstance(event, Core))
    right = STORY.core(90, 1.4, 1.1)
    refold.take([EventChange(better)])
    refold.take([EventChange(right, wrong)])
    kept: list[Event] = [event for event in EVENTS if event not in (old, wrong)]
    _same(refold, [*kept, better, right])
    refold.take([EventChange(None, right)])
    _same(refold, [*kept, better])


def test_what_is_let_go_of_changes_no_number() -> None:
    whole, short = Refold(STORY.setup), Refold(STORY.setup)
    late = [event for i, event in enumerate(EVENTS) if 150 <= i < 160]
    in_time = [event for event in EVENTS if event not in late]
    for number, event in enumerate(in_time):
        whole.take([EventChange(event)])
        short.take([EventChange(event)])
        short.forget(min(event_order(later)[0] for later in [*in_time[number + 1 :], *late]))
    for refold in (whole, short):
        refold.take([EventChange(event) for event in late])
    _same(whole, EVENTS)
    assert to_json(short.state) == to_json(whole.state)
    assert short.estimates == whole.estimates[-len(short.estimates) :]
    short.forget(NEVER)
    assert len(short.estimates) < len(whole.estimates)
    assert short.estimates[-1] == whole.estimates[-1]
    with pytest.raises(LookupError, match="no longer kept"):
        short.take([EventChange(Reading("north.level", STORY.at(0.5) + timedelta(seconds=1), 1.0))])
