"""What an experienced operator would check first, for the pattern seen.

Lines of advice, in order, from what the flows say, what the last round saw and what the settling test did. The tool only
advises: site procedures, local codes and the licensed operator decide. The lines are common practice of the trade, without
one authoritative source; the order follows the categories of Parker, Wahlberg and Gerges (2000), Water Science and
Technology 41(9), 201-208: denitrification, high blankets, flocculation, hydraulics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.core import Surface
from service.domain.outlook import Pattern
from service.domain.tank import TankKind


class Finding(StrEnum):
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


def findings(evidence: Evidence) -> tuple[Finding, ...]:
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
        Finding.SENSOR_DOUBT: evidence.sensor_doubtful,
        Finding.ARM_STOPPED: Surface.ARM_STOPPED in surface,
        Finding.RETURN_FAILURE: lost and secondary,
        Finding.SLUDGE_PUMP_FAILURE: lost and not secondary,
        Finding.FLOW_SURGE: evidence.pattern is Pattern.FLOW_SURGE,
        Finding.UNEVEN_SPLIT: evidence.share_of_even is not None and evidence.share_of_even > UNEVEN_SHARE,
        Finding.SOLIDS_LOSS: Surface.SOLIDS_OVER_WEIR in surface,
        Finding.GAS_LIFTED: bool(surface & {Surface.BUBBLES, Surface.CLUMPS}) or long_stay,
        Finding.OVERLOADED: evidence.overloaded,
        Finding.RISING_SETTLED_VOLUME: volume is not None and usual is not None and volume > RISING_VOLUME * usual,
        Finding.POOR_FLOC: secondary and bool(surface & {Surface.PIN_FLOC, Surface.STRAGGLER_FLOC, Surface.TURBID}),
    }
    return tuple(finding for finding, there in shown.items() if there)


_CHECKS: dict[Finding, tuple[str, ...]] = {
    Finding.SENSOR_DOUBT: ("Take a hand core first: it says whether the blanket is really there.",),
    Finding.ARM_STOPPED: (
        "Arm: drive running, torque, shear pin; sludge no longer reaches the outlet while it stands.",
        "Lock out the drive before anybody reaches in.",
    ),
    Finding.RETURN_FAILURE: (
        "Return pump of this tank: running, valve open, suction and line clear, flow meter believable.",
        "Standby pump or a neighbour's, as the site procedure allows.",
        "Return looks thin while the blanket stands high? Water is breaking through: a lower return may draw better.",
    ),
    Finding.SLUDGE_PUMP_FAILURE: (
        "Sludge pump of this tank: running, timer, valve, line clear; is it sludge that comes, or water?",
        "Pump more often and shorter; thick sludge that will not move may need the line flushed.",
    ),
    Finding.FLOW_SURGE: (
        "Inflow: storm, pump station, side streams that can wait.",
        "Every tank in service that can be; flow spread evenly over them.",
        "Storm procedure of the site (step feed, storage, holding solids in the basin) while there is time.",
    ),
    Finding.UNEVEN_SPLIT: (
        "Splitter: gates, weirs level and clean, a neighbour throttled or out of service.",
        "Compare the head over the weirs of each tank.",
    ),
    Finding.SOLIDS_LOSS: (
        "Solids are leaving: sample the effluent, tell whoever must be told under the permit.",
        "Along the whole weir or in one place? One place points to a level or current, not to the blanket.",
    ),
    Finding.GAS_LIFTED: (
        "Clumps or bubbles: sludge stays too long. Does a stirred jar sink again? Then gas lifts it.",
        "Shorten its stay: draw faster, lower the blanket; look at nitrate, oxygen at the basin's end, septic feed.",
    ),
    Finding.OVERLOADED: (
        "By the flux curve the tank cannot pass its solids: raise the return up to its ceiling, or take flow off it.",
    ),
    Finding.RISING_SETTLED_VOLUME: (
        "Settling test again, one diluted: slow settling or simply more solids?",
        "Microscope for filaments; oxygen, feed, nutrients; wasting on target.",
    ),
    Finding.POOR_FLOC: (
        "Cloudy water or pin floc is not a high blanket: look at sludge age, oxygen, shear, toxic loads.",
    ),
}

_LAST = (
    "Confirm with a hand core where it is safe, and log it.",
    "Site procedures, local codes and the licensed operator decide; this is advice only.",
)


def checks(found: Sequence[Finding]) -> tuple[str, ...]:
    """What to check, in order, with the standing lines at the end.

    >>> checks([Finding.SENSOR_DOUBT])[0]
    'Take a hand core first: it says whether the blanket is really there.'
    """
    return tuple(line for finding in found for line in _CHECKS[finding]) + _LAST
