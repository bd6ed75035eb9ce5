"""What follows from the laboratory's values: indices, solids held, solids age, waste, return; each with formula and source.

Volumes after 30 minutes from the plain, the diluted and the stirred cylinder are three tests: none stands in for another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult
from service.domain.loading.inventory import solids_retention_time
from service.domain.loading.settleability import (
    diluted_index,
    return_flow_from_settled_volume_60,
    return_ratio_from_settled_volume,
    settled_solids,
    sludge_density_index,
    sludge_volume_index,
    stirred_index_at,
)
from service.domain.plant.display import format_duration
from service.domain.plant.units import Dimension

#: A day with two hours of grace: an older value is said to be old.
OLD = timedelta(hours=26)
#: A still older one is no value of these days (common practice, no source: a weekend without laboratory, and a holiday).
GONE = timedelta(days=4)
#: Solids and settling test of one sample are written down within so long of each other.
TOGETHER = timedelta(hours=6)
#: A plain cylinder above this understates settling: dilute (Standard Methods 2710 D asks for the same; from memory).
DILUTE_ABOVE = 250.0
#: Change of the waste in a day, over what is wasted now (common practice, no source: no more than 10 to 15 % a day).
USUAL_WASTE_STEP = 0.10
MEAN_OVER = timedelta(days=7)

_NOT_KEPT = "whoever keeps the site file sets {} under [laboratory]"
_ENTER = "whoever has the laboratory today enters it on the day's sheet"


class IndexKind(StrEnum):
    """Which test an index is from."""

    PLAIN = "plain"
    DILUTED = "diluted"
    STIRRED = "stirred"


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryTerms:
    """What the site says of its aeration and its aims.

    Parameters
    ----------
    basin_volume : of the aeration basins in use. [m³]
    target_age : solids age to be held. [h]
    waste_step : most change of the waste in a day, over the present one. [–]
    """

    basin_volume: float | None = None
    target_age: float | None = None
    waste_step: float = USUAL_WASTE_STEP


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantFlows:
    """Means of the last day, and over the days of the mean age; None where no meter said enough. [m³/s]"""

    flow: float | None = None
    return_flow: float | None = None
    waste_flow: float | None = None
    waste_flow_week: float | None = None
    flow_week: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayFigure:
    """One figure: its value in SI, or what is missing and who can mend it."""

    key: str
    name: str
    dimension: Dimension
    value: float | None
    formula: str
    source: str
    of: datetime | None = None  #: the oldest value in it
    remarks: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SludgeIndex:
    """An index, from which test and when. [mL/g]"""

    kind: IndexKind
    value: float
    settled_volume: float  #: as read in the cylinder [mL/L]
    solids: float  #: of the undiluted mixed liquor [kg/m³]
    at: datetime  #: of the test
    solids_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySheet:
    """Every figure of a day, of one tank or of the plant."""

    figures: tuple[DayFigure, ...]
    indices: tuple[SludgeIndex, ...] = field(default=())


def index_kind(result: LaboratoryResult) -> IndexKind:
    """Which test a settled volume is of; a stirred test stays one when its sample was diluted."""
    if result.stirred:
        return IndexKind.STIRRED
    return IndexKind.DILUTED if result.dilution > 1.0 else IndexKind.PLAIN


def sludge_indices(results: Sequence[LaboratoryResult]) -> tuple[SludgeIndex, ...]:
    """The index of every 30-minute test that has mixed-liquor solids of its time, oldest first.

    Solids of the test's own place count before those of another; where none are within six hours, the test gives no index.
    """
    solids = [r for r in results if r.kind is LaboratoryKind.MIXED_LIQUOR_SOLIDS and r.value > 0.0]
    found = []
    for test in _of(results, LaboratoryKind.SETTLED_VOLUME, lambda r: r.minute == 30):
        beside = [s for s in solids if abs(s.taken_at - test.taken_at) <= TOGETHER and s.tank in (test.tank, None)]
        if not beside:
            continue
        nearest = min(beside, key=lambda s: (s.tank != test.tank, abs(s.taken_at - test.taken_at)))
        kind = index_kind(test)
        value = (
            sludge_volume_index(test.value, nearest.value)
            if test.dilution == 1.0
            else diluted_index(test.value, test.dilution, nearest.value)
        )
        found.append(
            SludgeIndex(
                kind=kind,
                value=value,
                settled_volume=test.value,
                solids=nearest.value,
                at=test.taken_at,
                solids_at=nearest.taken_at,
            )
        )
    return tuple(found)


def day_sheet(
    results: Iterable[LaboratoryResult],
    flows: PlantFlows,
    terms: LaboratoryTerms,
    held_in_tanks: float | None,
    now: datetime,
) -> DaySheet:
    """Every figure of the day, those too that something is missing for.

    Parameters
    ----------
    results : in force, of the place the sheet is of; at least the days of the mean age.
    held_in_tanks : solids in the blankets of the settling tanks, as believed; None where nobody knows. [kg]
    """
    known = sorted((r for r in results if r.taken_at <= now), key=lambda r: (r.taken_at, r.recorded_at))
    indices = sludge_indices(known)
    figures = [
        *(_index(kind, indices, known, now) for kind in IndexKind),
        _stirred_at_standard(indices, known, now),
        _density(indices, now),
        _thickens_to(indices, now),
        *_system(known, flows, terms, held_in_tanks, now),
        *_returns(known, flows, now),
    ]
    return DaySheet(figures=tuple(figures), indices=indices)


_INDEX_WORDS = {
    IndexKind.PLAIN: ("sludge index (SVI), plain", "settled volume after 30 min ÷ mixed-liquor solids", "undiluted and unstirred"),
    IndexKind.DILUTED: (
        "diluted sludge index (DSVI)",
        "settled volume after 30 min × dilution ÷ mixed-liquor solids",
        "diluted with clear effluent",
    ),
    IndexKind.STIRRED: (
        "stirred sludge index (SSVI)",
        "stirred settled volume after 30 min × dilution ÷ mixed-liquor solids",
        "stirred",
    ),
}  # fmt: skip


def _index(
    kind: IndexKind, indices: Sequence[SludgeIndex], known: Sequence[LaboratoryResult], now: datetime
) -> DayFigure:
    name, formula, how = _INDEX_WORDS[kind]
    newest = next((i for i in reversed(indices) if i.kind is kind and now - i.at <= GONE), None)
    if newest is None:
        tests = _of(known, LaboratoryKind.SETTLED_VOLUME, lambda r: r.minute == 30 and index_kind(r) is kind)
        what = (
            _missing(LaboratoryKind.MIXED_LIQUOR_SOLIDS, "within six hours of the settling test")
            if tests and now - tests[-1].taken_at <= GONE
            else f"a settled volume after 30 min, {how}: {_ENTER}"
        )
        return _figure(f"index_{kind.value}", name, Dimension.SLUDGE_INDEX, None, formula, _2710, missing=(what,))
    remarks = [quality_words(newest)]
    if kind is IndexKind.PLAIN and newest.settled_volume > DILUTE_ABOVE:
        remarks.append(
            f"{newest.settled_volume:.0f} mL/L is above {DILUTE_ABOVE:.0f}: a plain cylinder this full overstates the index. Dilute and stir apart."
        )
    if kind is IndexKind.DILUTED and newest.settled_volume > DILUTE_ABOVE:
        remarks.append(f"{newest.settled_volume:.0f} mL/L is above {DILUTE_ABOVE:.0f}: dilute further.")
    at = min(newest.at, newest.solids_at)
    return _figure(f"index_{kind.value}", name, Dimension.SLUDGE_INDEX, newest.value, formula, _2710, at, now, remarks)


def quality_words(index: SludgeIndex) -> str:
    """The class of the sludge by its index; bands of the plain index only.

    Below 100 dense, to 200 ordinary, above 250 bulking: bands of the plain index as in Spellman's handbook, from a worked-example page.
    For the diluted one, 150 is where bulking is said to begin (Lee et al. 1983, from memory); for the stirred one, 120.
    """
    value = index.value
    match index.kind:
        case IndexKind.PLAIN:
            bands = (
                (100.0, "dense, fast-settling sludge; look for pin floc"),
                (200.0, "ordinary sludge"),
                (250.0, "light, slow-settling sludge"),
            )
        case IndexKind.DILUTED:
            bands = (
                (80.0, "dense, fast-settling sludge; look for pin floc"),
                (120.0, "ordinary sludge"),
                (150.0, "light, slow-settling sludge"),
            )
        case IndexKind.STIRRED:
            bands = ((60.0, "dense, fast-settling sludge; look for pin floc"), (100.0, "ordinary sludge"), (120.0, "light, slow-settling sludge"))  # fmt: skip
    dense = bands[0][0]
    words = next((w for limit, w in bands if value < limit or (value == limit != dense)), "bulking sludge")
    return f"Class by the {index.kind.value} index: {words}."


def _stirred_at_standard(indices: Sequence[SludgeIndex], known: Sequence[LaboratoryResult], now: datetime) -> DayFigure:
    name, formula = "stirred index at 3.5 g/L (SSVI 3.5)", "stirred indices of one day, straight between concentrations"
    tests: dict[float, float] = {}
    newest = next((i for i in reversed(indices) if i.kind is IndexKind.STIRRED and now - i.at <= GONE), None)
    stirred = _of(known, LaboratoryKind.SETTLED_VOLUME, lambda r: r.minute == 30 and r.stirred)
    oldest = now
    if newest is not None:
        for index in indices:
            if index.kind is IndexKind.STIRRED and newest.at - index.at <= timedelta(hours=12):
                dilution = next(
                    r.dilution for r in stirred if r.taken_at == index.at and r.value == index.settled_volume
                )
                tests[index.solids / dilution] = index.value
                oldest = min(oldest, index.at, index.solids_at)
    solids = sorted(tests)
    if len(solids) < 2 or not solids[0] <= 3.5 <= solids[-1]:
        what = f"stirred tests of one day at two dilutions, one above and one below 3.5 g/L: {_ENTER}"
        return _figure("index_stirred_35", name, Dimension.SLUDGE_INDEX, None, formula, _WHITE, missing=(what,))
    value = stirred_index_at(solids, [tests[s] for s in solids])
    return _figure("index_stirred_35", name, Dimension.SLUDGE_INDEX, value, formula, _WHITE, oldest, now)


def _density(indices: Sequence[SludgeIndex], now: datetime) -> DayFigure:
    newest = next((i for i in reversed(indices) if i.kind is IndexKind.PLAIN and now - i.at <= GONE), None)
    name, formula = "sludge density index (SDI)", "100 ÷ plain sludge index, in g per 100 mL"
    if newest is None:
        return _figure(
            "density_index", name, Dimension.RATIO, None, formula, _2710, missing=("the plain sludge index, above",)
        )
    at = min(newest.at, newest.solids_at)
    # Grams in 100 mL are per cent by weight.
    return _figure(
        "density_index",
        name,
        Dimension.CONCENTRATION,
        10.0 * sludge_density_index(newest.value),
        formula,
        _2710,
        at,
        now,
    )


def _thickens_to(indices: Sequence[SludgeIndex], now: datetime) -> DayFigure:
    newest = next((i for i in reversed(indices) if i.kind is IndexKind.PLAIN and now - i.at <= GONE), None)
    name, formula = "solids the cylinder thickens to in 30 min", "1000 ÷ plain sludge index"
    if newest is None:
        return _figure(
            "thickens_to",
            name,
            Dimension.CONCENTRATION,
            None,
            formula,
            _2710,
            missing=("the plain sludge index, above",),
        )
    at = min(newest.at, newest.solids_at)
    return _figure("thickens_to", name, Dimension.CONCENTRATION, settled_solids(newest.value), formula, _2710, at, now)


def _system(
    known: Sequence[LaboratoryResult],
    flows: PlantFlows,
    terms: LaboratoryTerms,
    held_in_tanks: float | None,
    now: datetime,
) -> list[DayFigure]:
    """Solids held, solids age now and as a mean, and the waste that reaches the target age."""
    liquor, waste = (
        _newest(known, LaboratoryKind.MIXED_LIQUOR_SOLIDS, now),
        _newest(known, LaboratoryKind.WASTE_SOLIDS, now),
    )
    effluent = _newest(known, LaboratoryKind.EFFLUENT_SOLIDS, now)
    tanks = held_in_tanks or 0.0
    remarks = [] if held_in_tanks is not None else ["Solids in the settling tanks are not known and left out."]
    counted = "aeration volume × mixed-liquor solids + solids in the blankets"
    lacks = []
    if liquor is None:
        lacks.append(_missing(LaboratoryKind.MIXED_LIQUOR_SOLIDS))
    if terms.basin_volume is None:
        lacks.append(f"the aeration volume: {_NOT_KEPT.format('basin_volume')}")
    held = None if liquor is None or terms.basin_volume is None else terms.basin_volume * liquor.value + tanks
    of = [r.taken_at for r in (liquor,) if r is not None]
    figures = [
        _figure(
            "held",
            "solids held",
            Dimension.MASS,
            held,
            counted,
            _MCRT,
            min(of, default=None),
            now,
            remarks,
            tuple(lacks),
        )
    ]
    leaving_lacks = list(lacks)
    if waste is None:
        leaving_lacks.append(_missing(LaboratoryKind.WASTE_SOLIDS))
    if flows.waste_flow is None:
        leaving_lacks.append(
            "the waste flow of the last day: whoever has the day enters it on the sheet, or the technician connects its meter"
        )
    of += [r.taken_at for r in (waste, effluent) if r is not None]
    over_weir = flows.flow is not None and effluent is not None
    age_remarks = remarks + (
        [] if over_weir else ["Solids over the weirs are not known and left out: the true age is shorter."]
    )
    age = None
    if liquor and waste and terms.basin_volume is not None and flows.waste_flow is not None:
        age = solids_retention_time(
            terms.basin_volume,
            liquor.value,
            flows.waste_flow,
            waste.value,
            flows.flow or 0.0 if over_weir else 0.0,
            effluent.value if effluent is not None and over_weir else 0.0,
            tanks,
        )
        if math.isinf(age):
            age, leaving_lacks = None, ["nothing leaves: no waste was drawn in the last day, so the age has no end"]
    formula = "solids held ÷ (waste flow × waste solids + flow × effluent solids)"
    figures.append(
        _figure(
            "age",
            "solids age now",
            Dimension.TIME,
            age,
            formula,
            _MCRT,
            min(of, default=None),
            now,
            age_remarks,
            tuple(leaving_lacks),
        )
    )
    figures.append(_mean_age(known, flows, terms, tanks, now, lacks, remarks))
    figures += _waste(held, waste, effluent, flows, terms, now, lacks, age_remarks)
    return figures


def _mean_age(
    known: Sequence[LaboratoryResult],
    flows: PlantFlows,
    terms: LaboratoryTerms,
    tanks: float,
    now: datetime,
    lacks: Sequence[str],
    remarks: Sequence[str],
) -> DayFigure:
    week = [r for r in known if now - r.taken_at <= MEAN_OVER]
    liquor, waste = _mean(week, LaboratoryKind.MIXED_LIQUOR_SOLIDS), _mean(week, LaboratoryKind.WASTE_SOLIDS)
    effluent = _mean(week, LaboratoryKind.EFFLUENT_SOLIDS)
    formula = "means of seven days: solids held ÷ solids leaving"
    missing = list(lacks) if terms.basin_volume is None or liquor is None else []
    if waste is None:
        missing.append(_missing(LaboratoryKind.WASTE_SOLIDS, "of the last seven days"))
    if flows.waste_flow_week is None:
        missing.append("the waste flow of the last seven days")
    age = None
    if terms.basin_volume and liquor is not None and waste is not None and flows.waste_flow_week:
        over = effluent is not None and flows.flow_week is not None
        age = solids_retention_time(
            terms.basin_volume,
            liquor,
            flows.waste_flow_week,
            waste,
            flows.flow_week or 0.0 if over else 0.0,
            effluent or 0.0 if over else 0.0,
            tanks,
        )
    days = len({r.taken_at.date() for r in week if r.kind is LaboratoryKind.MIXED_LIQUOR_SOLIDS})
    told = (
        [*remarks, f"From {days} {'day' if days == 1 else 'days'} with mixed-liquor solids."] if age is not None else []
    )
    return _figure(
        "age_mean", "solids age, mean of 7 days", Dimension.TIME, age, formula, _MCRT, None, now, told, tuple(missing)
    )


def _waste(
    held: float | None,
    waste: LaboratoryResult | None,
    effluent: LaboratoryResult | None,
    flows: PlantFlows,
    terms: LaboratoryTerms,
    now: datetime,
    lacks: Sequence[str],
    remarks: Sequence[str],
) -> list[DayFigure]:
    """The waste flow that reaches the target age, and the one of the next day, which goes towards it by a step."""
    missing = list(lacks)
    if terms.target_age is None:
        missing.append(f"the target age: {_NOT_KEPT.format('target_age')}")
    if waste is None:
        missing.append(_missing(LaboratoryKind.WASTE_SOLIDS))
    asked = None
    if held is not None and terms.target_age and waste is not None and waste.value > 0.0:
        lost = (flows.flow or 0.0) * effluent.value if effluent is not None else 0.0  # [kg/s]
        asked = max(held / (terms.target_age * 3600.0) - lost, 0.0) / waste.value
    of = None if waste is None else waste.taken_at
    formula = "(solids held ÷ target age − flow × effluent solids) ÷ waste solids"
    final = _figure(
        "waste_asked",
        "waste that holds the target age",
        Dimension.FLOW,
        asked,
        formula,
        _CONTROL,
        of,
        now,
        remarks,
        tuple(missing),
    )
    step_lacks = ["the waste that holds the target age, above"] if asked is None else []
    if flows.waste_flow is None:
        step_lacks.append("the waste flow of the last day")
    tomorrow, told = (
        None,
        [f"Change the waste by no more than {100 * terms.waste_step:.0f} % a day. Do not chase a storm with wasting."],
    )
    if asked is not None and flows.waste_flow is not None:
        step = terms.waste_step * flows.waste_flow
        tomorrow = min(max(asked, flows.waste_flow - step), flows.waste_flow + step)
        if flows.waste_flow == 0.0:
            tomorrow, told = asked, ["Nothing was wasted in the last day: begin with a part of this, over days."]
    words = "waste of the last day, changed towards it by no more than the daily step"
    return [
        final,
        _figure(
            "waste_next",
            "waste of the next day",
            Dimension.FLOW,
            tomorrow,
            words,
            _CONTROL,
            of,
            now,
            told,
            tuple(step_lacks),
        ),
    ]


def _returns(known: Sequence[LaboratoryResult], flows: PlantFlows, now: datetime) -> list[DayFigure]:
    """Return flow by the settling tests after 30 and 60 minutes, plain cylinder only."""

    def test(minute: int) -> LaboratoryResult | None:
        found = _of(
            known, LaboratoryKind.SETTLED_VOLUME, lambda r: r.minute == minute and index_kind(r) is IndexKind.PLAIN
        )
        return found[-1] if found and now - found[-1].taken_at <= GONE else None

    figures = []
    for minute, formula in (
        (30, "flow × settled volume ÷ (1000 − settled volume)"),
        (60, "(flow + return flow) × settled volume after 60 min ÷ 1000"),
    ):
        cylinder = test(minute)
        missing = []
        if cylinder is None:
            missing.append(f"a settled volume after {minute} min, undiluted and unstirred: {_ENTER}")
        if flows.flow is None:
            missing.append("the flow of the last day: the technician connects its meter")
        if minute == 60 and flows.return_flow is None:
            missing.append("the return flow of the last day: the technician connects its meter")
        value, remarks = None, ["A starting point, not a set-point: the tank does not thicken as the cylinder does."]
        if cylinder is not None and flows.flow is not None and cylinder.value < 1000.0:
            if minute == 30:
                value = flows.flow * return_ratio_from_settled_volume(cylinder.value)
            elif flows.return_flow is not None:
                value = return_flow_from_settled_volume_60(flows.flow, flows.return_flow, cylinder.value)
        elif cylinder is not None and cylinder.value >= 1000.0:
            missing.append("nothing settled in the cylinder: the test gives no return")
        if cylinder is not None and cylinder.value > DILUTE_ABOVE:
            remarks.append(
                f"{cylinder.value:.0f} mL/L is above {DILUTE_ABOVE:.0f}: the wall of the cylinder holds the sludge up, and the test asks for too much return."
            )
        of = None if cylinder is None else cylinder.taken_at
        source = _WEST if minute == 30 else _KERRI
        figures.append(
            _figure(
                f"return_{minute}",
                f"return flow by the {minute}-minute test",
                Dimension.FLOW,
                value,
                formula,
                source,
                of,
                now,
                remarks,
                tuple(missing),
            )
        )
    return figures


_2710 = "Standard Methods 2710 D"
_WHITE = "White (1976), stirred specific volume at 3.5 g/L (from memory)"
_MCRT = "mean cell residence time: solids in the system ÷ solids leaving it"
_CONTROL = "the same balance, solved for the waste"
_WEST = "A. W. West, settling-test return; his Updated Summary of 1978 warns that it over-controls"
_KERRI = "Kerri et al. (2007), field-study training manual (seen in a secondary source)"


def _figure(
    key: str,
    name: str,
    dimension: Dimension,
    value: float | None,
    formula: str,
    source: str,
    of: datetime | None = None,
    now: datetime | None = None,
    remarks: Sequence[str] = (),
    missing: tuple[str, ...] = (),
) -> DayFigure:
    told = list(remarks) if value is not None else []
    if value is not None and of is not None and now is not None and now - of > OLD:
        told.append(f"Old: from values of {format_duration(now - of)} ago. Measure again; {_ENTER}.")
    return DayFigure(
        key=key,
        name=name,
        dimension=dimension,
        value=value,
        formula=formula,
        source=source,
        of=of if value is not None else None,
        remarks=tuple(told),
        missing=missing if value is None else (),
    )


def _missing(kind: LaboratoryKind, when: str = "") -> str:
    return f"{TRAITS[kind].name}{' ' + when if when else ''}: {_ENTER}"


def _of(
    results: Iterable[LaboratoryResult], kind: LaboratoryKind, fits: Callable[[LaboratoryResult], bool] = lambda r: True
) -> list[LaboratoryResult]:
    return [r for r in results if r.kind is kind and fits(r)]


def _newest(known: Sequence[LaboratoryResult], kind: LaboratoryKind, now: datetime) -> LaboratoryResult | None:
    found = _of(known, kind)
    return found[-1] if found and now - found[-1].taken_at <= GONE else None


def _mean(known: Sequence[LaboratoryResult], kind: LaboratoryKind) -> float | None:
    """The mean of the days' means, so that a day with many samples counts once."""
    days: dict[object, list[float]] = {}
    for result in _of(known, kind):
        days.setdefault(result.taken_at.date(), []).append(result.value)
    return sum(sum(v) / len(v) for v in days.values()) / len(days) if days else None
