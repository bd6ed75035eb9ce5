"""Lists what to check first on a tank, from the pattern of flows and observations.

Lines of advice, in order, from what the flows say, what the last round saw and what the settling test did. The tool only
advises: site procedures, local codes and the licensed operator decide. The lines are common practice of the trade, without
one authoritative source; the order follows the categories of Parker, Wahlberg and Gerges (2000), Water Science and
Technology 41(9), 201-208: denitrification, high blankets, flocculation, hydraulics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.cores.core import OVER_THE_WEIR, Surface
from service.domain.forecast.outlook import Pattern
from service.domain.plant.tank import TankKind


class FieldCheck(StrEnum):
    """A pattern worth a check."""

    SENSOR_DOUBT = "sensor in doubt"
    ARM_STOPPED = "arm stopped"
    RETURN_FAILURE = "return failure"
    SLUDGE_PUMP_FAILURE = "sludge pump failure"
    FLOW_SURGE = "flow surge"
    UNEVEN_SPLIT = "uneven split"
    GAS_LIFTED = "gas-lifted sludge"
    RISING_SETTLED_VOLUME = "rising settled volume"
    SOLIDS_LOSS = "solids over the weir"
    POOR_FLOC = "poor floc"
    OVERLOADED = "overloaded by the flux curve"


#: A tank that takes this much of an even share has an uneven split. [–]
UNEVEN_SHARE = 1.2
#: A settled volume this much over its usual is rising. [–]
RISING_VOLUME = 1.2
#: Sludge that stays this long may begin to gas: secondary sludge, and raw sludge. [h]
LONG_STAY = {TankKind.SECONDARY: 3.0, TankKind.PRIMARY: 12.0, TankKind.THICKENER: 24.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known of a tank when advice is asked; None where it is not known."""

    kind: TankKind
    pattern: Pattern = Pattern.NOT_KNOWN
    surface: tuple[Surface, ...] = ()  #: what the last round saw
    sensor_doubtful: bool = False
    share_of_even: float | None = None  #: flow to this tank over an even share [–]
    settled_volume: float | None = None  #: [mL/L]
    usual_settled_volume: float | None = None  #: [mL/L]
    sludge_detention: float | None = None  #: [h]
    overloaded: bool = False  #: by state point analysis
    restoring_flow: float | None = None  #: return flow within reach that would bring the state point back [m³/s]


def findings(evidence: Evidence) -> tuple[FieldCheck, ...]:
    """The patterns the evidence shows, those to be checked first in front.

    >>> seen = findings(Evidence(kind=TankKind.SECONDARY, pattern=Pattern.RETURN_LOST, surface=(Surface.BUBBLES,)))
    >>> [finding.value for finding in seen]
    ['return failure', 'gas-lifted sludge']
    """
    surface = set(evidence.surface)
    lost = evidence.pattern in (Pattern.RETURN_LOST, Pattern.RETURN_LOW)
    secondary = evidence.kind is TankKind.SECONDARY
    long_stay = evidence.sludge_detention is not None and evidence.sludge_detention > LONG_STAY[evidence.kind]
    volume, usual = evidence.settled_volume, evidence.usual_settled_volume
    shown = {
        FieldCheck.SENSOR_DOUBT: evidence.sensor_doubtful,
        FieldCheck.ARM_STOPPED: Surface.ARM_STOPPED in surface,
        FieldCheck.RETURN_FAILURE: lost and secondary,
        FieldCheck.SLUDGE_PUMP_FAILURE: lost and not secondary,
        FieldCheck.FLOW_SURGE: evidence.pattern is Pattern.FLOW_SURGE,
        FieldCheck.UNEVEN_SPLIT: evidence.share_of_even is not None and evidence.share_of_even > UNEVEN_SHARE,
        FieldCheck.SOLIDS_LOSS: bool(surface & OVER_THE_WEIR),
        FieldCheck.GAS_LIFTED: bool(surface & {Surface.BUBBLES, Surface.CLUMPS}) or long_stay,
        FieldCheck.OVERLOADED: evidence.overloaded,
        FieldCheck.RISING_SETTLED_VOLUME: volume is not None and usual is not None and volume > RISING_VOLUME * usual,
        FieldCheck.POOR_FLOC: secondary and bool(surface & {Surface.PIN_FLOC, Surface.STRAGGLER_FLOC, Surface.TURBID}),
    }
    return tuple(finding for finding, there in shown.items() if there)


#: What is looked at for each, the most telling first; questions and short words, for somebody half awake.
_CHECKS: dict[FieldCheck, tuple[str, ...]] = {
    FieldCheck.SENSOR_DOUBT: ("Sensor in doubt: take a hand core first, if safe. Is the blanket really there?",),
    FieldCheck.ARM_STOPPED: ("Arm stopped: drive, torque, shear pin? Lock out the drive before anybody reaches in.",),
    FieldCheck.RETURN_FAILURE: (
        "Return flow is down. Pump running? Valve open? Suction and line clear?",
        "Standby pump, as the site procedure allows.",
        "Return thin while the blanket is high? Water breaks through: less return may draw better.",
    ),
    FieldCheck.SLUDGE_PUMP_FAILURE: (
        "Less sludge is drawn than usual. Pump running? Valve open? Is it sludge that comes, or water?",
        "Pump more often and shorter; a line that will not move may need flushing.",
    ),
    FieldCheck.FLOW_SURGE: (
        "Flow surge. Storm, pump station, side streams that can wait?",
        "Every tank in service that can be? Flow even over them?",
        "Storm procedure of the site, while there is time.",
    ),
    FieldCheck.UNEVEN_SPLIT: (
        "This tank gets more than its share. Splitter gates, weirs level, a neighbour throttled or out?",
        "Compare the head over the weirs of each tank.",
    ),
    FieldCheck.SOLIDS_LOSS: (
        "Solids go over the weir: sample the effluent, tell whoever the permit names.",
        "Along the whole weir, or in one place? One place is a level or a current, not the blanket.",
    ),
    FieldCheck.GAS_LIFTED: (
        "Sludge stays long, or clumps and bubbles were seen. Does a stirred jar sink again? Then gas lifts it.",
        "Shorten its stay: draw faster; look at nitrate, oxygen at the basin's end, septic feed.",
    ),
    FieldCheck.OVERLOADED: ("Solids overloaded: raise the return flow up to its ceiling, or take flow off this tank.",),
    FieldCheck.RISING_SETTLED_VOLUME: (
        "Sludge settles worse than usual. Test again, one diluted: slow settling, or only more solids?",
        "Microscope for filaments; oxygen, feed, nutrients; wasting on target.",
    ),
    FieldCheck.POOR_FLOC: ("Cloudy water or pin floc is not a high blanket: sludge age, oxygen, shear, toxic loads?",),
}

#: The same in a word or two, for a text message.
_HINTS: dict[FieldCheck, str] = {
    FieldCheck.SENSOR_DOUBT: "Core first",
    FieldCheck.ARM_STOPPED: "Arm stopped",
    FieldCheck.RETURN_FAILURE: "Return flow down",
    FieldCheck.SLUDGE_PUMP_FAILURE: "Sludge pump?",
    FieldCheck.FLOW_SURGE: "Flow surge",
    FieldCheck.UNEVEN_SPLIT: "Uneven split?",
    FieldCheck.SOLIDS_LOSS: "Solids over weir",
    FieldCheck.GAS_LIFTED: "Gas lifts sludge?",
    FieldCheck.OVERLOADED: "Overloaded",
    FieldCheck.RISING_SETTLED_VOLUME: "Settles badly",
    FieldCheck.POOR_FLOC: "Poor floc",
}

CONFIRM = "Confirm with a hand core, if safe, and log it."
DEFERS = "Site procedures, local codes and the licensed operator decide; this is advice only."


def leading_checks(found: Sequence[FieldCheck], most: int) -> tuple[str, ...]:
    """The *most* telling checks, in order: the first of every finding before the second of any.

    >>> [line.split(".")[0] for line in leading_checks([FieldCheck.RETURN_FAILURE, FieldCheck.FLOW_SURGE], 3)]
    ['Return flow is down', 'Standby pump, as the site procedure allows', 'Flow surge']
    """
    ranked = [(rank, n, line) for n, finding in enumerate(found) for rank, line in enumerate(_CHECKS[finding])]
    kept = sorted(ranked)[:most]
    return tuple(line for _, _, line in sorted(kept, key=lambda one: (one[1], one[0])))


def checks(found: Sequence[FieldCheck]) -> tuple[str, ...]:
    """All there is to check, in order, with the standing lines at the end.

    >>> checks([FieldCheck.POOR_FLOC])[-1]
    'Site procedures, local codes and the licensed operator decide; this is advice only.'
    """
    lines = tuple(line for finding in found for line in _CHECKS[finding])
    return (*lines, *(() if FieldCheck.SENSOR_DOUBT in found else (CONFIRM,)), DEFERS)


def hint(found: Sequence[FieldCheck]) -> str:
    """What was found in a word or two: the first finding that is not about the sensor, whose doubt is told already.

    >>> hint([FieldCheck.SENSOR_DOUBT, FieldCheck.FLOW_SURGE]), hint([])
    ('Flow surge', '')
    """
    return next((_HINTS[finding] for finding in found if finding is not FieldCheck.SENSOR_DOUBT), "")
