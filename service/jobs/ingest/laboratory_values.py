"""Store laboratory values that came in a file: words to kinds, units to SI, checked; what came before is a duplicate."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID, uuid5

from sqlalchemy import Connection

from connectors.base import LaboratoryValue, Reject
from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult, units_of
from service.domain.plant.units import to_si
from service.errors import InputError
from service.jobs.accounts.actor import Actor, Door
from service.jobs.ingest.hand_cores import CoreOutcome
from service.jobs.laboratory.result import LaboratoryDraft, submit_result
from service.jobs.plant.plant import Plant
from service.storage.database.epoch import to_us
from service.storage.laboratory.results import find_result

#: Namespace of the ids of delivered values: the same value in another file has the same id.
DELIVERED = UUID("3d0c9d5e-63b7-5f0e-8f53-0a7f7b2f6a11")

#: What the trade writes for a kind, beside its own name.
_WORDS = {
    "mlss": LaboratoryKind.MIXED_LIQUOR_SOLIDS,
    "mixed liquor": LaboratoryKind.MIXED_LIQUOR_SOLIDS,
    "ras": LaboratoryKind.RETURN_SOLIDS,
    "ras solids": LaboratoryKind.RETURN_SOLIDS,
    "ras tss": LaboratoryKind.RETURN_SOLIDS,
    "was": LaboratoryKind.WASTE_SOLIDS,
    "was solids": LaboratoryKind.WASTE_SOLIDS,
    "was tss": LaboratoryKind.WASTE_SOLIDS,
    "was flow": LaboratoryKind.WASTE_FLOW,
    "effluent tss": LaboratoryKind.EFFLUENT_SOLIDS,
    "final tss": LaboratoryKind.EFFLUENT_SOLIDS,
    "effluent turbidity": LaboratoryKind.TURBIDITY,
    "ssv": LaboratoryKind.SETTLED_VOLUME,
    "settleability": LaboratoryKind.SETTLED_VOLUME,
    "no3 n": LaboratoryKind.NITRATE,
    "nitrate n": LaboratoryKind.NITRATE,
    "nh4 n": LaboratoryKind.AMMONIUM,
    "ammonia": LaboratoryKind.AMMONIUM,
    "ammonia n": LaboratoryKind.AMMONIUM,
    "do": LaboratoryKind.OXYGEN,
    "dissolved oxygen": LaboratoryKind.OXYGEN,
    "temp": LaboratoryKind.TEMPERATURE,
    "volatile": LaboratoryKind.VOLATILE_FRACTION,
    "mlvss share": LaboratoryKind.VOLATILE_FRACTION,
}
_SYMBOLS = {"c": "degC", "°c": "degC", "f": "degF", "°f": "degF", "% solids": "%solids", "% ts": "%solids", "ml/l": "mL/L", "mg/l": "mg/L", "g/l": "g/L", "ntu": "NTU", "m³/d": "m3/d"}  # fmt: skip


def kind_and_minute(text: str) -> tuple[LaboratoryKind | None, int | None]:
    """The kind that somebody means, and the minute where it is in the word.

    >>> kind_and_minute("MLSS"), kind_and_minute("SSV30"), kind_and_minute("settled volume")
    ((<LaboratoryKind.MIXED_LIQUOR_SOLIDS: 'mixed_liquor_solids'>, None), (<LaboratoryKind.SETTLED_VOLUME: 'settled_volume'>, 30), (<LaboratoryKind.SETTLED_VOLUME: 'settled_volume'>, None))
    """
    word = " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
    if word.startswith(("ssv", "sv")) and word.lstrip("sv ").isdigit():
        return LaboratoryKind.SETTLED_VOLUME, int(word.lstrip("sv "))
    named = {kind.value.replace("_", " "): kind for kind in LaboratoryKind}
    return named.get(word, _WORDS.get(word)), None


def store_laboratory(
    conn: Connection, plant: Plant, values: Sequence[LaboratoryValue], connector: str, source: str, now: datetime
) -> CoreOutcome:
    """Check and store delivered values; good ones go in, each other one is rejected with its line, field and reason.

    Notes
    -----
    Nobody is there to confirm what a file says: a doubtful value is kept with its warning. One that came before, through
    whatever door, is a duplicate.
    """
    outcome = CoreOutcome()
    actor = Actor(name=connector, via=Door.SHEET, address=source)
    for value in values:
        draft = _draft(value, plant, now)
        if isinstance(draft, Reject):
            outcome.rejects.append(draft)
            continue
        if find_result(conn, draft.result.id) is not None:
            outcome.duplicate += 1
            continue
        try:
            verdict = submit_result(conn, plant, draft, actor, now=now)
        except InputError as error:
            outcome.rejects.append(_reject(value, "value", f"{value.value:g} {value.unit}", str(error)))
            continue
        sentences = [finding.sentence for finding in verdict.findings]
        if not verdict.stored:
            outcome.rejects.append(_reject(value, "value", f"{value.value:g} {value.unit}", " ".join(sentences)))
        elif verdict.already:
            outcome.duplicate += 1
        else:
            outcome.accepted += 1
            outcome.warn(f"line {value.line}: {sentence}" for sentence in sentences)
    return outcome


def _draft(value: LaboratoryValue, plant: Plant, now: datetime) -> LaboratoryDraft | Reject:
    kind, minute = kind_and_minute(value.kind)
    if kind is None:
        known = ", ".join(k.value for k in LaboratoryKind)
        return _reject(value, "kind", value.kind, f"no such test is known; there are {known}")
    tank = None
    if value.tank and value.tank.casefold() not in ("plant", "whole plant"):
        found = plant.find_tank(value.tank)
        if found is None:
            return _reject(
                value,
                "tank",
                value.tank,
                f"no tank of this name; there are {', '.join(plant.tanks)}, or leave it empty",
            )
        tank = found.key
    allowed = units_of(kind, plant.alarms.units)
    unit = _SYMBOLS.get(value.unit.casefold(), value.unit) or (allowed[0] if len(allowed) == 1 else "")
    if unit not in allowed:
        asked = "there is no unit" if not unit else f"{TRAITS[kind].name} is not read in {unit}"
        return _reject(value, "unit", value.unit, f"{asked}; write {' or '.join(allowed)}")
    si = to_si(value.value, unit)
    minute = value.minute if value.minute is not None else minute
    key = f"{kind}|{tank}|{to_us(value.time)}|{si:.9g}|{minute}|{value.stirred}|{value.dilution:g}"
    result = LaboratoryResult(
        id=uuid5(DELIVERED, key),
        kind=kind,
        tank=tank,
        taken_at=value.time,
        recorded_at=now,
        value=si,
        minute=minute,
        stirred=value.stirred,
        dilution=value.dilution,
        taken_by=value.taken_by,
        note=value.note,
    )
    return LaboratoryDraft(result=result, typed_value=value.value, typed_unit=unit, confirmed=True)


def _reject(value: LaboratoryValue, name: str, text: str, reason: str) -> Reject:
    return Reject(line=value.line, field=name, text=text, reason=reason)
