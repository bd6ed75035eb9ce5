"""Numbers that are our choice or come from elsewhere, a second time and with the reason: what is turned by accident fails here.

Whoever changes one on purpose changes it here too, and says why. Those that a calculation in another test holds are left out.
"""

from __future__ import annotations

import importlib
from dataclasses import asdict
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from service.domain.blanket.drift_priors import Priors
from service.domain.blanket.level import FIRST_NOISE_SD, LEAST_NOISE_SD
from service.domain.forecast.outlook import HORIZONS
from service.domain.plant.tank import TankKind
from service.domain.sensors.drift_fit import CORE_SDS, WALK_SDS

MINUTES, HOURS = 60.0, 3600.0
S, P, T = TankKind.SECONDARY, TankKind.PRIMARY, TankKind.THICKENER

#: module: {names, as they are written: (values, why)}.
CHOSEN: dict[str, dict[str, tuple[Any, str]]] = {
    "sensors.advice": {
        "TOLERANCE": (0.10, "field accuracy of interface sensors (common practice, no source) [m]"),
        "SURE SUSPICIOUS": ((0.95, 0.5), "one visit in twenty for nothing; watched from evens"),
        "AHEAD": (30.0, "a month, as technicians plan [day]"),
        "CORES_NEEDED": (3.0, "two may be wrong in the same way"),
        "UNSETTLED": (0.3, "the latest core is in doubt"),
        "MOST_CORES": (30, "more would never be taken"),
        "UNIT_CORES UNIT_SLACK": ((5, 0.12), "3.28 is far from all but a slipped unit"),
        "SPAN_SURE": (2.5, "one in eighty by chance"),
    },
    "diagnosis.diagnosis": {
        "LEADS_FROM TOLD_FROM": ((0.45, 0.08), "what is nearly as likely as not leads; a rival of one in twelve is worth a line"),
    },
    "diagnosis.advice": {"FRESH_CORE": (1.0, "nobody is sent twice within the hour [h]")},
    "diagnosis.gather": {
        "ROUND_HOLDS FLUFF_HOLDS SISTER_HOLDS": ((timedelta(hours=12), timedelta(hours=4), timedelta(hours=1)), "a shift; half a storm; one look an hour"),
    },
    "blanket.arm": {
        "SHORTEST_PERIOD LONGEST_PERIOD": ((20 * MINUTES, 60 * MINUTES), "large clarifiers' arms (common practice)"),
        "GIVEN_SLACK": (0.04, "a drive's slip"),
        "LONGEST_PASS": (8 * MINUTES, "under half of the shortest period"),
        "STARTS_KEPT": (16, "a night of an hourly arm"),
        "CHANCE_ALLOWED": (0.01, "Rayleigh's test, over all periods tried"),
        "ANGLE_HOLDS": (5 * MINUTES, "less than a quarter turn of the fastest arm"),
        "STANDS": (0.03, "a third of the slowest arm's 0.1 degree/s"),
        "ANGLE_SLACK": (8.0, "[degree]"),
    },
    "blanket.belief": {
        "SHARED_CORRELATION": (0.5, "two sensors corrected by the same cores"),
        "CORE_SD": (0.1, "of a core alone [m]"),
        "LEAST_USUAL_RATE_VAR": (0.05**2, "no tank stands quite still [m²/h²]"),
    },
    "operations.circuit": {"LOOK_AGAIN": (timedelta(minutes=5), "what waiting cannot heal is looked at seldom")},
    "blanket.conditioning": {
        "PERSISTS": (10 * MINUTES, "longer than any pass of an arm"),
        "SMALL_STEP LEAST_STEP": ((0.4, 0.1), "a shifted bracket is centimetres; less than 0.1 m is no news [m]"),
        "SURFACE_BAND FLUFF_BAND": ((0.3, 0.2), "[m]"),
        "JUMP_SDS LEAST_JUMP": ((4.5, 0.08), "one in 150,000 by chance"),
        "ARM_SDS": (2.5, "while a pass is due"),
        "NOISY_SD NOISY_RATIO": ((0.08, 3.0), "[m], [–]"),
        "UNREST_SAMPLES MUCH_UNREST": ((30.0, 0.35), "half an hour of minutes, a third of them out"),
        "REAL_JUMP_CHANCE": (0.2, "one in five: enough that nobody is reassured"),
    },
    "cores.check": {
        "CORE_SD": (0.15, "repeatability (common practice, no source) [m]"),
        "FAR FITS": ((3.0, 2.0), "1 in 370, 1 in 22 by chance"),
        "CLOCK_SKEW": (timedelta(minutes=5), "a phone's clock"),
        "HEAD_OVER_WEIR": (0.15, "[m]"),
        "SAMPLER_UNITS": (("m", "cm", "ft", "in"), "what samplers are marked in"),
        "_RECENT": (timedelta(days=14), "older cores say nothing of today"),
    },
    "cores.blunders": {"FITS": (2.0, "within two standard deviations")},
    "blanket.drift": {"MOST_STEP_CHANCE": (0.5, "a step is never taken for granted")},
    "sensors.drift_history": {"CALLED": (0.5, "more likely than not")},
    "blanket.drift_priors": {"TREND_MEMORY": (60.0, "a season's fouling [day]")},
    "blanket.estimate": {
        "BLIND_SD BLIND_AFTER": ((0.6, 12 * HOURS), "nobody acts on ±1.2 m, nor on word of the other shift"),
        "MAY_MISLEAD": (0.0025, "less than a day a year [–]"),
    },
    "forecast.prediction": {"FEATURES RATE_MEMORY": ((7, 1.5), "a rise lasts an hour or two [h]")},
    "forecast.forecast": {
        "SMOOTHING LONGEST_GAP USUAL_HEIGHT_MEMORY PUMP_CYCLES": ((0.1, 1.0, 72.0, 2.5), "[h]"),
        "SURGE RETURN_LOW RETURN_LOST": ((1.35, 0.7, 0.25), "beyond the usual day's scatter"),
        "USUAL_FEED": ({S: 3.0, P: 0.2, T: 8.0}, "mixed liquor, raw sewage, thin sludge [kg/m³] (common practice)"),
    },
    "forecast.state": {"_USUAL_RISE": ({S: 0.16, P: 0.05, T: 0.03}, "blankets of 6, 20 and 33 kg/m³ [m³/kg]")},
    "blanket.fusion": {
        "PIVOT_SHARE": (0.3, "about where blankets live"),
        "UPFLOW_TIMES SLOWEST_BOUND FASTEST_BOUND UNKNOWN_BOUND": ((2.0, 0.6, 6.0, 3.0), "[–, m/h]"),
        "FLOW_HOLDS FLUFF_HOLDS BRIDGE_HOLDS": ((2 * HOURS, 24 * HOURS, 2 * HOURS), "how long they are current"),
    },
    "forecast.inflow": {"LESSON _FOLLOW _WORTH_LEARNING": ((3.0, 0.05, 0.15), "[h], a week of quarter hours, meters' scatter")},
    "blanket.level": {
        "RATE_MEMORY RATE_SD": ((1.5, 0.35), "[h], [m/h]"),
        "NOISE_SAMPLES SHARED_NOISE": ((200, 8.0), "three hours; (1+ρ)/(1−ρ)² for ρ = 0.56"),
    },
    "forecast.online_fit": {"_HUBER": (2.5, "a wild point pulls no harder")},
    "blanket.pairing": {
        "TIME_SD": (2.5 / 60.0, "a core's time is known to some minutes [h]"),
        "ARM_DISTURBANCE_SD ARM_STIRS": ((0.08, 45.0), "[m], [degree]"),
    },
    "blanket.sensor_state": {"UNEVEN_VAR LEAST_SCALE": ((0.015**2, 0.2), "a blanket is not quite level [m²]")},
    "sensors.review": {
        "USUAL_PAIRS": (20, "a week of shifts"),
        "CUSUM_SLACK CUSUM_LIMIT": ((0.5, 4.77), "NIST/SEMATECH e-Handbook 6.3.2.3.1: about 370 in control"),
    },
    "loading.state_point": {
        "_CRITICAL_BAND _NOTHING_DRAWN": ((0.005, 1e-6), "equal as far as anybody measures"),
        "PRACTICAL_LIMIT": (0.8, "real tanks fail at 80 % of theory (common practice, no source)"),
    },
    "plant.weir": {"GRAVITY": (9.80665, "CGPM 1901")},
    "sensors.work_proof": {"WINDOW MOST_CORES LEAST_CORES": ((timedelta(days=30), 12, 3), "a month of cores either side")},
    "blanket.work_effect": {
        "WRITTEN_SD UNWRITTEN_SD CLEANED_SD": ((0.06, 0.12, 0.10), "judgement [m]"),
        "WRITTEN_SPAN_SD": (0.02, "judgement [–]"),
    },
}  # fmt: skip


@pytest.mark.parametrize(("module", "names"), [(module, names) for module, held in CHOSEN.items() for names in held])
def test_numbers_are_those_written_down(module: str, names: str) -> None:
    wanted, why = CHOSEN[module][names]
    found = [getattr(importlib.import_module(f"service.domain.{module}"), name) for name in names.split()]
    assert (found[0] if len(found) == 1 else tuple(found)) == wanted, why


def test_what_is_believed_of_drift_before_any_core() -> None:
    """Common practice and judgement, no source: the cores overrule it."""
    assert asdict(Priors()) == {
        "offset_sd": 0.25, "trend_sd": 0.005, "span_sd": 0.08, "step_sd": 0.35, "days_between_steps": 200.0, "wrong_core_share": 0.03,
        "core_sds": (0.04, 0.07, 0.11, 0.17), "core_sd_centre": 0.09, "walk_sds": (0.001, 0.004, 0.012, 0.035), "walk_sd_centre": 0.006,
        "log_spread": 0.9, "trend_share": 0.5, "span_share": 0.3, "trend_walk": 0.001, "trend_memory": 60.0,
    }  # fmt: skip
    assert (CORE_SDS[0], CORE_SDS[-1], CORE_SDS.size) == (pytest.approx(0.02), pytest.approx(0.4), 10)
    assert (WALK_SDS[0], WALK_SDS[-1], WALK_SDS.size) == (pytest.approx(0.0005), pytest.approx(0.1), 12)
    assert (FIRST_NOISE_SD, LEAST_NOISE_SD) == (0.03, 0.005)


def test_the_outlook_is_six_hours_in_steps_that_widen() -> None:
    assert HORIZONS == (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
    assert np.all(np.diff(HORIZONS) > 0)
