"""The belief of one tank followed in memory as data arrive, late ones included: what the estimating job does, without a store.

What arrives in order is folded on. What changes the past is put in its place, and everything from the nearest earlier mark is
folded again, so that after every arrival the belief is that of all data known by then at once.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from service.domain.blanket.estimate import Assessment, Estimate, Event, TankSetup, advance, event_order, initial
from service.domain.blanket.state import State
from service.domain.cores.core import Core
from service.domain.forecast.tracker import Heading, first_heading, follow
from service.domain.plant.reading import Reading

#: Marks kept of what happened last; of earlier ones the last of every hour.
NEWEST_MARKS = 12


class EventChange(NamedTuple):
    """One thing that became known: an event that is new, one that is gone (withdrawn), or one in another's place.

    A reading of a signal and time already known takes that one's place by itself.
    """

    came: Event | None
    gone: Event | None = None

    @property
    def earliest(self) -> datetime:
        """From when on this changes what is believed."""
        return min(event_order(event)[0] for event in self if event is not None)


@dataclass(frozen=True, slots=True)
class StateAt:
    """What was remembered after every event up to a time: where folding can start again."""

    time: datetime
    state: State
    heading: Heading


class Refold:
    """What is known and believed of one tank; grows with every :meth:`take`."""

    def __init__(self, setup: TankSetup, start: StateAt | None = None) -> None:
        self.setup = setup
        self.state = initial(setup) if start is None else start.state
        self.heading = first_heading(setup) if start is None else start.heading
        self.heard = start is not None  #: whether anything was ever folded
        #: Oldest first, as far back as they are kept.
        self.estimates: list[Estimate] = []
        self.samples: dict[str, list[Assessment]] = {signal.tag: [] for signal in setup.blankets}
        self.cores: list[Core] = []
        self._events: list[Event] = []
        self._keys: list[tuple[datetime, int, str]] = []
        self._marks: list[StateAt] = [] if start is None else [StateAt(start.time, start.state, _twin(start.heading))]
        self._newest = None if start is None else start.time
        self._first = True  # nothing was let go of: folding can start at the very beginning

    def take(self, changes: Sequence[EventChange], *, mark: bool = True) -> datetime | None:
        """Take in what became known at one moment, and fold it.

        Parameters
        ----------
        mark : whether what is remembered now may be needed again, because something that belongs before these changes may
            still come. Keeping it costs time and changes no number.

        Returns
        -------
        From when on the belief was made anew; None when nothing changed.
        """
        if not changes:
            return None
        earliest = min(change.earliest for change in changes)
        if self._newest is not None and earliest <= self._newest:
            return self._again(changes, earliest)
        if mark and self._newest is not None and (not self._marks or self._marks[-1].time < self._newest):
            self._keep_mark()
        self._fold(self._added(changes))
        return earliest

    def forget(self, before: datetime) -> None:
        """Let go of what is needed no more, because nothing that belongs before that time will change.

        Estimates and samples of an hour before stay, and the last of each before that.
        """
        if self._newest is None:
            return
        kept_from = self._newest
        if before > self._newest:
            self._marks = []
        else:
            last = bisect_left(self._marks, before, key=lambda mark: mark.time) - 1
            if last < 0:
                return  # no mark to start from: everything is still needed
            del self._marks[:last]
            kept_from = self._marks[0].time
        self._first = False
        gone = bisect_right(self._keys, kept_from, key=lambda key: key[0])
        del self._events[:gone], self._keys[:gone]
        shown_from = kept_from - timedelta(hours=1)
        for made in self._made():
            del made[: max(bisect_left(made, shown_from, key=_time) - 1, 0)]

    def _added(self, changes: Iterable[EventChange]) -> list[Event]:
        """Events later than all that are known, appended."""
        events = sorted((change.came for change in changes if change.came is not None), key=event_order)
        self._events += events
        self._keys += [event_order(event) for event in events]
        return events

    def _again(self, changes: Sequence[EventChange], earliest: datetime) -> datetime:
        """Put changes in their place and fold anew from the nearest mark before the earliest."""
        for change in changes:
            if change.gone is not None:
                self._drop(change.gone)
            if change.came is not None:
                self._insert(change.came)
        last = bisect_left(self._marks, earliest, key=lambda mark: mark.time) - 1
        del self._marks[last + 1 :]
        if last >= 0:
            found = self._marks[last]
            since: datetime | None = found.time
            self.state, self.heading = found.state, _twin(found.heading)
        elif self._first:
            since, self.state, self.heading = None, initial(self.setup), first_heading(self.setup)
        else:
            raise LookupError(f"{self.setup.tank.key}: what was known before {earliest} is no longer kept")
        start = 0 if since is None else bisect_right(self._keys, since, key=lambda key: key[0])
        self._cut(since)
        self._newest = since
        self._fold(self._events[start:], marking=True)
        return earliest if since is None else min(earliest, since + timedelta.resolution)

    def _fold(self, events: list[Event], *, marking: bool = False) -> None:
        """Fold events that follow on what is known, hour by hour if marks are to be left behind."""
        while events:
            upto = len(events)
            if marking:
                limit = event_order(events[0])[0] + timedelta(hours=1)
                upto = bisect_right(events, limit, key=lambda event: event_order(event)[0])
            self._advance(events[:upto])
            events = events[upto:]
            if events:
                self._keep_mark()

    def _advance(self, events: list[Event]) -> None:
        advanced = advance(self.setup, self.state, events)
        follow(self.setup, self.heading, [event for event in events if isinstance(event, Reading)], advanced.estimates)
        self.state, self.heard = advanced.state, True
        self.estimates += advanced.estimates
        for assessment in advanced.assessments:
            self.samples[assessment.tag].append(assessment)
        self.cores += [event for event in events if isinstance(event, Core)]
        self._newest = event_order(events[-1])[0]

    def _made(self) -> list[list[Any]]:
        """Lists of what was made of the events, each in order of time."""
        return [self.estimates, *self.samples.values()]

    def _cut(self, since: datetime | None) -> None:
        """Take back what was believed after a time."""
        for made in self._made():
            del made[0 if since is None else bisect_right(made, since, key=_time) :]
        del self.cores[0 if since is None else bisect_right(self.cores, since, key=lambda core: core.taken_at) :]

    def _keep_mark(self) -> None:
        if self._newest is None:
            return
        self._marks.append(StateAt(self._newest, self.state, _twin(self.heading)))
        # The oldest stays: it may be the only one before something that is still to come.
        if len(self._marks) > NEWEST_MARKS + 1:
            one, following = self._marks[-NEWEST_MARKS - 1], self._marks[-NEWEST_MARKS]
            if _hour(one.time) == _hour(following.time):
                del self._marks[-NEWEST_MARKS - 1]

    def _insert(self, event: Event) -> None:
        key = event_order(event)
        place = bisect_left(self._keys, key)
        if isinstance(event, Reading) and place < len(self._keys) and self._keys[place] == key:
            self._events[place] = event
            return
        place = bisect_right(self._keys, key)
        self._events.insert(place, event)
        self._keys.insert(place, key)

    def _drop(self, event: Event) -> None:
        key = event_order(event)
        for place in range(bisect_left(self._keys, key), bisect_right(self._keys, key)):
            if self._events[place] == event:
                del self._events[place], self._keys[place]
                return


def _time(made: Estimate | Assessment) -> datetime:
    return made.time


def _hour(time: datetime) -> datetime:
    return time.replace(minute=0, second=0, microsecond=0)


def _twin(heading: Heading) -> Heading:
    """An independent copy. Past moments never change, so they are shared."""
    moments = heading.memory.moments
    return deepcopy(heading, {id(moments): list(moments)})
