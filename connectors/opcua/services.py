"""The services called in an open OPC UA session: Read, HistoryRead, and the server's time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import TypeVar

from asyncua import ua
from asyncua.client.ua_session import UaSession
from asyncua.common.utils import ServiceError
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

T = TypeVar("T")

#: The result of HistoryRead for one item: values, or the StatusCode that refused them.
History = list[ua.DataValue] | int
#: An item by its index, and its node on this server.
NodesByIndex = Sequence[tuple[int, ua.NodeId]]

#: Server_ServerStatus_CurrentTime (OPC 10000-6, annex A).
_SERVER_TIME = ua.NodeId.from_string("i=2258")
#: Items per service call; servers limit it (OperationLimits), and no server in use is known to allow fewer than this.
PER_CALL = 250
#: Values per node and HistoryRead answer.
_PER_HISTORY = 5_000

_NO_HISTORY = {
    StatusCodes.BadServiceUnsupported,
    StatusCodes.BadHistoryOperationUnsupported,
    StatusCodes.BadNotImplemented,
}
_SESSION_LOST = {
    StatusCodes.BadTimeout,
    StatusCodes.BadSessionIdInvalid,
    StatusCodes.BadSessionClosed,
    StatusCodes.BadSessionNotActivated,
    StatusCodes.BadSecureChannelClosed,
    StatusCodes.BadSecureChannelIdInvalid,
    StatusCodes.BadConnectionClosed,
    StatusCodes.BadServerHalted,
    StatusCodes.BadShutdown,
}


async def read(
    session: UaSession, nodes: NodesByIndex, attribute: AttributeIds = AttributeIds.Value
) -> list[tuple[int, ua.DataValue]]:
    """One attribute of each item, its value unless told otherwise, with both timestamps."""
    found: list[tuple[int, ua.DataValue]] = []
    for chunk in chunks(nodes, PER_CALL):
        params = ua.ReadParameters()
        params.TimestampsToReturn = ua.TimestampsToReturn.Both
        params.NodesToRead = [ua.ReadValueId(NodeId=n, AttributeId=attribute) for _, n in chunk]
        values = await session.read(params)
        found += [(index, value) for (index, _), value in zip(chunk, values, strict=True)]
    return found


async def with_history(session: UaSession, nodes: NodesByIndex) -> list[int]:
    """Indices of the items whose history the server offers to this user."""
    levels = await read(session, nodes, AttributeIds.UserAccessLevel)
    return [
        i
        for i, level in levels
        if level.Value is not None and int(level.Value.Value or 0) >> ua.AccessLevel.HistoryRead.value & 1
    ]


async def history(session: UaSession, nodes: NodesByIndex, start: datetime, end: datetime) -> list[tuple[int, History]]:
    """Raw history of items between two times: the values of each, or the StatusCode that refused them."""
    try:
        return await _history_together(session, nodes, start, end)
    except (UaStatusCodeError, ServiceError) as exc:
        code = int(exc.code)
        if code in _SESSION_LOST:
            raise
        if len(nodes) == 1 or code in _NO_HISTORY:
            return [(index, code) for index, _ in nodes]
    # One item on which the server fails must not cost the others their history.
    alone: list[tuple[int, History]] = []
    for one in nodes:
        alone += await history(session, [one], start, end)
    return alone


async def _history_together(
    session: UaSession, nodes: NodesByIndex, start: datetime, end: datetime
) -> list[tuple[int, History]]:
    got: dict[int, History] = {}
    details = ua.ReadRawModifiedDetails(
        IsReadModified=False, StartTime=start, EndTime=end, NumValuesPerNode=_PER_HISTORY, ReturnBounds=False
    )
    left: list[tuple[int, ua.NodeId, bytes | None]] = [(i, n, None) for i, n in nodes]
    while left:
        params = ua.HistoryReadParameters()
        params.HistoryReadDetails = details
        params.TimestampsToReturn = ua.TimestampsToReturn.Both
        params.ReleaseContinuationPoints = False
        params.NodesToRead = [
            ua.HistoryReadValueId(NodeId=n, IndexRange="", ContinuationPoint=more) for _, n, more in left
        ]
        results = await session.history_read(params)
        again: list[tuple[int, ua.NodeId, bytes | None]] = []
        for (index, node, _), result in zip(left, results, strict=True):
            code = int(result.StatusCode.value)
            if code >> 30 == 2:
                got.setdefault(index, code)
                continue
            values = list(result.HistoryData.DataValues or []) if result.HistoryData is not None else []
            before = got.setdefault(index, [])
            if isinstance(before, list):
                before += values
            if result.ContinuationPoint and values:
                again.append((index, node, result.ContinuationPoint))
        left = again
    return sorted(got.items())


async def clock_skew(session: UaSession, clock: Callable[[], datetime]) -> float | None:
    """Server clock minus ours [s], corrected by half the round trip; None when the server has no time."""
    before = clock()
    [(_, value)] = await read(session, [(0, _SERVER_TIME)])
    after = clock()
    theirs = value.Value.Value if value.Value is not None else None
    if not isinstance(theirs, datetime):
        return None
    theirs = theirs.replace(tzinfo=UTC) if theirs.tzinfo is None else theirs
    return (theirs - (before + (after - before) / 2)).total_seconds()


def chunks(items: Sequence[T], size: int) -> Iterable[Sequence[T]]:
    """*items* in pieces of at most *size*."""
    return (items[start : start + size] for start in range(0, len(items), size))
