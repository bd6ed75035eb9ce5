"""Score the drift reconciliation on simulated plants whose truth is known, beside what the best-informed filter could do.

    python -m tests.benchmarks.drift_score                  the whole library: 300 sensor-months
    python -m tests.benchmarks.drift_score --rounds 1       a fifth of it
    python -m tests.benchmarks.drift_score --faults drift,step

The limit beside each figure is the same estimator told what it otherwise has to learn: the true noise of the cores, the
true walk of the offset, whether there is a trend or a span error, and the true times of steps. All plants are invented.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from multiprocessing import Pool

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.drift import DriftBank
from service.domain.blanket.drift_priors import Priors
from service.domain.blanket.estimate import Event, Trust, advance, initial
from service.domain.blanket.fusion import PIVOT_SHARE
from service.domain.blanket.pairing import Pair
from service.domain.blanket.state import State
from service.domain.cores.core import Core
from service.domain.plant.reading import ReadingReason
from service.domain.sensors.advice import TOLERANCE, Action, decide
from service.domain.sensors.control_charts import cusum
from service.domain.sensors.drift_history import CALLED
from service.simulator.coring import Blunder
from service.simulator.library import FAULTS, STRESSES, LibraryPlant, library, recordings
from service.simulator.scenario import Recording
from service.simulator.sensor import Fouling, OffsetStep, SampleCause, SensorRecord
from tests.benchmarks.recorded_events import TankEvents, tank_events
from tests.support.stopping import in_order

Floats = NDArray[np.float64]

#: Drift dominates where a sensor's raw error reaches this, root mean square over the run: twice what cores scatter [m].
DOMINANT = 0.2
#: Cores before scoring starts: nobody knows an offset from less.
SETTLING_CORES = 4
#: A blunder that moves a core by less does no harm and cannot be seen [m].
HARMFUL = 0.3
USABLE = (ReadingReason.NONE, ReadingReason.SOURCE_UNCERTAIN, ReadingReason.NOISY, ReadingReason.READS_HIGH_UNCONFIRMED)


@dataclass
class Score:
    """Sums over one sensor or many; each figure is made from them in the end."""

    days: float = 0.0
    offset: list[float] = field(default_factory=lambda: [0.0, 0.0])  #: sum of squares, count
    offset_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    drifting_raw: list[float] = field(
        default_factory=lambda: [0.0, 0.0]
    )  #: of sensors whose raw error is DOMINANT or more
    drifting_corrected: list[float] = field(default_factory=lambda: [0.0, 0.0])
    drifting_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    raw: list[float] = field(default_factory=lambda: [0.0, 0.0])
    corrected: list[float] = field(default_factory=lambda: [0.0, 0.0])
    corrected_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    covered: list[float] = field(default_factory=lambda: [0.0, 0.0])
    covered_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    trusted: list[float] = field(default_factory=lambda: [0.0, 0.0])
    estimate: list[float] = field(default_factory=lambda: [0.0, 0.0])
    false_advice: int = 0
    false_advice_limit: int = 0
    advised: list[float] = field(
        default_factory=lambda: [0.0, 0.0]
    )  #: cores at which it was advised, of those it should
    advised_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    blunders: list[float] = field(default_factory=lambda: [0.0, 0.0])  #: caught, all
    blunders_limit: list[float] = field(default_factory=lambda: [0.0, 0.0])
    false_doubts: list[float] = field(default_factory=lambda: [0.0, 0.0])
    arm: list[float] = field(default_factory=lambda: [0.0, 0.0])  #: removed, all
    lost: list[float] = field(default_factory=lambda: [0.0, 0.0])  #: good samples turned away, all
    detection: list[float] = field(default_factory=list)  #: [day]
    detection_limit: list[float] = field(default_factory=list)
    detection_chart: list[float] = field(default_factory=list)
    pairs: int = 0

    def add(self, other: Score) -> None:
        """Take in another sensor's sums."""
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if isinstance(value, list) and not name.startswith("detection"):
                setattr(self, name, [mine[0] + value[0], mine[1] + value[1]])
            else:
                setattr(self, name, mine + value)


@dataclass(frozen=True, slots=True)
class Run:
    """One pass of the estimator over a tank's events."""

    times: Floats
    heights: Floats
    corrected: Floats
    usable: NDArray[np.bool_]
    estimates: Floats  #: time, height, sd, trusted
    pairs: tuple[Pair, ...]
    hindsight: Floats  #: chance that each pair's core was wrong, the next one considered
    actions: tuple[Action, ...]  #: after each pair


def run(given: TankEvents, state: State, told_steps: tuple[int, ...]) -> Run:
    """Fold the events, stopping after each core to ask for advice, and at each step the limit is told of."""
    pivot = PIVOT_SHARE * given.setup.tank.side_water_depth
    tag = given.setup.blankets[0].tag
    rows: list[tuple[float, float, float, bool]] = []
    estimates: list[tuple[float, float, float, float]] = []
    pairs: list[Pair] = []
    actions: list[Action] = []
    wrong: list[float] = []
    steps = list(told_steps)
    for piece, told in _pieces(given, steps):
        if told is not None:
            sensor = state.sensors[tag]
            sensor.bank.move(told)
            sensor.bank.shift(0.0, sensor.bank.priors.step_sd**2)
            sensor.drift = sensor.bank.now()
        done = advance(given.setup, state, piece)
        state = done.state
        rows.extend((a.time.timestamp(), a.height, a.corrected, a.verdict in USABLE) for a in done.assessments)
        estimates.extend((e.time.timestamp(), e.height, e.sd, e.trust is Trust.GOOD) for e in done.estimates)
        for pair in done.pairs:
            bank = state.sensors[tag].bank
            pairs.append(pair)
            actions.append(decide(bank, pair.time.timestamp(), pair.height - pivot).action)
            wrong.append(pair.wrong)
            if len(pairs) > 1:
                wrong[-2] = pair.hindsight_wrong
    table = np.array(rows)
    return Run(
        table[:, 0],
        table[:, 1],
        table[:, 2],
        table[:, 3] > 0.5,
        np.array(estimates),
        tuple(pairs),
        np.array(wrong),
        tuple(actions),
    )


def _pieces(given: TankEvents, steps: list[int]) -> Iterator[tuple[list[Event], float | None]]:
    """Events cut after each core and before each told step."""
    piece: list[Event] = []
    told: float | None = None
    for event in given.events:
        at = event.taken_at if isinstance(event, Core) else getattr(event, "time", None) or event.at  # type: ignore[union-attr]
        if steps and at.timestamp() >= steps[0]:
            yield piece, told
            piece, told = [], float(steps.pop(0))
        piece.append(event)
        if isinstance(event, Core):
            yield piece, told
            piece, told = [], None
    yield piece, told


def limit_priors(recording: Recording, record: SensorRecord) -> Priors:
    """Priors of a filter told the truth about this sensor and these cores."""
    regime, spec = recording.scenario.cores, record.spec
    biases = [bias for _, bias in regime.operators]
    core_sd = math.sqrt(regime.reading_error**2 + regime.rounding**2 / 12.0 + float(np.var(biases)) + 0.015**2)
    surely, never = 1.0 - 1e-9, 1e-9
    return Priors(
        core_sds=(core_sd,),
        core_sd_centre=core_sd,
        walk_sds=(spec.walk,),
        walk_sd_centre=spec.walk,
        trend_share=surely if spec.ramp or spec.fouling is not None else never,
        span_share=surely if spec.span_error else never,
        days_between_steps=1e7,
        wrong_core_share=max(regime.blunders, 0.01),
    )


def score_sensor(job: tuple[LibraryPlant, Recording, int]) -> tuple[str, Score]:
    """Score the one sensor of one tank."""
    entry, recording, tank = job
    given = tank_events(recording, tank)
    record = next(r for r in recording.sensors if r.spec.tank == tank)
    own = run(given, initial(given.setup), ())
    state = initial(given.setup)
    sensor = state.sensors[record.spec.tag]
    sensor.bank = DriftBank(given.setup.tank.side_water_depth, limit_priors(recording, record))
    sensor.drift = sensor.bank.now()
    best = run(given, state, tuple(sorted(record.step_seconds)))
    score = Score(days=recording.scenario.hours / 24.0, pairs=len(own.pairs))
    begin = sorted(p.time.timestamp() for p in own.pairs)[SETTLING_CORES - 1]
    where = np.searchsorted(record.seconds, own.times)
    label, error, true = record.label[where], record.error[where], record.height[where]
    scored = (own.times > begin) & (label == SampleCause.BLANKET)
    for out, seen in ((score.offset, own), (score.offset_limit, best)):
        _squares(out, (seen.heights - seen.corrected - error)[scored])
    _squares(score.raw, (own.heights - true)[scored])
    _squares(score.corrected, (own.corrected - true)[scored])
    _squares(score.corrected_limit, (best.corrected - true)[scored])
    if _rms(score.raw) >= DOMINANT:
        score.drifting_raw, score.drifting_corrected = list(score.raw), list(score.corrected)
        score.drifting_limit = list(score.corrected_limit)
    for covered, seen in ((score.covered, own), (score.covered_limit, best)):
        table = seen.estimates[seen.estimates[:, 0] > begin]
        deviation = table[:, 1] - np.interp(table[:, 0], recording.truth.seconds, recording.truth.height[tank])
        covered[0] += float((np.abs(deviation) <= 1.96 * table[:, 2]).sum())
        covered[1] += float(table.shape[0])
        if seen is own:
            _squares(score.estimate, deviation)
            score.trusted[0] += float(table[:, 3].sum())
            score.trusted[1] += float(table.shape[0])
    score.arm = [float(((label == SampleCause.ARM) & ~own.usable).sum()), float((label == SampleCause.ARM).sum())]
    score.lost = [
        float(((label == SampleCause.BLANKET) & ~own.usable).sum()),
        float((label == SampleCause.BLANKET).sum()),
    ]
    _score_cores(score, own, best, recording)
    _score_advice(score, own, best, record)
    _score_detection(score, own, best, record, entry)
    return entry.fault, score


def _squares(into: list[float], deviation: Floats) -> None:
    into[0] += float((deviation**2).sum())
    into[1] += float(deviation.size)


def _score_cores(score: Score, own: Run, best: Run, recording: Recording) -> None:
    for caught, seen in ((score.blunders, own), (score.blunders_limit, best)):
        for pair, wrong in zip(seen.pairs, seen.hindsight, strict=True):
            core = recording.cores[pair.core.int]
            is_at = float(recording.truth_at(core.tank, np.array([core.taken]))[0])
            harmful = core.blunder is not Blunder.NONE and abs(pair.core_height - is_at) > HARMFUL
            if harmful:
                caught[0] += float(wrong > CALLED)
                caught[1] += 1.0
            elif seen is own and core.blunder is Blunder.NONE:
                score.false_doubts[0] += float(wrong > CALLED)
                score.false_doubts[1] += 1.0


def _score_advice(score: Score, own: Run, best: Run, record: SensorRecord) -> None:
    for seen in (own, best):
        before, false, right, due = False, 0, 0, 0
        for pair, action in zip(seen.pairs, seen.actions, strict=True):
            error = abs(float(np.interp(pair.time.timestamp(), record.seconds, record.error)))
            advised = action is Action.WORK
            false += advised and not before and error < TOLERANCE
            if error > 1.5 * TOLERANCE:
                due += 1
                right += advised
            before = advised
        if seen is own:
            score.false_advice, score.advised = false, [float(right), float(due)]
        else:
            score.false_advice_limit, score.advised_limit = false, [float(right), float(due)]


def _score_detection(score: Score, own: Run, best: Run, record: SensorRecord, entry: LibraryPlant) -> None:
    if entry.fault not in ("step of 0.15 m", "drift of 5 mm/day"):
        return
    spec = record.spec
    start = record.seconds[0] + 3600.0 * (
        spec.steps[0].at if spec.steps else spec.fouling.start if spec.fouling else 0.0
    )
    end = float(record.seconds[-1])
    for out, seen in ((score.detection, own), (score.detection_limit, best)):
        found = (
            pair.time.timestamp()
            for pair, action in zip(seen.pairs, seen.actions, strict=True)
            if pair.time.timestamp() > start and action in (Action.WORK, Action.WATCH)
        )
        out.append((next(found, end) - start) / 86_400.0)
    differences = [pair.difference for pair in own.pairs]
    before = [d for d, pair in zip(differences, own.pairs, strict=True) if pair.time.timestamp() < start]
    middle = float(np.median(before))
    spread = 1.4826 * float(np.median(np.abs(np.array(before) - middle)))  # robust against wrong cores
    after = [(d, pair) for d, pair in zip(differences, own.pairs, strict=True) if pair.time.timestamp() > start]
    clipped = [min(max(d, middle - 3 * spread), middle + 3 * spread) for d, _ in after]
    signals = cusum(clipped, middle, 0.5 * spread, 4.77 * spread).signals
    score.detection_chart.append(((after[signals[0]][1].time.timestamp() if signals else end) - start) / 86_400.0)


def detection_entries(rounds: int, days: int, first: int) -> tuple[LibraryPlant, ...]:
    """Sound plants whose sensors then step by 0.15 m, or drift by 5 mm a day, from a third of the time on."""
    made = []
    for entry in library(("sound",), rounds, days, first):
        at = entry.scenario.hours / 3.0
        length = entry.scenario.hours - at
        ramp = Fouling(start=at, hours=length, size=0.005 * length / 24.0, power=1.0)
        for fault, change in (
            ("step of 0.15 m", {"steps": (OffsetStep(at=at, size=0.15),)}),
            ("drift of 5 mm/day", {"fouling": ramp}),
        ):
            sensors = tuple(replace(sensor, offset=0.0, walk=0.004, **change) for sensor in entry.scenario.sensors)
            made.append(LibraryPlant(fault, entry.seed, replace(entry.scenario, sensors=sensors)))
    return tuple(made)


def table(scores: dict[str, Score]) -> list[tuple[str, float, float, str]]:
    """Rows of (figure, value, limit, unit); NaN where there is no limit."""
    whole = Score()
    for fault, score in scores.items():
        if fault not in ("step of 0.15 m", "drift of 5 mm/day"):
            whole.add(score)
    years = whole.days / 365.25
    rows = [
        ("offset error, root mean square", _rms(whole.offset), _rms(whole.offset_limit), "m"),
        ("95 % interval holds the truth", _share(whole.covered), _share(whole.covered_limit), ""),
        ("estimate error, root mean square, blind spells included", _rms(whole.estimate), math.nan, "m"),
        ("raw error where drift dominates, root mean square", _rms(whole.drifting_raw), math.nan, "m"),
        ("corrected error there", _rms(whole.drifting_corrected), _rms(whole.drifting_limit), "m"),
        (
            "false advice to recalibrate, per sensor-year",
            whole.false_advice / years,
            whole.false_advice_limit / years,
            "",
        ),
        ("advised when off by 0.15 m and more, share of cores", _share(whole.advised), _share(whole.advised_limit), ""),
        ("harmful wrong cores caught", _share(whole.blunders), _share(whole.blunders_limit), ""),
        ("sound cores doubted", _share(whole.false_doubts), math.nan, ""),
        ("arm passes removed, share of samples", _share(whole.arm), math.nan, ""),
        ("good samples turned away", _share(whole.lost), math.nan, ""),
    ]
    for fault in ("step of 0.15 m", "drift of 5 mm/day"):
        if fault in scores and scores[fault].detection:
            found = scores[fault]
            middle = float(np.median(found.detection))
            rows.append(
                (f"time to advise after a {fault}, median", middle, float(np.median(found.detection_limit)), "day")
            )
            rows.append(
                ("  beside it, CUSUM on the same cores", float(np.median(found.detection_chart)), math.nan, "day")
            )
    return rows


def _rms(sums: list[float]) -> float:
    return math.sqrt(sums[0] / sums[1]) if sums[1] else math.nan


def _share(sums: list[float]) -> float:
    return sums[0] / sums[1] if sums[1] else math.nan


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5, help="plants per fault (default 5)")
    parser.add_argument(
        "--first", type=int, default=0, help="first plant of each fault; 100 and up were never looked at in choosing"
    )
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--faults", default=",".join(FAULTS + STRESSES))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    entries = library(tuple(options.faults.split(",")), options.rounds, options.days, options.first)
    entries += detection_entries(options.rounds, options.days, options.first)
    jobs = ((entry, rec, tank) for entry, rec in recordings(entries) for tank in range(len(rec.sensors)))
    scores: dict[str, Score] = {}
    with Pool(options.workers) as pool:
        for fault, score in pool.imap(score_sensor, jobs):
            scores.setdefault(fault, Score()).add(score)
    rows = table(scores)
    if options.json:
        print(
            json.dumps(
                [{"figure": f, "value": v, "limit": None if math.isnan(b) else b, "unit": u} for f, v, b, u in rows]
            )
        )
        return
    months = sum(score.days for score in scores.values()) / 30.0
    print(f"{months:.0f} sensor-months, {sum(score.pairs for score in scores.values())} pairs of core and sensor\n")
    print(f"{'':58s} {'value':>8s} {'limit':>8s}")
    for figure, value, limit, unit in rows:
        beside = "" if math.isnan(limit) else f"{limit:8.3f}"
        print(f"{figure:58s} {value:8.3f} {beside:>8s} {unit}")
    print(
        f"\n{'by fault':18s} {'offset':>8s} {'limit':>8s} {'raw':>8s} {'correct.':>8s} {'covered':>8s} {'trusted':>8s} false advice"
    )
    for fault, score in scores.items():
        print(
            f"{fault:18s} {_rms(score.offset):8.3f} {_rms(score.offset_limit):8.3f} {_rms(score.raw):8.3f}"
            f" {_rms(score.corrected):8.3f} {_share(score.covered):8.3f} {_share(score.trusted):8.3f} {score.false_advice}"
        )


if __name__ == "__main__":
    in_order(main)
