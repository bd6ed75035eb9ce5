"""Checks the permit: that its limits are in order, plausible, and measured."""

from __future__ import annotations

from itertools import pairwise

from service.domain.effluent.permit import DIMENSION_OF_MEASURE, SECONDARY_TREATMENT, Measure, Term
from service.domain.plant.signal import SignalKind
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known, shown
from service.site.sections.permit import PermitSection

_KEY = {Measure.SOLIDS: "solids", Measure.LOAD: "load", Measure.TURBIDITY: "turbidity"}
#: What a limit may be: solids from tertiary filters to lagoons [kg/m³], turbidity [NTU] (common practice, no source).
_BAND = {Measure.SOLIDS: (0.001, 0.2), Measure.TURBIDITY: (0.05, 200.0)}


def check_permit(draft: Draft, report: Report) -> None:
    """Check the permit by itself, then against the signals."""
    entry = draft.permit
    if entry is None:
        return
    section: PermitSection = entry.section
    limits = section.limits()
    if not any(limits.values()) and not entry.unread:
        remedy = f"write solids = {{ monthly_average = {1000 * SECONDARY_TREATMENT.monthly:g}, … }} as your permit has it, or remove [permit]"
        report.error(entry, None, "has no limit", remedy)
    for measure, terms in limits.items():
        _check_order(entry, measure, terms, draft, report)
        band = _BAND.get(measure)
        for term, value in terms.items():
            if band is not None and not band[0] <= value <= band[1]:
                said = shown(value, DIMENSION_OF_MEASURE[measure], draft.units)
                report.warning(
                    entry,
                    _KEY[measure],
                    f"has a {term} of {said}: not usual for {measure}",
                    "check the number and its unit",
                )
    if section.approaching is not None and not 0.0 < section.approaching <= 1.0:
        report.error(entry, "approaching", "is no share of a limit", 'write one between 0 and 1, such as "80 %"')
    for key in section.sampled_tanks:
        check_known(entry, "sampled_tanks", key, "tank", draft, report)
    _check_measured(entry, limits, draft, report)


def _check_order(
    entry: ReadSection[PermitSection], measure: Measure, terms: dict[Term, float], draft: Draft, report: Report
) -> None:
    """An average over a longer time may not be larger than over a shorter one: then the shorter one would say nothing."""
    given = [term for term in (Term.MONTHLY, Term.WEEKLY, Term.DAILY, Term.INSTANTANEOUS) if term in terms]
    for longer, shorter in pairwise(given):
        if terms[longer] > terms[shorter]:
            dimension = DIMENSION_OF_MEASURE[measure]
            said = [shown(terms[term], dimension, draft.units) for term in (longer, shorter)]
            report.error(
                entry,
                _KEY[measure],
                f"has a {longer} of {said[0]} above its {shorter} of {said[1]}",
                "look both up in the permit; were they exchanged?",
            )


def _check_measured(
    entry: ReadSection[PermitSection], limits: dict[Measure, dict[Term, float]], draft: Draft, report: Report
) -> None:
    if "signal" in draft.incomplete:
        return
    kinds = {e.section.kind for e in draft.signals}
    needed = {
        Measure.SOLIDS: (SignalKind.EFFLUENT_SOLIDS,),
        Measure.LOAD: (SignalKind.EFFLUENT_SOLIDS, SignalKind.FLOW),
        Measure.TURBIDITY: (SignalKind.TURBIDITY,),
    }
    for measure in limits:
        missing = [kind for kind in needed[measure] if kind not in kinds]
        if SignalKind.FLOW in missing:
            remedy = 'write a [[signal]] of kind "flow": without it no load can be told'
            report.warning(entry, _KEY[measure], "cannot be judged: no flow is measured", remedy)
        elif missing:
            remedy = f'write a [[signal]] of kind "{missing[0]}" for a meter, or type the laboratory\'s values'
            report.warning(entry, _KEY[measure], "is judged by laboratory values alone: no signal measures it", remedy)
