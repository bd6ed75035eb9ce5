"""Sensors and cores of one tank folded into one belief, event by event.

Each sensor's level is followed on its own and brought to blanket height by its drift; what the sensors say is averaged by
inverse variance. The drift carries the cores, so a core moves the belief by moving the drift. With no usable sensor the
last belief coasts: the rate dies away and the variance grows by the tank's own usual rates of rise; a core then speaks
directly.

Beside it the rival stories take the same events (:mod:`service.domain.blanket.tracker`), and are what is told: the likeliest
one's height, and the others with their chances (:func:`service.domain.blanket.mixture.grouped`). The sensors' own average stands
in where the likeliest story is that nobody knows. A sensor that its story calls stuck has no say in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

from service.domain.blanket.arm import Turned
from service.domain.blanket.belief import Voice, averaged
from service.domain.blanket.conditioning import Judged, World
from service.domain.blanket.mixture import ONE_STORY, Mixture, Part, grouped
from service.domain.blanket.pairing import Pair, core_height, extra_variance
from service.domain.blanket.sensor_state import UNEVEN_VAR, SensorMemory, first_sensor
from service.domain.blanket.state import State
from service.domain.blanket.work_effect import after_work
from service.domain.cores.core import Calibration, Core
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank
from service.domain.plant.weir import is_water_level, water_surface
from service.errors import DomainError

#: The span's pivot, as a share of the side water depth: about where blankets live.
PIVOT_SHARE = 0.3
#: A rising interface is carried by the water: its speed is bounded by this many times the upflow, within bounds [–, m/h].
UPFLOW_TIMES, SLOWEST_BOUND, FASTEST_BOUND, UNKNOWN_BOUND = 2.0, 0.6, 6.0, 3.0
#: How long a flow or a fluff top is taken for current [s].
FLOW_HOLDS, FLUFF_HOLDS = 2 * 3600.0, 24 * 3600.0
#: A belief older than this is no bridge over work on a sensor [s].
BRIDGE_HOLDS = 2 * 3600.0


class Source(Enum):
    """What the belief rests on."""

    NOTHING = 0
    SENSOR = 1
    CORE = 2
    COASTING = 3


class FusedState(NamedTuple):
    """The belief at a time. [m, m, m/h, s]"""

    height: float  #: as told
    sd: float  #: of the story told
    rate: float
    source: Source
    silent: float  #: since the last usable sample or core
    unproven: bool  #: no core ever, or a step no core has confirmed
    reads_high: bool
    off: float  #: chance of being wrong by more than WRONG_BY [–]
    stories: tuple[Part, ...] = ()  #: the likeliest first; empty before anything was heard
    agreed: bool = (
        True  #: whether the last core was what was expected, and the sensors' own voice tells the likeliest story
    )


#: A sensor that reads high is told of while the chance that it sees something beside the blanket is above this [–].
MAY_BE_AWAY = 0.05
#: A story whose height is less sure than this says that nobody knows [m].
KNOWS_NOTHING = 0.5
#: A height that is wrong by more than this misleads somebody: a foot [m].
WRONG_BY = 0.3048
#: Samples of these verdicts say nothing of the blanket to any story.
_NO_EVIDENCE = frozenset({ReadingReason.ECHO_LOST, ReadingReason.OUT_OF_SERVICE})
_STUCK = Judged(ReadingReason.FLAT, False)
_OUT_OF_SERVICE = Judged(ReadingReason.OUT_OF_SERVICE, False)


class Fold:
    """One tank's state and the events that change it."""

    def __init__(
        self,
        tank: Tank,
        blankets: Sequence[Signal],
        others: Sequence[Signal],
        state: State,
        share_of_plant: float = 1.0,
    ) -> None:
        self.tank = tank
        self.state = state
        self.pivot = PIVOT_SHARE * tank.side_water_depth
        self.lowest = tank.lowest_height
        self.signals = {signal.tag: signal for signal in blankets}
        self.sensors: list[tuple[SensorMemory, float]] = []
        for signal in blankets:
            sensor = state.sensors.get(signal.tag)
            if sensor is None:
                sensor = state.sensors[signal.tag] = first_sensor(tank)
            self.sensors.append((sensor, signal.stale_after.total_seconds()))
        self.flow_shares = _flow_shares(tank, others, share_of_plant)
        self.own_fluff = {s.tag: s for s in others if s.kind is SignalKind.FLUFF and s.tank == tank.key}
        self.own_arm = {s.tag for s in others if s.kind is SignalKind.ARM_ANGLE and s.tank == tank.key}
        self.own_level = {s.tag for s in others if s.kind is SignalKind.WATER_LEVEL and s.tank == tank.key}
        self.statuses = {s.tag: s for s in others if s.kind is SignalKind.STATUS and s.sensor in self.signals}
        self.head = 0.0
        self.world_holds = math.inf
        self._see_world(state.time)
        self.core_just_spoke = False
        self.stories = state.stories_for(tank, blankets, others, share_of_plant)
        #: What the sensors say together at the belief's time.
        self.voice = self._voice(state.time)

    # --- events -------------------------------------------------------------------------------------------------------

    def reading(self, reading: Reading) -> tuple[float, float, ReadingReason] | None:
        """Take a reading; for a blanket sensor gives back height before and after correction, and the verdict."""
        tag = reading.tag
        signal = self.signals.get(tag)
        if signal is None:
            self.stories.reading(reading)
            if tag in self.flow_shares or tag in self.own_fluff or tag in self.own_level:
                self._surroundings(self._clock(reading.time.timestamp()), reading)
            elif tag in self.own_arm:
                self._arm(self._clock(reading.time.timestamp()), reading)
            elif tag in self.statuses:
                self._status(self._clock(reading.time.timestamp()), reading)
            return None
        time = self._clock(reading.time.timestamp())
        sensor = self.state.sensors[tag]
        height = self._height(reading.value, signal.mount)
        if sensor.idle and time <= sensor.idle_until:
            sensor.conditioner.rest()
            judged = _OUT_OF_SERVICE
        else:
            arm = self.state.turn.at(time) if self.own_arm else None
            judged = self._judged(sensor, time, reading, height, signal, arm)
        if judged.usable:
            if judged.stepped:
                sensor.suspect(judged.stepped)
            if sensor.bridge_time == sensor.bridge_time and sensor.conditioner.tracker.samples >= 3:
                self._cross_bridge(sensor, time)
        self.core_just_spoke = False
        self._believe(time, judged)
        return height, sensor.corrected(height, time, self.pivot)[0], self._verdict(sensor, judged)

    def core(self, core: Core) -> list[Pair]:
        """Take a hand core: each usable sensor's drift learns from it, or the belief does when there is none."""
        time = self._clock(core.taken_at.timestamp())
        state, belief = self.state, self.state.belief
        height = core_height(core, self.tank)
        if core.fluff is not None:
            state.fluff_top = self.tank.height_from_thickness(max(core.fluff, core.thickness), core.distance_from_wall)
            state.fluff_time = time
            self._see_world(time)
        before = self.belief_at(time)
        self.stories.core(core)
        pairs: list[Pair] = []
        for tag in self.signals:
            sensor = state.sensors[tag]
            self._unlock(sensor, height, before, time)
            if sensor.speaks(time, self.signals[tag].stale_after.total_seconds()):
                pairs.append(self._pair(tag, sensor, core, height, before, time))
        if pairs:
            self._believe(time, None)
            belief.last_core = time
        else:
            self.voice = None
            belief.take_core(time, height, self.tank.side_water_depth)
        self.core_just_spoke = not pairs or max(p.sound + p.stepped for p in pairs) > 0.5
        return pairs

    def calibration(self, work: Calibration) -> None:
        """Take work on a sensor: its drift starts anew, and the belief bridges the gap."""
        sensor = self.state.sensors.get(work.tag)
        if sensor is None or work.tag not in self.signals:
            return
        time = self._clock(work.at.timestamp())
        self.stories.calibration(work)
        bank = sensor.bank
        days = (time - bank.time) / 86_400.0 if bank.cores else 0.0
        left = after_work(work, sensor.drift, days, bank.priors)
        self._believe(time, None)
        bank.restart(time, left.offset, left.offset_var, left.span, left.span_var)
        sensor.drift = bank.now()
        sensor.clear_suspicion()
        conditioner = sensor.conditioner
        conditioner.tracker.samples = 0
        conditioner.out_count, conditioner.locked, conditioner.last_good = 0, False, -math.inf
        sensor.bridge_time = time
        self.voice, self.core_just_spoke = None, False

    # --- the belief ---------------------------------------------------------------------------------------------------

    def belief_at(self, time: float) -> FusedState:
        """What is believed at a time not before the state's."""
        belief = self.state.belief
        if belief.time != belief.time:
            return FusedState(math.nan, math.inf, math.nan, Source.NOTHING, math.inf, True, False, 1.0)
        voice = self.voice if time == belief.time else self._voice(time)
        if voice is not None:
            height, var, rate, _, spread = voice
            source = Source.SENSOR
        else:
            height, var, rate, _ = belief.coasted(time, self.tank.side_water_depth)
            spread, source = 0.0, Source.COASTING
        reads_high, unproven = False, belief.last_core != belief.last_core
        for tag, (sensor, _) in zip(self.signals, self.sensors, strict=True):
            conditioner = sensor.conditioner
            if conditioner.reads_high and self.stories.away(tag) > MAY_BE_AWAY:
                reads_high = True
        top = self.tank.side_water_depth + self.head
        height = self.lowest if height < self.lowest else top if height > top else height
        sd, agreed = math.sqrt(var + spread), True
        stories: tuple[Part, ...] = ()
        if self.stories.heard and self.sensors:
            agreed = self.stories.agreed
            following = self.stories.following(time) > 0.5
            parts = [Part(p.chance, min(max(p.mean, self.lowest), top), p.sd) for p in self.stories.heights(time)]
            stories = grouped(parts)
            first = stories[0]
            told = following or abs(first.mean - height) > ONE_STORY
            # Without a sensor the stories have nothing to add to a core but the doubt they began with; and what a sensor shows
            # is told, as doubtful, where the likeliest story is that nobody knows.
            if told and not (voice is not None and first.sd > KNOWS_NOTHING):
                height, sd = first.mean, first.sd
            off = Mixture(tuple(parts)).beyond(height, WRONG_BY)
            if following:
                source, rate = Source.SENSOR, self.stories.rate(time)
        else:
            off = Mixture((Part(1.0, height, sd),)).beyond(height, WRONG_BY)
        if self.core_just_spoke:
            source = Source.CORE
        return FusedState(height, sd, rate, source, time - belief.last_word, unproven, reads_high, off, stories, agreed)

    def _believe(self, time: float, judged: Judged | None) -> None:
        self.voice = self._voice(time)
        if judged is not None and (judged.usable or self.stories.following(time) > 0.5):
            self.state.belief.last_word = time
        if self.voice is not None:
            self.state.belief.take(time, self.voice)

    def _voice(self, time: float) -> Voice | None:
        """What the sensors that speak say together."""
        voices = [sensor.voice(time, self.pivot) for sensor, holds in self.sensors if sensor.speaks(time, holds)]
        if len(voices) < 2:
            return voices[0] if voices else None
        return averaged(voices)

    # --- one sensor ---------------------------------------------------------------------------------------------------

    def _judged(
        self, sensor: SensorMemory, time: float, reading: Reading, height: float, signal: Signal, arm: Turned | None
    ) -> Judged:
        """The verdict on a sample, and what the stories make of it."""
        conditioner = sensor.conditioner
        stuck = sensor.is_stuck(time, self.stories.stuck(reading.tag), self.stories.same(reading.tag))
        # What jumped up and stands still there goes on to be told as reading high: it may be the blanket.
        if signal.flat_after is None and stuck and not conditioner.out_count:
            judged = _STUCK
        else:
            judged = conditioner.judge(time, reading, height, signal, self.tank, self.world, arm)
        if judged.verdict not in _NO_EVIDENCE:
            self.stories.reading(reading)
        return judged

    def _height(self, value: float, mount: Mount | None) -> float:
        if mount is None:
            return value
        measures = mount.measures
        if measures is Measures.HEIGHT:
            return mount.zero_height + value
        if measures is Measures.DISTANCE:
            return mount.zero_height - value
        return self.tank.side_water_depth + self.head - value

    def _pair(self, tag: str, sensor: SensorMemory, core: Core, height: float, before: FusedState, time: float) -> Pair:
        level, rate, p00, _, p11 = sensor.conditioner.tracker.ahead(time)
        bank, jump = sensor.bank, sensor.settle_suspicion(time)
        believed = sensor.corrected(level, time, self.pivot)[0]
        extra = extra_variance(p00 + UNEVEN_VAR, rate, p11, self.tank.angle_since_arm(core.arm_position))
        since = (time - sensor.last_core) / 86_400.0 if sensor.last_core == sensor.last_core else 1.0
        verdict = bank.learn(time, level - height, believed - self.pivot, extra, since)
        sensor.drift, sensor.last_core = bank.now(), time
        offset, offset_var = sensor.drift.at(0.0, 0.0)
        return Pair(
            tag=tag, core=core.id, time=core.taken_at, sensor=level, core_height=height,
            thickness=core.thickness, extra_var=extra,
            height=before.height, foretold=verdict.foretold, foretold_sd=verdict.foretold_sd, sound=verdict.sound,
            wrong=verdict.wrong, stepped=verdict.stepped, offset=offset, offset_sd=math.sqrt(offset_var), jump=jump, hindsight_wrong=verdict.hindsight[1],
        )  # fmt: skip

    def _unlock(self, sensor: SensorMemory, height: float, before: FusedState, time: float) -> None:
        """A core that agrees with what a locked sensor reads, and not with the belief, shows the blanket really is there."""
        conditioner = sensor.conditioner
        if not conditioner.locked:
            return
        there = sensor.corrected(conditioner.out_level, time, self.pivot)[0]
        if abs(height - there) < 0.5 * abs(there - sensor.corrected(conditioner.out_from, time, self.pivot)[0]) and (
            abs(height - there) < abs(height - before.height)
        ):
            conditioner.believe_high(time)

    def _cross_bridge(self, sensor: SensorMemory, time: float) -> None:
        """The blanket was where it was before the sensor was worked on: its first samples after tell the new offset."""
        bridge, sensor.bridge_time = sensor.bridge_time, math.nan
        belief = self.state.belief
        if not time - belief.time <= BRIDGE_HOLDS or time - bridge > BRIDGE_HOLDS:
            return
        height, var, _, _ = belief.coasted(time, self.tank.side_water_depth)
        level, _, p00, _, _ = sensor.conditioner.tracker.ahead(time)
        sensor.bank.observe(time, level - height, height - self.pivot, var + p00 + UNEVEN_VAR)
        sensor.drift = sensor.bank.now()

    def _verdict(self, sensor: SensorMemory, judged: Judged) -> ReadingReason:
        if judged.verdict is ReadingReason.NONE and sensor.step_seen >= 0.2:
            return ReadingReason.READS_HIGH_UNCONFIRMED
        return judged.verdict

    # --- surroundings -------------------------------------------------------------------------------------------------

    def _clock(self, time: float) -> float:
        if time < self.state.time:
            raise DomainError(f"tank {self.tank.key}: an event at {time} lies before {self.state.time}, already seen")
        self.state.time = time
        if time > self.world_holds:
            self._see_world(time)
        return time

    def _surroundings(self, time: float, reading: Reading) -> None:
        if reading.quality == Quality.BAD or not math.isfinite(reading.value):
            return
        fluff = self.own_fluff.get(reading.tag)
        if fluff is not None:
            self.state.fluff_top, self.state.fluff_time = self._height(reading.value, fluff.mount), time
        elif reading.tag in self.own_level:
            if not is_water_level(reading.value, self.tank):
                return
            self.state.water_level, self.state.level_time = reading.value, time
        else:
            self.state.flow, self.state.flow_time = reading.value * self.flow_shares[reading.tag], time
        self._see_world(time)

    def _arm(self, time: float, reading: Reading) -> None:
        if reading.quality != Quality.BAD and math.isfinite(reading.value):
            self.state.turn.take(time, reading.value)

    def _status(self, time: float, reading: Reading) -> None:
        signal = self.statuses[reading.tag]
        sensor = self.state.sensors[signal.sensor or ""]
        known = reading.quality == Quality.GOOD and math.isfinite(reading.value)
        # A status that is itself in doubt silences nobody.
        sensor.idle = known and reading.value not in signal.in_service
        sensor.idle_until = time + signal.stale_after.total_seconds()

    def _see_world(self, time: float) -> None:
        state, tank = self.state, self.tank
        rise, self.head = UNKNOWN_BOUND, head_of(state, tank, time)
        if time - state.flow_time <= FLOW_HOLDS and state.flow >= 0.0:
            rise = min(max(UPFLOW_TIMES * state.flow * 3600.0 / tank.area, SLOWEST_BOUND), FASTEST_BOUND)
        fluff = state.fluff_top if time - state.fluff_time <= FLUFF_HOLDS else None
        self.world = World(self.lowest, tank.side_water_depth + self.head, rise, fluff)
        ends = (state.flow_time + FLOW_HOLDS, state.level_time + FLOW_HOLDS, state.fluff_time + FLUFF_HOLDS)
        self.world_holds = min((end for end in ends if end >= time), default=math.inf)


def head_of(state: State, tank: Tank, time: float) -> float:
    """Water surface above the weir crest, as measured, else as the flow tells; zero where neither was heard of late. [m]

    Parameters
    ----------
    time : seconds since 1970.
    """
    if time - state.level_time <= FLOW_HOLDS:
        return state.water_level - tank.side_water_depth
    return water_surface(state.flow, tank) if time - state.flow_time <= FLOW_HOLDS else 0.0


def _flow_shares(tank: Tank, others: Sequence[Signal], share_of_plant: float) -> dict[str, float]:
    """What part of each flow signal goes to the tank: its own meters, else its share of the plant's one meter. [–]"""
    flows = [s for s in others if s.kind is SignalKind.FLOW]
    own = {s.tag: 1.0 for s in flows if s.tank == tank.key}
    plant = {s.tag: share_of_plant for s in flows if s.tank is None}
    return own or (plant if len(plant) == 1 else {})
