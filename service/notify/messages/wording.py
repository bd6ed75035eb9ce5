"""Words an alarm message: headline, trust, checks, consequence. Every number has its unit, every claim its doubt."""

from __future__ import annotations

import math
from datetime import timedelta
from zoneinfo import ZoneInfo

from service.alarms.definition import NOBODY_SEES, AlarmKind, Priority, SystemWatch
from service.alarms.observations import AGREE, CoreSeen
from service.alarms.rules import Observation, RuleReason, SensorSeen
from service.calls.routing import MessageKind
from service.domain.blanket.estimate import Estimate, Trust
from service.domain.blanket.fusion import WRONG_BY
from service.domain.diagnosis.advice import CONFIRM, FRESH_CORE
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.diagnosis.modes import FailureMode
from service.domain.diagnosis.wording import hint, message_lines
from service.domain.plant.display import (
    describe_clearance,
    describe_height,
    describe_rate,
    format_clock,
    format_duration,
    format_length,
    format_quantity,
    format_speed,
)
from service.domain.plant.reading import ReadingReason
from service.domain.plant.tank import TankKind
from service.domain.plant.units import Dimension, UnitSystem
from service.notify.messages.facts import AlarmFacts

#: Severity word: the first word of subject and SMS.
_WORD = {
    AlarmKind.HIGH: "WARNING",
    AlarmKind.HIGH_HIGH: "DANGER",
    AlarmKind.RATE: "RISING FAST",
    AlarmKind.TIME_TO_DANGER: "DANGER SOON",
    AlarmKind.DEVIATION: "SENSOR",
    AlarmKind.BAD_MEASUREMENT: "SENSOR",
    AlarmKind.SOLIDS_LOADING: "OVERLOAD",
    AlarmKind.EFFLUENT_SOLIDS: "EFFLUENT",
    AlarmKind.TURBIDITY: "EFFLUENT",
    AlarmKind.PERMIT_NEAR: "PERMIT NEAR",
    AlarmKind.PERMIT_OVER: "PERMIT",
    AlarmKind.CORE_OVERDUE: "CORE DUE",
    AlarmKind.READS_HIGH: "READS HIGH",
    AlarmKind.SYSTEM: "SERVICE",
}

#: The first word of the end of one alarm while the tank stays in danger.
STILL_DANGER = "STILL DANGER"
#: A story below this chance is not worth a word [–].
TOLD_FROM = 0.03
#: Forecasts further ahead are left out.
_FAR = 24.0  # h


def word(facts: AlarmFacts) -> str:
    """The severity word of a message."""
    match facts.kind:
        case MessageKind.CLEARED:
            # The first word may be all that is read.
            return STILL_DANGER if _WORD[AlarmKind.HIGH_HIGH] in still_active(facts) else "CLEARED"
        case MessageKind.ACKNOWLEDGED:
            return "TAKEN"
        case MessageKind.SHELF_ENDING:
            return "SHELVING ENDS"
    if facts.definition.watch is SystemWatch.FILLING:
        return "TANKS FILLING"
    return _WORD[facts.definition.kind]


def still_active(facts: AlarmFacts) -> tuple[str, ...]:
    """Severity words of the alarms still active on the tank; the worst first."""
    words = {line.split(":", 1)[0] for line in facts.also_active}
    known = list(dict.fromkeys([_WORD[AlarmKind.HIGH_HIGH], *_WORD.values()]))
    return tuple(sorted(words, key=lambda word: known.index(word) if word in known else len(known)))


def kind_word(kind: AlarmKind) -> str:
    """The severity word of a kind of alarm."""
    return _WORD[kind]


def subject_of(facts: AlarmFacts) -> str:
    """What the message is about: the tank, or the plant."""
    return facts.tank_label or facts.site.name


def headline(facts: AlarmFacts, system: UnitSystem) -> str:
    """The first line: severity, tank, clearance, rate, when it gets worse."""
    return f"{word(facts)} {subject_of(facts)}: {main_clause(facts, system)}"


def main_clause(facts: AlarmFacts, system: UnitSystem) -> str:
    """The first line without severity and tank."""
    match facts.kind:
        case MessageKind.CLEARED:
            return _cleared(facts, system)
        case MessageKind.ACKNOWLEDGED:
            return (
                f"{facts.actor or 'somebody'} has it ({_WORD[facts.definition.kind].lower()}: {_alarm(facts, system)})"
            )
        case MessageKind.SHELF_ENDING:
            return f"the shelved {_WORD[facts.definition.kind].lower()} alarm can call again soon"
    had = f"; {facts.had_by} had it, still not over" if facts.had_by and facts.returned_at is None else ""
    return _alarm(facts, system) + had


def _alarm(facts: AlarmFacts, system: UnitSystem) -> str:
    definition = facts.definition
    over = " (over already)" if facts.returned_at is not None and facts.kind is MessageKind.ALARM else ""
    match definition.kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH:
            return _clearance(facts, system) + over
        case AlarmKind.RATE:
            known = facts.value if facts.value is not None or facts.estimate is None else facts.estimate.rate
            rate = "fast" if known is None else format_speed(known, system)
            now = "" if facts.clearance is None else f", now {where(facts.clearance, facts, system)}"
            return f"sludge rising {rate}{now}{over}"
        case AlarmKind.TIME_TO_DANGER:
            when = "soon" if facts.value is None else f"in about {forecast_time(facts.value)}"
            return f"forecast reaches the danger limit {when}{over}"
        case AlarmKind.DEVIATION:
            difference = facts.value or 0.0
            way = "higher" if difference > 0 else "lower"
            return f"sensor read {format_length(abs(difference), system)} {way} than the hand core{over}"
        case AlarmKind.BAD_MEASUREMENT:
            return _bad_measurement(facts) + over
        case AlarmKind.SOLIDS_LOADING:
            if facts.value is None:
                return f"solids loading above its limit{over}"
            loading = format_quantity(facts.value, Dimension.SOLIDS_LOADING, system)
            return f"solids loading {loading}{over}"
        case AlarmKind.EFFLUENT_SOLIDS | AlarmKind.TURBIDITY:
            return _effluent(facts, system) + over
        case AlarmKind.PERMIT_NEAR | AlarmKind.PERMIT_OVER:
            return (facts.detail or "an average of the permit") + over
        case AlarmKind.CORE_OVERDUE:
            if facts.core is None:
                return "no hand core taken yet"
            return f"last hand core {format_duration(facts.now - facts.core.taken_at)} ago"
        case AlarmKind.READS_HIGH:
            there = "high" if facts.value is None else where(facts.value, facts, system)
            return f"sensor reads {there}, not confirmed; take a hand core{over}"
        case AlarmKind.SYSTEM:
            return _system(facts) + over


def where(clearance: float, facts: AlarmFacts, system: UnitSystem) -> str:
    """Position of the sludge against the weir of the tank."""
    return describe_clearance(clearance, system, facts.side_water_depth)


def observed(seen: Observation, system: UnitSystem, zone: ZoneInfo, depth: float | None) -> str:
    """What a person observed, who and when, as a clause.

    Parameters
    ----------
    depth : side water depth. [m]
    """
    who = f" by {seen.core.taken_by}" if seen.core.taken_by else ""
    when = f"{who} at {format_clock(seen.core.taken_at, zone)}"
    match seen.reason:
        case RuleReason.SEEN_AT_THE_WEIR:
            return f"{', '.join(seen.core.over_the_weir)}, seen{when}"
        case RuleReason.FLUFF_BEYOND_LIMIT:
            return f"fluff up to {describe_clearance(seen.clearance, system, depth)}, seen{when}"
    return f"hand core{when} puts the sludge {describe_clearance(seen.clearance, system, depth)}"


def contradicting(seen: Observation, clearance: float | None, system: UnitSystem, zone: ZoneInfo, depth: float) -> str:
    """What a person observed, and whether it contradicts the estimate.

    Parameters
    ----------
    clearance : estimated; None where unknown. [m]
    depth : side water depth. [m]
    """
    against = clearance is not None and clearance - seen.clearance > AGREE
    return observed(seen, system, zone, depth) + ("; it contradicts the sensor" if against else "")


def _observed(facts: AlarmFacts, seen: Observation, system: UnitSystem) -> str:
    return observed(seen, system, facts.site.zone, facts.side_water_depth)


def _effluent(facts: AlarmFacts, system: UnitSystem) -> str:
    turbid = facts.definition.kind is AlarmKind.TURBIDITY
    name = "effluent turbidity" if turbid else "effluent solids"
    if facts.value is None:
        return f"{name} above the limit"
    shown = format_quantity(facts.value, Dimension.TURBIDITY if turbid else Dimension.CONCENTRATION, system)
    return f"{name} {shown}" + (f" by {facts.detail}" if facts.detail else "")


def _clearance(facts: AlarmFacts, system: UnitSystem) -> str:
    if facts.standing is not None and facts.kind is not MessageKind.CLEARED:
        return _observed(facts, facts.standing, system)
    clearance = facts.value if facts.value is not None else facts.clearance
    if clearance is None:
        return "sludge near the weir"
    if facts.reason is RuleReason.FLUFF_BEYOND_LIMIT and facts.detail:
        return f"fluff up to {where(clearance, facts, system)} by {facts.detail}"
    if facts.reason is RuleReason.MAY_BE_BEYOND:
        return f"sludge perhaps {where(clearance, facts, system)}: a hand core decides"
    parts = [f"sludge {where(clearance, facts, system)}"]
    if facts.estimate is not None and math.isfinite(facts.estimate.rate) and facts.returned_at is None:
        parts.append(describe_rate(facts.estimate.rate, system))
    later = worse_in(facts)
    if later is not None:
        parts.append(later)
    return ", ".join(parts)


def worse_in(facts: AlarmFacts) -> str | None:
    """When the danger limit, or else the weir, is reached at the present rate; None where neither is near."""
    estimate, clearance = facts.estimate, facts.clearance
    if estimate is None or clearance is None or facts.returned_at is not None or estimate.rate <= 0.005:
        return None
    if facts.definition.kind is AlarmKind.HIGH and facts.danger_limit is not None and clearance > facts.danger_limit:
        hours = (clearance - facts.danger_limit) / estimate.rate
        return f"danger in about {forecast_time(hours)}" if hours <= _FAR else None
    if clearance <= 0:
        return None
    hours = clearance / estimate.rate
    return f"at the weir in about {forecast_time(hours)}" if hours <= _FAR else None


def forecast_time(hours: float) -> str:
    """A forecast time, rounded to what a forecast can tell."""
    span = timedelta(hours=hours)
    if span < timedelta(minutes=10):
        return "10 min or less"
    if span < timedelta(hours=2):
        minutes = round(span / timedelta(minutes=10)) * 10
        return format_duration(timedelta(minutes=minutes))
    return f"{hours:.0f} h"


def _bad_measurement(facts: AlarmFacts) -> str:
    last = max((s.last_sample_at for s in facts.sensors if s.last_sample_at is not None), default=None)
    for sensor in facts.sensors:
        if sensor.tag == facts.detail:
            last = sensor.last_sample_at
    match facts.reason:
        case RuleReason.STALE if last is not None:
            return f"no blanket reading for {format_duration(facts.now - last)}"
        case RuleReason.NO_SAMPLE | RuleReason.STALE:
            return "no blanket reading has arrived yet"
        case RuleReason.FLAT:
            return "blanket reading is frozen at one value"
        case RuleReason.ECHO_LOST:
            return "blanket sensor has lost its echo"
        case RuleReason.SENSOR_FAULT:
            return "blanket sensor reports a fault"
        case RuleReason.BLIND:
            return "no valid reading, blanket level unknown"
    return "blanket reading is not reliable"


def _system(facts: AlarmFacts) -> str:
    match facts.definition.watch:
        case SystemWatch.CONNECTOR:
            name = facts.definition.connector
            if facts.reason is RuleReason.SAMPLES_LOST:
                return f"values from source {name} were lost: {facts.value or 0.0:.0f} so far could not be stored"
            if facts.reason is RuleReason.SAMPLES_REFUSED:
                return f"some values from source {name} cannot be stored; underweir examine says more"
            if facts.reason is RuleReason.CONNECTOR_NEVER_GOOD or facts.value is None:
                return f"nothing has come from source {name} yet; its tanks are not monitored"
            if facts.reason is RuleReason.TANKS_SILENT:
                return f"{facts.value:.0f} tanks at once get no data from source {name}: {facts.detail}"
            hours = timedelta(hours=facts.value)
            unwatched = f"not monitored: {facts.detail}" if facts.detail else "its tanks are not monitored"
            return f"nothing from source {name} for {format_duration(hours)}; {unwatched}"
        case SystemWatch.DELIVERY:
            return "alarm messages are not getting through"
        case SystemWatch.CLOCK:
            ahead = format_duration(timedelta(hours=facts.value or 0.0))
            return f"readings are stamped {ahead} in the future; a clock or time zone is wrong"
        case SystemWatch.DUTY:
            left = timedelta(hours=facts.value or 0.0)
            when = f"in {format_duration(left)}" if left > timedelta(0) else "now"
            return f"nobody is on duty {when} (rota {facts.detail})"
        case SystemWatch.FILLING:
            return f"{facts.value or 0.0:.0f} tanks are filling at once: {facts.detail}"
        case SystemWatch.CHATTERING:
            return f"these alarms come and go too often to be reliable: {facts.detail}"
        case SystemWatch.STALE:
            return f"these alarms have been active for more than {forecast_time(facts.definition.limit or 0.0)}: {facts.detail}"
    return "the service has a problem"


#: What has ended, worded so that it is not mistaken for the end of something worse.
_ENDED = {
    AlarmKind.HIGH: "warning over",
    AlarmKind.HIGH_HIGH: "danger over",
    AlarmKind.RATE: "no longer rising fast",
    AlarmKind.TIME_TO_DANGER: "the forecast no longer reaches the danger limit",
    AlarmKind.READS_HIGH: "the sensor no longer reads high",
    AlarmKind.SOLIDS_LOADING: "solids loading within its limit again",
    AlarmKind.EFFLUENT_SOLIDS: "effluent solids within the limit again",
    AlarmKind.TURBIDITY: "effluent turbidity within the limit again",
    AlarmKind.PERMIT_NEAR: "permit averages well below their limits again",
    AlarmKind.PERMIT_OVER: "permit averages of now within their limits again; a limit broken stays broken in the report",
}


def _cleared(facts: AlarmFacts, system: UnitSystem) -> str:
    stands = ", ".join(still_active(facts))
    return _ended(facts, system, f", still {stands}" if stands else "")


def _ended(facts: AlarmFacts, system: UnitSystem, stands: str) -> str:
    kind = facts.definition.kind
    if kind in _ENDED:
        if kind not in _OF_BLANKET and kind is not AlarmKind.READS_HIGH:
            return f"{_ENDED[kind]}{stands}"
        if facts.taken_back is not None and kind in _OF_BLANKET:
            gone = facts.taken_back
            how = "withdrawn" if gone.now_says is None else "corrected"
            stands = f", {_which_core(gone.seen, facts)} {how} by {gone.by}{stands}"
        if facts.clearance is None:
            return f"{_ENDED[kind]}{stands}"
        moving = ""
        if facts.estimate is not None and math.isfinite(facts.estimate.rate):
            moving = f", {describe_rate(facts.estimate.rate, system)}"
        return f"{_ENDED[kind]}{stands}, sludge {where(facts.clearance, facts, system)}{moving}"
    return f"{_ended_elsewhere(facts)}{stands}"


def cleared_by(facts: AlarmFacts, system: UnitSystem) -> str:
    """The observations that cleared a blanket alarm; empty where none did."""
    if facts.kind is not MessageKind.CLEARED or facts.definition.kind not in (*_OF_BLANKET, AlarmKind.READS_HIGH):
        return ""
    said, core = [], facts.core
    if (gone := facts.taken_back) is not None:
        how = "withdrawn" if gone.now_says is None else f"corrected to {format_length(gone.now_says.thickness, system)}"
        said.append(f"the {_which_core(gone.seen, facts)}, which was {how} by {gone.by} ({gone.why})")
    if core is not None and (core.taken_at >= facts.occurred_at or core.last_heard):
        who = f" by {core.taken_by}" if core.taken_by else ""
        at = format_clock(core.taken_at, facts.site.zone)
        said.append(f"hand core{who} at {at}, {format_length(core.thickness, system)} of sludge")
    if core is not None and core.contradicted is not None:
        said.append(f"{' and '.join(core.contradicted.by)}, which agree that the blanket has left the last core")
    else:
        said += [
            f"sensor {s.tag}, {describe_height(s.corrected, system)}"
            for s in facts.sensors
            if s.corrected is not None and s.verdict is ReadingReason.NONE and _heard(s, facts)
        ]
    return "; ".join(said)


def _which_core(core: CoreSeen, facts: AlarmFacts) -> str:
    """Identifies a core by its time and what it showed."""
    said = f" ({', '.join(core.over_the_weir)})" if core.over_the_weir else ""
    return f"core of {format_clock(core.taken_at, facts.site.zone)}{said}"


def _heard(sensor: SensorSeen, facts: AlarmFacts) -> bool:
    return sensor.last_sample_at is not None and facts.now - sensor.last_sample_at <= sensor.stale_after


def _ended_elsewhere(facts: AlarmFacts) -> str:
    match facts.definition.kind:
        case AlarmKind.BAD_MEASUREMENT:
            return "blanket reading is back"
        case AlarmKind.CORE_OVERDUE:
            return "hand core taken"
        case AlarmKind.DEVIATION:
            return "sensor and hand core agree again"
        case AlarmKind.SYSTEM if facts.definition.watch is SystemWatch.CONNECTOR:
            return f"source {facts.definition.connector} is back"
        case AlarmKind.SYSTEM if facts.definition.watch is SystemWatch.DELIVERY:
            return "alarm messages get through again"
        case AlarmKind.SYSTEM if facts.definition.watch is SystemWatch.FILLING:
            return "the tanks are no longer filling together"
    return f"{_WORD[facts.definition.kind].lower()} over"


def _observation_sentence(seen: Observation, facts: AlarmFacts, system: UnitSystem) -> str:
    """Source of a manual observation, whether the sensor contradicts it, and what ends it."""
    if facts.definition.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH):
        source = "A person saw this; the sensor did not report it."
    else:
        source = f"Rely on what a person saw: {_observed(facts, seen, system)}."
    against = ""
    if facts.clearance is not None and facts.clearance - seen.clearance > AGREE:
        against = f" The sensor says {where(facts.clearance, facts, system)}: do not trust it."
    if seen.reason is RuleReason.SEEN_AT_THE_WEIR:
        ends = "It counts until a round logs the surface again"
    elif seen.reason is RuleReason.FLUFF_BEYOND_LIMIT:
        ends = "It counts until another core"
    else:
        ends = "It counts until another core, or two sensors that agree, show otherwise"
    return f"{source}{against} {ends}. If it was entered by mistake, correct or withdraw it."


def trust_sentence(facts: AlarmFacts, system: UnitSystem) -> str | None:
    """Whether the estimate is reliable, in a sentence or two; None where the message states no estimate."""
    if facts.standing is not None:
        return _observation_sentence(facts.standing, facts, system)
    if facts.estimate is None:
        return None
    match facts.estimate.trust:
        case Trust.GOOD:
            return "The blanket estimate is reliable."
        case Trust.DOUBTFUL:
            # How far off, and what settles it: "doubtful" alone is a reason to turn over and sleep.
            off = max(facts.estimate.spread, WRONG_BY) if math.isfinite(facts.estimate.sd) else WRONG_BY
            return stories_sentence(facts.estimate, facts.side_water_depth, system) or (
                f"The blanket may be {format_length(off, system)} higher or lower than estimated: a hand core decides."
            )
        case Trust.BLIND:
            return "No valid reading: the blanket estimate is old and may be wrong."


def stories_sentence(estimate: Estimate, depth: float | None, system: UnitSystem) -> str | None:
    """Rival stories in a sentence, the likeliest first; None where there is one only.

    Parameters
    ----------
    depth : side water depth. [m]
    """
    if not estimate.stories or depth is None:
        return None
    either = " or ".join(
        f"{describe_clearance(depth - part.mean, system, depth)} ({100.0 * part.chance:.0f} %)"
        for part in estimate.stories[:3]
        if part.chance >= TOLD_FROM
    )
    return f"The sludge is either {either}: a hand core decides." if " or " in either else None


def trust_short(facts: AlarmFacts) -> str | None:
    """Whether the estimate is reliable, in two or three words for an SMS; "doubtful" alone is a reason to sleep on."""
    if facts.standing is not None:
        against = facts.clearance is not None and facts.clearance - facts.standing.clearance > AGREE
        return "Do not trust sensor" if against else "Seen by a person"
    if facts.estimate is None:
        return None
    return {Trust.GOOD: "Estimate reliable", Trust.DOUBTFUL: "A core decides", Trust.BLIND: "No valid reading"}[
        facts.estimate.trust
    ]


_VERDICT = {
    ReadingReason.STALE: "stale",
    ReadingReason.FLAT: "frozen at one value",
    ReadingReason.ARM_PASS: "arm passing",
    ReadingReason.IMPLAUSIBLE_JUMP: "jumped faster than sludge can move",
    ReadingReason.ECHO_LOST: "echo lost",
    ReadingReason.SURFACE_ECHO: "echo from the water surface",
    ReadingReason.FLUFF_LOCK: "may follow the fluff, not the blanket",
    ReadingReason.NOISY: "noisy",
    ReadingReason.SPIKE: "spike",
    ReadingReason.READS_HIGH_UNCONFIRMED: "reads high, not confirmed",
    ReadingReason.OUT_OF_SERVICE: "out of service",
    ReadingReason.OUT_OF_RANGE: "outside its range",
    ReadingReason.UNDER_RANGE: "under its range",
    ReadingReason.OVER_RANGE: "over its range",
    ReadingReason.LOOP_FAULT_LOW: "current loop fault, low",
    ReadingReason.LOOP_FAULT_HIGH: "current loop fault, high",
    ReadingReason.INSTRUMENT_FAULT: "reports a fault",
    ReadingReason.NO_COMMUNICATION: "no communication",
    ReadingReason.MANUAL_HOLD: "in manual hold",
    ReadingReason.NOT_A_NUMBER: "sends no number",
    ReadingReason.SOURCE_BAD: "marked bad by its source",
    ReadingReason.SOURCE_UNCERTAIN: "marked uncertain by its source",
}


def verdict_words(verdict: ReadingReason) -> str:
    """Why conditioning rejected a sensor's last sample; empty when it did not."""
    return _VERDICT.get(verdict, "")


#: Alarms on a rising blanket or its cause: their checks follow the pattern seen.
_OF_BLANKET = frozenset(
    {AlarmKind.HIGH, AlarmKind.HIGH_HIGH, AlarmKind.RATE, AlarmKind.TIME_TO_DANGER, AlarmKind.SOLIDS_LOADING}
)
#: Checks, consequence and cause where a source delivers but some of its values could not be stored.
_NOT_STORED: dict[RuleReason | None, tuple[tuple[str, ...], str, str]] = {
    RuleReason.SAMPLES_LOST: (
        (
            "The source still delivers, but data waiting for the database no longer fit on the disk.",
            "Free space on the service's disk and restore the database: underweir examine shows what is wrong.",
        ),
        "More values are lost, the oldest first; trends and reports will have a gap.",
        "The database was unavailable for a long time, or the disk was full.",
    ),
    RuleReason.SAMPLES_REFUSED: (
        (
            "Nothing to do at the tank: the source still delivers, and its other values are stored.",
            "Tell whoever runs the service. It can wait for daytime: underweir examine lists the values, why, and how to recover them.",
        ),
        "These values are missing from trends and reports. They are held separately until the oldest make room for new ones.",
        "The database cannot store a value as it was received.",
    ),
}

_OF_EFFLUENT = frozenset({AlarmKind.EFFLUENT_SOLIDS, AlarmKind.TURBIDITY})


def first_checks(facts: AlarmFacts, system: UnitSystem) -> tuple[str, ...]:
    """What to check first: the site's own action where it has one, then what is likely wrong, else the usual checks."""
    definition = facts.definition
    if not definition.action_of_site and facts.reason in _NOT_STORED:
        return _NOT_STORED[facts.reason][0]
    found = diagnosis_told(facts)
    if found is None and definition.kind not in _OF_BLANKET:
        return (definition.action,) if definition.action else _usual_checks(facts)
    own = (definition.action,) if definition.action_of_site else ()
    if found is None:
        return own or _usual_checks(facts)
    lines = message_lines(found, system)
    if not found.clear:
        lines = (*lines, *_usual_checks(facts))
    elif found.leading.mode is not FailureMode.SENSOR and not recently_cored(facts):
        lines = (*lines, CONFIRM)
    return (*own, *lines)


#: After a core this recent nobody is asked for another.
RECENT_CORE = timedelta(hours=FRESH_CORE)


def recently_cored(facts: AlarmFacts) -> bool:
    """Whether the last core is recent."""
    return facts.core is not None and facts.now - facts.core.taken_at <= RECENT_CORE


def diagnosis_told(facts: AlarmFacts) -> Diagnosis | None:
    """What may be wrong with the tank; None where the alarm is about neither blanket nor effluent, or nothing is known."""
    found = facts.diagnosis
    if found is None or not found.clues or facts.definition.kind not in _OF_BLANKET | _OF_EFFLUENT:
        return None
    return found


def likely_cause(facts: AlarmFacts) -> str:
    """The likeliest cause in a word or two, for an SMS; empty where none is clear."""
    found = diagnosis_told(facts)
    return "" if found is None else hint(found)


def _usual_checks(facts: AlarmFacts) -> tuple[str, ...]:
    match facts.definition.kind:
        case (
            AlarmKind.HIGH | AlarmKind.HIGH_HIGH | AlarmKind.RATE | AlarmKind.TIME_TO_DANGER | AlarmKind.SOLIDS_LOADING
        ):
            # Common practice, no source.
            arm = (
                "Is the arm turning?" if recently_cored(facts) else "Is the arm turning? Then confirm with a hand core."
            )
            if facts.tank_kind is TankKind.SECONDARY:
                return (
                    "Return sludge: is the pump running? Is its flow right?",
                    "Inflow: storm flow, or another tank out of service?",
                    arm,
                )
            return (
                "Sludge pump of this tank: is it running, and really moving sludge?",
                "Inflow: storm flow, or another tank out of service?",
                arm,
            )
        case AlarmKind.BAD_MEASUREMENT:
            if others := other_sensors(facts):
                return (
                    f"Still monitored by {others}: take a hand core when you can, to confirm it.",
                    "Then check the sensor: power, cable, fouled face, scum or foam under it.",
                )
            return (
                "No sensor is monitoring this tank: take hand cores until the sensor is back.",
                "Then check the sensor: power, cable, fouled face, scum or foam under it.",
            )
        case AlarmKind.READS_HIGH:
            return ("Take a hand core now: it shows whether the sludge is really there.",)
        case AlarmKind.EFFLUENT_SOLIDS | AlarmKind.TURBIDITY:
            return ("Look at the weirs and take a grab sample: is it the blanket, poor floc, or the meter?",)
        case AlarmKind.PERMIT_NEAR | AlarmKind.PERMIT_OVER:
            return (
                "Take a sample to confirm, and look at each tank's weirs and blanket.",
                "Tell whoever the permit names, within the time it names; the permit and the regulator's rules decide.",
            )
        case AlarmKind.DEVIATION:
            return ("Take a second core to be sure, then clean or calibrate the sensor.",)
        case AlarmKind.CORE_OVERDUE:
            return ("Take a hand core and log it; without cores, sensor drift goes unnoticed.",)
        case AlarmKind.SYSTEM:
            return ("Take hand cores until the service works again.",)


def consequence(facts: AlarmFacts) -> str:
    """What happens if nobody acts."""
    if facts.reason in _NOT_STORED:
        return _NOT_STORED[facts.reason][1]
    if facts.definition.consequence == NOBODY_SEES and (others := other_sensors(facts)):
        return f"Only {others} still monitors this tank; if that fails too, a rising blanket goes unseen."
    if facts.definition.consequence:
        return facts.definition.consequence
    match facts.definition.kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH | AlarmKind.RATE | AlarmKind.TIME_TO_DANGER | AlarmKind.READS_HIGH:
            return "Solids go over the weir and out with the effluent."
        case AlarmKind.BAD_MEASUREMENT | AlarmKind.CORE_OVERDUE | AlarmKind.DEVIATION:
            return "A rising blanket may go unnoticed."
    return ""


def other_sensors(facts: AlarmFacts) -> str:
    """The tank's other sensors that are still valid, by tag; empty where there is none."""
    if facts.reason is RuleReason.BLIND:
        return ""
    good = [
        s.tag for s in facts.sensors if s.tag != facts.detail and s.verdict is ReadingReason.NONE and _heard(s, facts)
    ]
    return " and ".join(good)


def usual_cause(facts: AlarmFacts) -> str:
    """The usual cause."""
    if facts.reason in _NOT_STORED:
        return _NOT_STORED[facts.reason][2]
    return facts.definition.cause


#: For messages that send somebody to the tank. Usual cautions of the trade; local rules come first.
CAUTIONS = (
    "Only if it is safe: not in lightning, high wind or flooding.",
    "Stay behind the guard rail; walkways are slippery, a fall can drown you.",
    "Tell somebody where you are going. Wear gloves, wash your hands after.",
    "Lock out the arm's drive before you touch or reach for anything.",
    "Site rules, local codes and your licensed operator come first.",
)


def sends_to_tank(facts: AlarmFacts) -> bool:
    """Whether the message sends somebody to the tank."""
    return facts.kind is MessageKind.ALARM and facts.tank_kind is not None


_PRIORITY = {Priority.HIGH: "Act now", Priority.MEDIUM: "Act soon", Priority.LOW: "Act when you can"}


def urgency(facts: AlarmFacts) -> str:
    """How soon to act."""
    definition = facts.definition
    return f"{_PRIORITY[definition.priority]}, within {format_duration(definition.time_to_respond)}."
