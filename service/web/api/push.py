"""``POST /api/v1/readings``: JSON or CSV batches from gateways that can only post, with a verdict for every row."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, HTTPException, Request

from service.jobs.ingest.push import RowOutcome, RowVerdict, store_pushed
from service.web.api.router import api_router
from service.web.api.schemas import Taken
from service.web.base.access import Pusher, ScriptChecked
from service.web.base.plant import Plant

router = api_router("readings")

#: Largest batch: more would block the database for too long.
MOST_ROWS = 10_000


_READING = {
    "type": "object",
    "required": ["tag", "time", "value"],
    "properties": {
        "tag": {"type": "string"},
        "time": {"type": "string", "format": "date-time"},
        "value": {"type": ["number", "string"]},
        "unit": {"type": "string"},
        "quality": {"type": "string", "enum": ["good", "uncertain", "bad"]},
    },
}
_BATCH = {"type": "object", "required": ["readings"], "properties": {"readings": {"type": "array", "items": _READING}}}
_FORMS = {"application/json": {"schema": _BATCH}, "text/csv": {"schema": {"type": "string"}}}


async def _body(request: Request) -> bytes:
    return await request.body()


@router.post(
    "/readings",
    response_model=Taken,
    response_model_exclude_none=True,
    openapi_extra={"requestBody": {"required": True, "content": _FORMS}},
)
def push(
    request: Request,
    plant: Plant,
    pusher: Pusher,
    _checked: Annotated[None, ScriptChecked],  # after the token, so that strangers get 401
    body: Annotated[bytes, Depends(_body)],
) -> dict[str, Any]:
    """Store a batch of readings.

    JSON: ``{"readings": [{"tag": "EAST_BLANKET", "time": "2026-03-01T03:00:00Z", "value": 9.4}]}``, each perhaps with
    ``unit`` and ``quality`` (good, uncertain, bad). CSV (``Content-Type: text/csv``): a header line with the same names.
    Rows that cannot be stored are rejected with their reason; the others are stored. Posting a batch again is harmless.
    """
    kind = request.headers.get("content-type", "application/json").partition(";")[0].strip().lower()
    match kind:
        case "application/json":
            rows = _from_json(body)
        case "text/csv":
            rows = _from_csv(body)
        case _:
            raise HTTPException(415, f"Send application/json or text/csv, not {kind}.")
    if len(rows) > MOST_ROWS:
        raise HTTPException(
            413, f"At most {MOST_ROWS} rows are taken at once; these are {len(rows)}. Send them in parts."
        )
    verdicts = store_pushed(plant.engine, plant, rows, sender=pusher.label, now=plant.clock())
    counts = Counter(found.verdict for found in verdicts)
    return {**{str(verdict): counts[verdict] for verdict in RowOutcome}, "rows": [_shown(found) for found in verdicts]}


def _shown(found: RowVerdict) -> dict[str, Any]:
    shown: dict[str, Any] = {"row": found.row, "verdict": found.verdict}
    return shown | {"reason": found.reason} if found.reason else shown


def _from_json(body: bytes) -> list[Mapping[str, Any]]:
    try:
        sent = json.loads(body)
    except (ValueError, RecursionError):
        raise HTTPException(422, "The body is not JSON in UTF-8.") from None
    rows = sent.get("readings") if isinstance(sent, dict) else sent
    if not isinstance(rows, list):
        raise HTTPException(422, 'Send {"readings": [ … ]}, or the list alone.')
    return rows


def _from_csv(body: bytes) -> list[Mapping[str, Any]]:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise HTTPException(422, "The body is not CSV in UTF-8.") from None
    reader = csv.DictReader(io.StringIO(text, newline=""), restkey="(too many cells)", strict=True)
    try:
        rows: list[Mapping[str, Any]] = [dict(row) for row in reader]
        header = [name.strip().lower() for name in reader.fieldnames or []]
    except csv.Error as error:
        raise HTTPException(422, f"The body is not CSV: line {reader.line_num}: {error}.") from None
    missing = [name for name in ("tag", "time", "value") if name not in header]
    if missing:
        raise HTTPException(422, f"The header line lacks {', '.join(missing)}; write tag,time,value,unit,quality.")
    return [{str(name).strip().lower(): cell for name, cell in row.items()} for row in rows]
