"""One session with an OPC UA server: connect, watch, read, look back. Runs on an event loop of its own thread."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Iterable, Sequence
from concurrent.futures import TimeoutError as FutureTimeout
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.common.subscription import DataChangeEvent, StatusChangeEvent, Subscription
from asyncua.common.utils import ServiceError
from asyncua.crypto import security_policies
from asyncua.sync import ThreadLoop, ThreadLoopNotRunning
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography import x509

from connectors.errors import ConnectorError, Misconfigured, Unreachable
from connectors.opcua_items import OpcuaSource, resolve
from connectors.opcua_security import Mode, Policy, Security, application_uri_of, check_trusted, load_certificate
from connectors.opcua_status import status_name

T = TypeVar("T")

#: What HistoryRead brought for one item: values, or the StatusCode that refused them.
History = list[ua.DataValue] | int

#: Called on the loop's thread with (index of the item, its value).
Heard = Callable[[list[tuple[int, ua.DataValue]]], None]

_APPLICATION_URI = "urn:underweir"
#: Server_ServerStatus_CurrentTime (OPC 10000-6, annex A).
_SERVER_TIME = ua.NodeId.from_string("i=2258")
#: Items per service call; servers limit it (OperationLimits), and no server in use is known to allow fewer than this.
_PER_CALL = 250
#: Values per node and HistoryRead answer.
_PER_HISTORY = 5_000

_POLICIES: dict[Policy, type[security_policies.SecurityPolicy]] = {
    Policy.BASIC256SHA256: security_policies.SecurityPolicyBasic256Sha256,
    Policy.AES128_SHA256_RSA_OAEP: security_policies.SecurityPolicyAes128Sha256RsaOaep,
    Policy.AES256_SHA256_RSA_PSS: security_policies.SecurityPolicyAes256Sha256RsaPss,
}
_MODES = {Mode.SIGN: ua.MessageSecurityMode.Sign, Mode.SIGN_AND_ENCRYPT: ua.MessageSecurityMode.SignAndEncrypt}

_LOGIN_CODES = {
    StatusCodes.BadUserAccessDenied,
    StatusCodes.BadIdentityTokenRejected,
    StatusCodes.BadIdentityTokenInvalid,
    StatusCodes.BadUserSignatureInvalid,
}
_CERTIFICATE_CODES = {
    StatusCodes.BadSecurityChecksFailed,
    StatusCodes.BadCertificateUntrusted,
    StatusCodes.BadCertificateInvalid,
    StatusCodes.BadCertificateUriInvalid,
    StatusCodes.BadCertificateTimeInvalid,
    StatusCodes.BadCertificateUseNotAllowed,
    StatusCodes.BadCertificateRevoked,
}
_NO_SUBSCRIPTIONS = {
    StatusCodes.BadServiceUnsupported,
    StatusCodes.BadNotImplemented,
    StatusCodes.BadTooManySubscriptions,
    StatusCodes.BadTooManyMonitoredItems,
}
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


@dataclass(frozen=True, slots=True)
class Watched:
    """What subscribing came to: whether it works at all, and which items were refused (index, StatusCode)."""

    offered: bool
    refused: tuple[tuple[int, int], ...] = ()


class OpcuaLink:
    """A session that is either open or closed: on any doubt it is closed, and the connector opens a new one."""

    def __init__(self, source: OpcuaSource, clock: Callable[[], datetime], heard: Heard) -> None:
        self._source = source
        self._clock = clock
        self._heard = heard
        # Every wait inside has a shorter limit; this one only keeps a defect from hanging the caller for ever.
        self._loop = ThreadLoop(timeout=max(60.0, 10 * source.timeout))
        self._loop.daemon = True
        self._loop.start()
        self._client: Client | None = None
        self._subscription: Subscription | None = None
        self._subscription_id: int | None = None
        self._pump: asyncio.Task[None] | None = None
        self._ended = ""
        self.nodes: list[ua.NodeId | None] = []
        self.unresolved: list[tuple[int, str]] = []

    @property
    def alive(self) -> bool:
        """Whether the session is up, as far as the watchdog knows, and still the subscription that was made."""
        if self._client is None or self._client.uaclient.state is not UaClientState.CONNECTED or self._ended:
            return False
        return self._subscription is None or self._subscription.subscription_id == self._subscription_id

    def connect(self) -> None:
        """Open channel and session.

        Raises
        ------
        Unreachable
            when the server does not answer, or says that it is busy.
        Misconfigured
            when a person must change certificate, trust, login or security policy.
        """
        self._run(asyncio.wait_for(self._connect(), 5 * self._source.timeout))

    def watch(self) -> Watched:
        """Subscribe to every item whose node is known."""
        return self._run(self._watch())

    def read(self, indices: Sequence[int]) -> list[tuple[int, ua.DataValue]]:
        """The present value of the items with those indices, with both timestamps."""
        return self._run(self._read([(i, n) for i in indices if (n := self.nodes[i]) is not None]))

    def with_history(self) -> list[int]:
        """Indices of the items whose history the server offers to this user."""
        return self._run(self._with_history())

    def history(self, indices: Sequence[int], start: datetime, end: datetime) -> list[tuple[int, History]]:
        """Raw history of some items between two times: its values, or the StatusCode that refused them."""
        return self._run(self._history([(i, n) for i in indices if (n := self.nodes[i]) is not None], start, end))

    def clock_skew(self) -> float | None:
        """Server clock minus ours [s], half the round trip allowed for; None when the server does not tell."""
        return self._run(self._clock_skew())

    def disconnect(self) -> None:
        """End the session, politely if the server still listens."""
        if self._client is not None:
            with contextlib.suppress(FutureTimeout, ThreadLoopNotRunning):
                self._loop.post(self._disconnect(self._client))
            self._client = None

    def close(self) -> None:
        """End the session and the thread; safe to call again."""
        self.disconnect()
        if self._loop.is_alive():
            self._loop.stop()

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        try:
            return self._loop.post(work)
        except (ConnectorError, AssertionError):
            raise
        except (UaStatusCodeError, ServiceError) as exc:
            raise self._translated(int(exc.code)) from exc
        except (FutureTimeout, TimeoutError, asyncio.CancelledError) as exc:
            raise Unreachable(
                self._source.key, f"{self._source.endpoint} did not answer within {self._source.timeout:g} s."
            ) from exc
        except (OSError, UaError, ThreadLoopNotRunning) as exc:
            raise Unreachable(
                self._source.key, f"{self._source.endpoint}: {str(exc) or type(exc).__name__}.", "Is the server up?"
            ) from exc
        except Exception as exc:  # a server that speaks nonsense surfaces as whatever its bytes happened to break
            raise Unreachable(
                self._source.key, f"{self._source.endpoint} answered nonsense ({type(exc).__name__}: {exc})."
            ) from exc

    def _translated(self, code: int) -> ConnectorError:
        name = status_name(code)
        if code in _LOGIN_CODES:
            return Misconfigured(self._source.key, f"the server refuses the login: {name}.", "Check user and password.")
        if code in _CERTIFICATE_CODES:
            return Misconfigured(
                self._source.key,
                f"the server refuses our certificate: {name}.",
                "Trust it at the server: move it from the server's rejected to its trusted certificates.",
            )
        return Unreachable(self._source.key, f"the server answers {name}.")

    async def _connect(self) -> None:
        source = self._source
        self._ended = ""
        self._subscription = self._pump = None
        # The watchdog's probe must not be more impatient than a request is.
        client = Client(source.endpoint, timeout=source.timeout, watchdog_intervall=max(1.0, source.timeout))
        client.name = client.description = "Underweir"
        client.application_uri = client.product_uri = _APPLICATION_URI
        if source.security is not None:
            await self._secure(client, source.security)
        if source.identity is not None:
            if source.identity.user is not None and source.identity.password is not None:
                client.set_user(source.identity.user)
                client.set_password(source.identity.password)
            elif source.identity.certificate is not None and source.identity.private_key is not None:
                await client.load_client_certificate(str(source.identity.certificate))
                await client.load_private_key(source.identity.private_key)
        await client.connect()
        self._client = client
        try:
            namespaces = await client.get_namespace_array()
        except BaseException:
            await self._disconnect(client)
            self._client = None
            raise
        self.nodes, self.unresolved = [], []
        for index, item in enumerate(source.items):
            try:
                self.nodes.append(resolve(item.node, list(namespaces)))
            except LookupError as exc:
                self.nodes.append(None)
                self.unresolved.append((index, str(exc)))

    async def _secure(self, client: Client, security: Security) -> None:
        key = self._source.key
        try:
            own = load_certificate(security.certificate)
            application_uri = application_uri_of(own)
        except (OSError, ValueError) as exc:
            raise Misconfigured(key, f"own certificate {security.certificate} cannot be read: {exc}.") from exc
        if application_uri is not None:
            client.application_uri = application_uri
        policy, mode = _POLICIES[security.policy], _MODES[security.mode]
        endpoints = await client.connect_and_get_server_endpoints()
        matching = [e for e in endpoints if e.SecurityPolicyUri == policy.URI and e.SecurityMode == mode]
        if not matching or not matching[0].ServerCertificate:
            offered = sorted({f"{e.SecurityPolicyUri.rpartition('#')[2]}/{e.SecurityMode.name}" for e in endpoints})
            raise Misconfigured(
                key,
                f"the server does not offer {security.policy}/{security.mode}; it offers {', '.join(offered)}.",
                "Change the security policy on either side.",
            )
        certificate = _first_certificate(matching[0].ServerCertificate)
        check_trusted(key, x509.load_der_x509_certificate(certificate), security.trusted, self._clock())
        try:
            # Naming the server's certificate pins it: a server without its private key cannot finish the handshake.
            await client.set_security(
                policy,
                str(security.certificate),
                str(security.private_key),
                security.key_password,
                server_certificate=certificate,
                mode=mode,
            )
        except (OSError, ValueError, TypeError) as exc:
            raise Misconfigured(key, f"certificate or key cannot be used: {exc}.") from exc

    async def _watch(self) -> Watched:
        assert self._client is not None
        source = self._source
        try:
            # An unbounded queue here, for the pump empties it at once; the bound, with its count, is the connector's.
            subscription = await self._client.create_subscription(
                source.publishing_interval * 1000.0, handler=None, queue_maxsize=0
            )
        except (UaStatusCodeError, ServiceError) as exc:
            if int(exc.code) in _NO_SUBSCRIPTIONS:
                return Watched(offered=False)
            raise
        refused: list[tuple[int, int]] = []
        self._pump = asyncio.create_task(self._listen(subscription))
        requests = [(i, self._monitor(i, n)) for i, n in enumerate(self.nodes) if n is not None]
        for chunk in _chunks(requests, _PER_CALL):
            results = await subscription.create_monitored_items([request for _, request in chunk])
            for (index, _), result in zip(chunk, results, strict=True):
                if isinstance(result, ua.StatusCode):
                    refused.append((index, int(result.value)))
        if requests and len(refused) == len(requests) and all(code in _NO_SUBSCRIPTIONS for _, code in refused):
            return Watched(offered=False)
        self._subscription, self._subscription_id = subscription, subscription.subscription_id
        return Watched(offered=True, refused=tuple(refused))

    def _monitor(self, index: int, node: ua.NodeId) -> ua.MonitoredItemCreateRequest:
        source = self._source
        item = source.items[index]
        deadband = source.deadband if item.deadband is None else item.deadband
        filtered = ua.DataChangeFilter()
        # With a timestamp trigger a steady value still reports each sample; a deadband asks for changes only.
        filtered.Trigger = ua.DataChangeTrigger.StatusValue if deadband else ua.DataChangeTrigger.StatusValueTimestamp
        filtered.DeadbandType = ua.DeadbandType.Absolute if deadband else ua.DeadbandType.None_
        filtered.DeadbandValue = deadband
        request = ua.MonitoredItemCreateRequest()
        request.ItemToMonitor = ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value)
        request.MonitoringMode = ua.MonitoringMode.Reporting
        request.RequestedParameters = ua.MonitoringParameters(
            ClientHandle=index + 1,
            SamplingInterval=source.sampling_interval * 1000.0,
            Filter=filtered,
            QueueSize=source.queue_size,
            DiscardOldest=True,
        )
        return request

    async def _listen(self, subscription: Subscription) -> None:
        try:
            async for event in subscription:
                if isinstance(event, DataChangeEvent):
                    self._heard(
                        [((event.data.subscription_data.client_handle or 0) - 1, event.data.monitored_item.Value)]
                    )
                elif isinstance(event, StatusChangeEvent):
                    code = int(event.notification.Status.value)
                    if code >> 30:
                        self._ended = status_name(code)
        except asyncio.CancelledError:
            raise
        except Exception as exc:
            self._ended = f"{type(exc).__name__}: {exc}"

    async def _read(
        self, wanted: list[tuple[int, ua.NodeId]], attribute: AttributeIds = AttributeIds.Value
    ) -> list[tuple[int, ua.DataValue]]:
        assert self._client is not None
        read: list[tuple[int, ua.DataValue]] = []
        for chunk in _chunks(wanted, _PER_CALL):
            params = ua.ReadParameters()
            params.TimestampsToReturn = ua.TimestampsToReturn.Both
            params.NodesToRead = [ua.ReadValueId(NodeId=n, AttributeId=attribute) for _, n in chunk]
            values = await self._client.uaclient.session.read(params)
            read += [(index, value) for (index, _), value in zip(chunk, values, strict=True)]
        return read

    async def _with_history(self) -> list[int]:
        wanted = [(i, n) for i, n in enumerate(self.nodes) if n is not None]
        levels = await self._read(wanted, AttributeIds.UserAccessLevel)
        return [
            i
            for i, level in levels
            if level.Value is not None and int(level.Value.Value or 0) >> ua.AccessLevel.HistoryRead.value & 1
        ]

    async def _history(
        self, wanted: list[tuple[int, ua.NodeId]], start: datetime, end: datetime
    ) -> list[tuple[int, History]]:
        try:
            return await self._history_together(wanted, start, end)
        except (UaStatusCodeError, ServiceError) as exc:
            code = int(exc.code)
            if code in _SESSION_LOST:
                raise
            if len(wanted) == 1 or code in _NO_HISTORY:
                return [(index, code) for index, _ in wanted]
        # One item that the server stumbles over must not cost the others their past.
        alone: list[tuple[int, History]] = []
        for one in wanted:
            alone += await self._history([one], start, end)
        return alone

    async def _history_together(
        self, wanted: list[tuple[int, ua.NodeId]], start: datetime, end: datetime
    ) -> list[tuple[int, History]]:
        assert self._client is not None
        got: dict[int, History] = {}
        details = ua.ReadRawModifiedDetails(
            IsReadModified=False, StartTime=start, EndTime=end, NumValuesPerNode=_PER_HISTORY, ReturnBounds=False
        )
        left: list[tuple[int, ua.NodeId, bytes | None]] = [(i, n, None) for i, n in wanted]
        while left:
            params = ua.HistoryReadParameters()
            params.HistoryReadDetails = details
            params.TimestampsToReturn = ua.TimestampsToReturn.Both
            params.ReleaseContinuationPoints = False
            params.NodesToRead = [
                ua.HistoryReadValueId(NodeId=n, IndexRange="", ContinuationPoint=more) for _, n, more in left
            ]
            results = await self._client.uaclient.session.history_read(params)
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

    async def _clock_skew(self) -> float | None:
        before = self._clock()
        [(_, value)] = await self._read([(0, _SERVER_TIME)])
        after = self._clock()
        theirs = value.Value.Value if value.Value is not None else None
        if not isinstance(theirs, datetime):
            return None
        theirs = theirs.replace(tzinfo=UTC) if theirs.tzinfo is None else theirs
        return (theirs - (before + (after - before) / 2)).total_seconds()

    async def _disconnect(self, client: Client) -> None:
        if self._pump is not None:
            self._pump.cancel()
        try:
            await asyncio.wait_for(client.disconnect(), self._source.timeout)
        except Exception:
            # The session is being given up because it misbehaves: there is nobody left to tell.
            client.disconnect_socket()


def _chunks(items: Sequence[T], size: int) -> Iterable[Sequence[T]]:
    return (items[start : start + size] for start in range(0, len(items), size))


def _first_certificate(der: bytes) -> bytes:
    """The leading certificate of a chain: a server may send its issuers after its own."""
    return der[: int.from_bytes(der[2:4], "big") + 4]
