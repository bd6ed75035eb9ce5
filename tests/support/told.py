"""What rival stories say at a time, in one value."""

from __future__ import annotations

from typing import NamedTuple

from service.domain.blanket.estimate import MAY_MISLEAD
from service.domain.blanket.fusion import WRONG_BY
from service.domain.blanket.mixture import Mixture
from service.domain.blanket.tracker import Tracker


class Told(NamedTuple):
    """Height, rate of the likeliest story [m/h], and whether somebody may rely on the mean height."""

    height: Mixture
    rate: float
    good: bool


def told(tracker: Tracker, time: float) -> Told:
    """What a tracker says at a time not before its last event's. [s]"""
    height = Mixture(tracker.heights(time))
    good = tracker.agreed and tracker.following(time) > 0.5 and height.beyond(height.mean, WRONG_BY) <= MAY_MISLEAD
    return Told(height, tracker.rate(time), good)
