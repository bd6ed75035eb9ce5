"""Webhooks for SMS gateways: delivery receipts and replies, authenticated by a secret in a header, never in the address.

Addresses end up in logs of proxies and gateways. A gateway that cannot send the header uses Basic authentication (RFC 7617),
under any name, with the secret as password.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import parse_qsl

from fastapi import APIRouter, Depends, Header, HTTPException, Request

from service.jobs.calls.incoming import take_receipt, take_reply
from service.notify.channels.gateway_hook import GatewayHook, read_receipt, read_reply
from service.web.base.access import Principal, Public
from service.web.base.plant import Plant, WebPlant
from service.web.base.throttle import limit_failures

router = APIRouter(prefix="/gateway", include_in_schema=False)

#: More than any receipt or text message needs.
LARGEST = 64 * 1024

ByGateway = Annotated[Principal, Depends(Public("the gateway proves itself by its secret"))]


def _secret(
    authorization: Annotated[str, Header(max_length=1000)] = "",
    x_gateway_secret: Annotated[str, Header(max_length=500)] = "",
) -> str:
    """The secret sent: the header, or the password of Basic authentication."""
    scheme, _, sent = authorization.partition(" ")
    if scheme.lower() != "basic":
        return x_gateway_secret
    try:
        return base64.b64decode(sent.strip(), validate=True).decode("utf-8").partition(":")[2]
    except (binascii.Error, ValueError):
        return ""


Secret = Annotated[str, Depends(_secret)]


async def _body(request: Request) -> bytes:
    return await request.body()


Body = Annotated[bytes, Depends(_body)]


@router.post("/{key}/receipt")
def receipt(request: Request, plant: Plant, visitor: ByGateway, key: str, secret: Secret, body: Body) -> dict[str, str]:
    """Take a delivery receipt."""
    return _receipt(plant, _hook(request, plant, visitor, key, secret), _posted(request, body))


@router.post("/{key}/reply")
def reply(request: Request, plant: Plant, visitor: ByGateway, key: str, secret: Secret, body: Body) -> dict[str, str]:
    """Take an incoming message."""
    return _reply(plant, _hook(request, plant, visitor, key, secret), _posted(request, body))


def _hook(request: Request, plant: WebPlant, visitor: Principal, key: str, secret: str) -> GatewayHook:
    hook = plant.hooks.get(key, _NOBODY)
    if not hook.knows(secret) or hook is _NOBODY:
        limit_failures(request, plant, visitor.address, "gateway")
        raise HTTPException(404, "There is no gateway of that name and secret.")
    return hook


#: Compared with where there is no gateway of that name, so that timing does not reveal names.
_NOBODY = GatewayHook(key="", secret="x" * 32)


def _receipt(plant: WebPlant, hook: GatewayHook, posted: Mapping[str, Any]) -> dict[str, str]:
    if hook.receipts is None:
        raise HTTPException(404, "The site file says nothing about receipts of this gateway.")
    found = read_receipt(hook.receipts, posted)
    if found is None:
        raise HTTPException(422, f"Needed: {hook.receipts.id} and {hook.receipts.status}.")
    if not take_receipt(plant.engine, plant.alarms, found, plant.clock()):
        raise HTTPException(404, "No message of that id is known; send the receipt again later.")
    return {"receipt": found.fate.value}


def _reply(plant: WebPlant, hook: GatewayHook, posted: Mapping[str, Any]) -> dict[str, str]:
    if hook.replies is None:
        raise HTTPException(404, "The site file says nothing about replies through this gateway.")
    found = read_reply(hook.replies, posted)
    if found is None:
        raise HTTPException(422, f"Needed: {hook.replies.id}, {hook.replies.sender} and {hook.replies.text}.")
    done = take_reply(plant.engine, plant, found, plant.clock())
    # Whether the number is known is not told: the answer goes by text message, to known numbers only.
    return {"reply": "taken before" if done is None else "taken"}


def _posted(request: Request, body: bytes) -> Mapping[str, Any]:
    if len(body) > LARGEST:
        raise HTTPException(413, f"More than {LARGEST // 1024} KiB is not taken.")
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        text = body.decode("utf-8")
        if kind == "application/x-www-form-urlencoded":
            return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=200))
        sent = json.loads(text)
    except (ValueError, RecursionError):
        raise HTTPException(422, "The body is neither JSON nor form fields in UTF-8.") from None
    if not isinstance(sent, dict):
        raise HTTPException(422, "Send one object per post.")
    return sent
