"""The remedy of each failure mode: texts and the actions they ask for."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.action import SiteAction

PRACTICE = "common practice, no source"
_PARKER = "Parker, Wahlberg and Gerges (2000), Water Science and Technology 41(9), 201-208"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, and the action it asks for where it is one that can harm or that not every site has."""

    text: str
    action: SiteAction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """What to do about a mode."""

    first: str
    further: tuple[Step, ...]
    settles: str
    never: tuple[str, ...]
    source: str = PRACTICE


_RETURN_STEP = Step("Raise the return step by step up to its ceiling and watch the blanket.", SiteAction.RETURN)
_FLOW_OFF = Step("Take flow off this tank.", SiteAction.FLOW_OFF)
_TANKS_IN = Step("Put every tank in service that can be, with the flow even over them.", SiteAction.TANKS_IN)
_STEP_FEED = Step("Step feed: sends thinner mixed liquor to the tanks within the hour.", SiteAction.STEP_FEED)
_CONTACT = Step(
    "Contact stabilization: keeps the solids out of the tanks, at the price of nitrification.",
    SiteAction.CONTACT_STABILIZATION,
)
_POLYMER = Step("Polymer to the mixed liquor, by the site's procedure and permit.", SiteAction.POLYMER)
_NO_WASTING = "Do not waste in a hurry: it lowers no blanket tonight and costs biomass for weeks."
_SLUDGE_LINE = Step(
    "Pump more often and shorter; a line that will not move may need flushing. Lock out before you open it."
)

REMEDIES: dict[FailureMode, Remedy] = {
    FailureMode.RETURN_LOST: Remedy(
        first="Return flow is down. Pump running? Valve open? Suction and line clear? Start the standby pump.",
        further=(
            Step("Standby pump or a crossover from a sister tank, as the site procedure allows."),
            Step("Until it draws again, take flow off this tank.", SiteAction.FLOW_OFF),
            Step("Once it draws, bring the return back step by step; watch the mixed liquor of the sister tanks."),
        ),
        settles="The pump's status and its meter; look at the return box or sample tap: does sludge flow?",
        never=("Do not wait to see whether it comes back by itself.", "Lock out the pump before you open it."),
    ),
    FailureMode.THICKENING: Remedy(
        first="More solids arrive than are drawn: raise the return, not beyond its ceiling.",
        further=(_RETURN_STEP, _TANKS_IN, _FLOW_OFF, _STEP_FEED, _CONTACT),
        settles="The state point with a settling test of tonight; clear water above a sharp, rising blanket.",
        never=(_NO_WASTING,),
        source="state point analysis: Keinath et al. 1977; actions " + PRACTICE,
    ),
    FailureMode.CLARIFICATION: Remedy(
        first="Too much flow for what settles: less flow. Do not raise the return.",
        further=(_FLOW_OFF, _TANKS_IN, _STEP_FEED, _CONTACT, _POLYMER),
        settles="A core: a tall dispersed layer without a sharp top, and effluent solids that follow the flow.",
        never=("Do not raise the return: it adds to what the tank must pass.", _NO_WASTING),
        source="state point analysis: Keinath et al. 1977; actions " + PRACTICE,
    ),
    FailureMode.BULKING: Remedy(
        first="The sludge settles badly: hold the blanket with flow and feed; chemistry and biology mend it over days.",
        further=(
            _RETURN_STEP,
            _STEP_FEED,
            _CONTACT,
            _TANKS_IN,
            _POLYMER,
            Step("Test again, one cylinder diluted: slow settling, or only more solids?"),
            Step("Microscope for filaments; oxygen, feed, nutrients, sulfide. Chlorinating the return is a decision by day."),
        ),
        settles="A diluted settling test beside the ordinary one, and the microscope.",
        never=("Do not waste hard to cure it: filaments come back first.",),
        source="bands of the index: Spellman, Handbook of Water and Wastewater Treatment Plant Operations; actions " + PRACTICE,
    ),
    FailureMode.GAS: Remedy(
        first="Gas lifts the sludge: shorten its stay in the tank with more return, and cut nitrate to the tank.",
        further=(
            _RETURN_STEP,
            Step("Break up floating sludge with the sprays or skimmer; it sinks once the gas is out."),
            Step("By day: less nitrate to the tanks (anoxic zone, recycle, oxygen at the end of the basin)."),
        ),
        settles="A jar of the floating sludge, stirred: if it sinks again, gas lifts it. Nitrate in the effluent.",
        never=("Do not conclude it from a high blanket alone: clumps or bubbles must be seen.",),
        source=f"critical nitrate: Henze et al. 1993 (from memory); category: {_PARKER}",
    ),
    FailureMode.UNEVEN: Remedy(
        first="This tank gets more than its share: check the splitter gates, a throttled neighbor, weirs level.",
        further=(
            Step("Compare the head over the weirs of each tank."),
            _FLOW_OFF,
            Step("Check that the return of each tank is in step with its flow."),
        ),
        settles="Flow meters or the head over the weirs, tank beside tank.",
        never=("Do not change the settings of all tanks for one.",),
    ),
    FailureMode.POOR_FLOC: Remedy(
        first="The floc is poor; the blanket is not to blame. Look at sludge age, oxygen, shear and toxic loads.",
        further=(
            Step("Dispersed solids before and after stirring a sample (flocculated solids test): floc broken up, or never formed?"),
            Step("Settling test: cloudy water over settled sludge, or pin floc that stays up?"),
            Step("Polymer, by the site's procedure and permit.", SiteAction.POLYMER),
        ),
        settles="Dispersed and flocculated suspended solids at the tank's inlet and weir.",
        never=("Do not blame or chase the blanket.",),
        source=_PARKER,
    ),
    FailureMode.INVENTORY: Remedy(
        first="Too much sludge is held: waste more over the coming days, in small steps.",
        further=(
            Step("Check that the waste pump really runs, and what solids it wastes."),
            Step("Until then keep flow even and every tank in service.", SiteAction.TANKS_IN),
            _STEP_FEED,
        ),
        settles="Solids held in basin and tanks, and the solids age against its target.",
        never=("Do not waste it all at once: at most a tenth or so more each day.",),
    ),
    FailureMode.SENSOR: Remedy(
        first="Sensor in doubt: take a hand core first, if safe. Is the sludge really there?",
        further=(
            Step("Then clean the sensor's face; look for scum, foam or the arm under it."),
            Step("Until it is settled, go by cores."),
        ),
        settles="A hand core.",
        never=("Do not act on the sensor alone.",),
    ),
    FailureMode.MECHANICAL: Remedy(
        first="Scraper or drive: is the arm turning, is the torque normal, a shear pin or a flight broken? Lock out the drive before you reach in.",
        further=(
            Step("Stop the drive on high torque; do not restart it against the load."),
            Step("Keep sludge moving: draw what comes, and take flow off this tank.", SiteAction.FLOW_OFF),
        ),
        settles="Watch one full turn, and read the torque.",
        never=("Lock out the drive before anybody reaches in.", "Do not force a stalled drive."),
    ),
    FailureMode.RAT_HOLE: Remedy(
        first="Thin sludge is drawn from under a thick blanket: water breaks through. Draw less for a while, then more often.",
        further=(
            Step("Is the scraper moving sludge to the hopper? Are several suction tubes open, and each drawing?"),
            Step("Sample what is drawn every ten minutes until it thickens."),
        ),
        settles="Solids of what is drawn, over some minutes at a lower rate.",
        never=("Do not draw harder: it only brings more water.",),
    ),
    FailureMode.DENSITY_CURRENT: Remedy(
        first="Cold water runs along the floor and up at the wall: even the flow over all tanks, and take flow off where solids show.",
        further=(_TANKS_IN, _FLOW_OFF, Step("Look along the weir: solids in one stretch are a current, not the blanket.")),
        settles="Temperature of the feed against the tank's, and cores at two places: low inside, high at the wall.",
        never=("Do not raise the return: it feeds the current.",),
        source=f"category hydraulics: {_PARKER}",
    ),
    FailureMode.CHEMICAL_LOST: Remedy(
        first="Polymer or ferric is down: dosing pump, day tank, dilution water, injection point.",
        further=(Step("Jar test tonight's water with and without.", SiteAction.POLYMER),),
        settles="A draw-down of the dosing pump, and a jar test.",
        never=("Do not double the dose to catch up.",),
    ),
    FailureMode.SCUM: Remedy(
        first="Scum ponds on the tank: skimmer, beach, scum box and its line.",
        further=(Step("Sprays and skimming; scum under a sensor reads like sludge: take a core."),),
        settles="Look at the surface and the scum box.",
        never=("Do not push scum over the weir.",),
    ),
    FailureMode.ALGAE: Remedy(
        first="Algae on the weirs: brush or hose them by day; solids come from the weir, not from the blanket.",
        further=(Step("Weirs that are grown over run uneven: look whether flow is even around the tank."),),
        settles="Look at the weirs; sample the water before and after them.",
        never=("Do not lean over the rail to clean a weir.",),
    ),
    FailureMode.SLUDGE_PUMP: Remedy(
        first="Less sludge is drawn than usual. Pump running? Valve open? Line clear? Is it sludge that comes, or water?",
        further=(Step("Standby pump, as the site procedure allows."), _SLUDGE_LINE),
        settles="The pump's strokes or meter, and the sample tap: does sludge flow?",
        never=("Do not wait to see whether it comes back by itself.", "Lock out the pump before you open it."),
    ),
    FailureMode.SURGE: Remedy(
        first="Flow surge: every tank in service that can be, the flow even over them, side streams held back.",
        further=(Step("Draw sludge ahead of the peak, as the site procedure allows."),),
        settles="The plant's flow against its usual, and rain.",
        never=("Do not stop drawing sludge because the flow is high.",),
    ),
    FailureMode.SOLIDS_OVERLOAD: Remedy(
        first="More solids arrive than the thickener passes: send it less, and draw more often.",
        further=(Step("Spread waste over the day, or over two thickeners."), Step("Thickening aid, if the site has it.", SiteAction.POLYMER)),
        settles="Solids loading by feed flow and solids against what the thickener is rated for.",
        never=("Do not fill it to the weir to save pumping.",),
    ),
    FailureMode.SEPTIC: Remedy(
        first="Septic sludge lifts: draw it now, and more often; shorten its stay.",
        further=(_SLUDGE_LINE, Step("Thin the feed or add water to freshen it, as the site procedure allows.")),
        settles="Smell, gas and dark sludge; a stirred jar that sinks again.",
        never=("Do not lean over the tank: hydrogen sulfide. Carry a gas meter.",),
    ),
}  # fmt: skip
