"""What the estimator remembers of a tank between events, and its exact form in JSON.

Floats survive unchanged (shortest round-trip decimal; not-a-number and infinities as text, since JSON has none).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from service.domain.blanket.arm import ArmPasses, ArmTurn
from service.domain.blanket.belief import Belief
from service.domain.blanket.conditioning import Conditioner
from service.domain.blanket.drift import Drift, DriftBank
from service.domain.blanket.level import LevelTracker
from service.domain.blanket.sensor_state import SensorMemory, first_sensor
from service.domain.blanket.tracker import Tracker
from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank
from service.errors import DomainError

VERSION = 2


@dataclass(slots=True)
class State:
    """Everything remembered of one tank."""

    time: float = math.nan
    belief: Belief = field(default_factory=Belief)
    sensors: dict[str, SensorMemory] = field(default_factory=dict)
    flow: float = math.nan  #: the tank's own flow [m³/s]
    flow_time: float = math.nan
    water_level: float = math.nan  #: measured, above the floor datum [m]
    level_time: float = math.nan
    fluff_top: float = math.nan  #: above the floor datum [m]
    fluff_time: float = math.nan
    turn: ArmTurn = field(default_factory=ArmTurn)
    #: Rival stories; None before anything was heard. As JSON left them until they are asked for.
    stories: Tracker | Mapping[str, Any] | None = None

    def stories_for(
        self, tank: Tank, blankets: Sequence[Signal], others: Sequence[Signal], share_of_plant: float
    ) -> Tracker:
        """The stories, ready to be told more.

        Notes
        -----
        Where sensors came or went they begin anew.
        """
        if not isinstance(self.stories, Tracker):
            stored, self.stories = self.stories, Tracker(tank, blankets, others, share_of_plant=share_of_plant)
            if stored is not None and self.stories.fits(stored):
                self.stories.restore(stored)
        return self.stories

    def copy(self) -> State:
        """An independent twin: advancing it leaves this one as it was."""
        sensors = {tag: sensor.copy() for tag, sensor in self.sensors.items()}
        belief, turn = dataclasses.replace(self.belief), dataclasses.replace(self.turn)
        stories = self.stories.copy() if isinstance(self.stories, Tracker) else self.stories
        return dataclasses.replace(self, belief=belief, sensors=sensors, turn=turn, stories=stories)


def first_state(tank: Tank, blankets: Sequence[Signal]) -> State:
    """Nothing known yet: each sensor with the priors of its drift."""
    state = State()
    for signal in blankets:
        state.sensors[signal.tag] = first_sensor(tank)
    return state


def to_json(state: State) -> dict[str, Any]:
    """State as JSON values."""
    return {
        "version": VERSION,
        "tank": _plain(state, skip=("sensors", "belief", "turn", "stories")),
        "stories": state.stories.to_json() if isinstance(state.stories, Tracker) else state.stories,
        "belief": _plain(state.belief),
        "turn": _plain(state.turn),
        "sensors": {
            tag: {
                "tracker": _plain(s.conditioner.tracker),
                "arm": _plain(s.conditioner.arm),
                "conditioner": _plain(s.conditioner, skip=("tracker", "arm")),
                "drift": [s.drift.offset, s.drift.trend, s.drift.span, s.drift.walk_var, *s.drift.cov],
                "bank": s.bank.to_memory(),
                "step": _plain(s, skip=("conditioner", "bank", "drift")),
            }
            for tag, s in state.sensors.items()
        },
    }


def from_json(memory: Mapping[str, Any]) -> State:
    """State from :func:`to_json`.

    Raises
    ------
    DomainError
        when it was written by another version or is damaged: re-run from the readings instead.
    """
    if memory.get("version") != VERSION:
        raise DomainError(f"estimator memory of version {memory.get('version')!r}, this is version {VERSION}")
    try:
        return _rebuilt(memory)
    except (KeyError, TypeError, ValueError) as exc:
        raise DomainError(f"estimator memory is damaged: {exc!r}") from exc


def _rebuilt(memory: Mapping[str, Any]) -> State:
    sensors: dict[str, SensorMemory] = {}
    for tag, m in memory["sensors"].items():
        tracker, arm = _build(LevelTracker, m["tracker"]), _build(ArmPasses, m["arm"])
        conditioner = _build(Conditioner, m["conditioner"], tracker=tracker, arm=arm)
        offset, trend, span, walk, oo, ot, os_, tt, ts, ss = (float(x) for x in m["drift"])
        drift = Drift(offset, trend, span, (oo, ot, os_, tt, ts, ss), walk)
        bank = DriftBank.from_memory(m["bank"])
        sensors[tag] = _build(SensorMemory, m["step"], conditioner=conditioner, bank=bank, drift=drift)
    # Memories written before arms were measured know nothing of one.
    turn = _build(ArmTurn, memory.get("turn", {}))
    belief = _build(Belief, memory["belief"])
    return _build(State, memory["tank"], belief=belief, sensors=sensors, turn=turn, stories=memory["stories"])


def _plain(thing: Any, skip: tuple[str, ...] = ()) -> dict[str, Any]:
    return {f.name: _number(getattr(thing, f.name)) for f in dataclasses.fields(thing) if f.name not in skip}


def _number(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)
    return list(value) if isinstance(value, list) else value


_T = TypeVar("_T")


def _build(kind: type[_T], values: dict[str, Any], **parts: Any) -> _T:
    types = {f.name: f.type for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    # A whole number may come back from JSON as an int where a float went in.
    made = {
        name: float(value)
        if types[name] == "float"
        else [float(x) for x in value]
        if isinstance(value, list)
        else value
        for name, value in values.items()
    }
    return kind(**made, **parts)
