"""One session with an OPC UA server: connect, subscribe, read, read history. Runs an event loop in its own thread."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import TimeoutError as FutureTimeout
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.client.ua_session import UaSession
from asyncua.common.subscription import DataChangeEvent, StatusChangeEvent, Subscription
from asyncua.common.utils import ServiceError
from asyncua.crypto import security_policies
from asyncua.sync import ThreadLoop, ThreadLoopNotRunning
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography import x509

from connectors.errors import ConnectorError, Misconfigured, Unreachable
from connectors.opcua import services as opcua_services
from connectors.opcua.items import OpcuaSource, resolve
from connectors.opcua.security import Mode, Policy, Security, application_uri_of, check_trusted, load_certificate
from connectors.opcua.services import PER_CALL, History, chunks
from connectors.opcua.status import status_name

T = TypeVar("T")

_APPLICATION_URI = "urn:underweir"

_POLICIES: dict[Policy, type[security_policies.SecurityPolicy]] = {
    Policy.BASIC256SHA256: security_policies.SecurityPolicyBasic256Sha256,
    Policy.AES128_SHA256_RSA_OAEP: security_policies.SecurityPolicyAes128Sha256RsaOaep,
    Policy.AES256_SHA256_RSA_PSS: security_policies.SecurityPolicyAes256Sha256RsaPss,
}
_MODES = {Mode.SIGN: ua.MessageSecurityMode.Sign, Mode.SIGN_AND_ENCRYPT: ua.MessageSecurityMode.SignAndEncrypt}

#: Called in the loop's thread with (index of the item, its value).
OnValues = Callable[[list[tuple[int, ua.DataValue]]], None]

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


@dataclass(frozen=True, slots=True)
class Subscribed:
    """The result of subscribing: whether the server offers it, and which items were refused (index, StatusCode)."""

    offered: bool
    refused: tuple[tuple[int, int], ...] = ()


class OpcuaSession:
    """A session, either open or closed: after any error it is closed, and the connector opens a new one."""

    def __init__(self, source: OpcuaSource, clock: Callable[[], datetime], on_values: OnValues) -> None:
        self._source = source
        self._clock = clock
        self._on_values = on_values
        # Every wait inside has a shorter timeout; this one only keeps a defect from hanging the caller for ever.
        self._loop = ThreadLoop(timeout=max(60.0, 10 * source.timeout))
        self._loop.daemon = True
        self._loop.start()
        self._client: Client | None = None
        self._subscription: Subscription | None = None
        self._subscription_id: int | None = None
        self._receiver: asyncio.Task[None] | None = None
        self._problem = ""
        self.nodes: list[ua.NodeId | None] = []
        self.unresolved: list[tuple[int, str]] = []

    @property
    def alive(self) -> bool:
        """Whether the session is up, as far as the watchdog knows, and its subscription is still the one made."""
        if self._client is None or self._client.uaclient.state is not UaClientState.CONNECTED or self._problem:
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

    def subscribe(self) -> Subscribed:
        """Subscribe to every item whose node is known."""
        return self._run(self._subscribe())

    def read(self, indices: Sequence[int]) -> list[tuple[int, ua.DataValue]]:
        """As :func:`services.read`."""
        return self._run(opcua_services.read(self._session, self._nodes_of(indices)))

    def with_history(self) -> list[int]:
        """As :func:`services.with_history`, of all items."""
        return self._run(opcua_services.with_history(self._session, self._nodes_of(range(len(self.nodes)))))

    def history(self, indices: Sequence[int], start: datetime, end: datetime) -> list[tuple[int, History]]:
        """As :func:`services.history`."""
        return self._run(opcua_services.history(self._session, self._nodes_of(indices), start, end))

    def clock_skew(self) -> float | None:
        """As :func:`services.clock_skew`."""
        return self._run(opcua_services.clock_skew(self._session, self._clock))

    def disconnect(self) -> None:
        """Close the session, also at the server if it still answers."""
        if self._client is not None:
            with contextlib.suppress(FutureTimeout, ThreadLoopNotRunning):
                self._loop.post(self._disconnect(self._client))
            self._client = None

    def close(self) -> None:
        """Close the session and end the thread; safe to call again."""
        self.disconnect()
        if self._loop.is_alive():
            with contextlib.suppress(FutureTimeout, ThreadLoopNotRunning):
                self._loop.post(self._cancel_tasks())
            self._loop.stop()

    async def _cancel_tasks(self) -> None:
        """Cancel tasks that the library left running, and let the loop finish closing connections."""
        left = asyncio.all_tasks() - {asyncio.current_task()}
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left, timeout=self._source.timeout)
        await asyncio.sleep(0)

    @property
    def _session(self) -> UaSession:
        if self._client is None:
            raise Unreachable(self._source.key, f"{self._source.endpoint} is not connected.")
        return self._client.uaclient.session

    def _nodes_of(self, indices: Sequence[int]) -> list[tuple[int, ua.NodeId]]:
        return [(i, n) for i in indices if (n := self.nodes[i]) is not None]

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        try:
            return self._loop.post(work)
        except (ConnectorError, AssertionError):
            raise
        except (UaStatusCodeError, ServiceError) as exc:
            raise self._error_of(int(exc.code)) from exc
        except (FutureTimeout, TimeoutError, asyncio.CancelledError) as exc:
            raise Unreachable(
                self._source.key, f"{self._source.endpoint} did not answer within {self._source.timeout:g} s."
            ) from exc
        except (OSError, UaError, ThreadLoopNotRunning) as exc:
            raise Unreachable(
                self._source.key, f"{self._source.endpoint}: {str(exc) or type(exc).__name__}.", "Is the server up?"
            ) from exc
        except Exception as exc:  # malformed responses surface as arbitrary errors of the library
            raise Unreachable(
                self._source.key, f"{self._source.endpoint} answered nonsense ({type(exc).__name__}: {exc})."
            ) from exc

    def _error_of(self, code: int) -> ConnectorError:
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
        self._problem = ""
        self._subscription = self._receiver = None
        client = await open_session(source, self._clock())
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

    async def _subscribe(self) -> Subscribed:
        assert self._client is not None
        source = self._source
        try:
            # Unbounded, as the receiver empties it at once; the bound is in the connector's SampleQueue.
            subscription = await self._client.create_subscription(
                source.publishing_interval * 1000.0, handler=None, queue_maxsize=0
            )
        except (UaStatusCodeError, ServiceError) as exc:
            if int(exc.code) in _NO_SUBSCRIPTIONS:
                return Subscribed(offered=False)
            raise
        refused: list[tuple[int, int]] = []
        self._receiver = asyncio.create_task(self._receive(subscription))
        requests = [(i, self._monitor(i, n)) for i, n in enumerate(self.nodes) if n is not None]
        for chunk in chunks(requests, PER_CALL):
            results = await subscription.create_monitored_items([request for _, request in chunk])
            for (index, _), result in zip(chunk, results, strict=True):
                if isinstance(result, ua.StatusCode):
                    refused.append((index, int(result.value)))
        if requests and len(refused) == len(requests) and all(code in _NO_SUBSCRIPTIONS for _, code in refused):
            return Subscribed(offered=False)
        self._subscription, self._subscription_id = subscription, subscription.subscription_id
        return Subscribed(offered=True, refused=tuple(refused))

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

    async def _receive(self, subscription: Subscription) -> None:
        try:
            async for event in subscription:
                if isinstance(event, DataChangeEvent):
                    self._on_values(
                        [((event.data.subscription_data.client_handle or 0) - 1, event.data.monitored_item.Value)]
                    )
                elif isinstance(event, StatusChangeEvent):
                    code = int(event.notification.Status.value)
                    if code >> 30:
                        self._problem = status_name(code)
        except asyncio.CancelledError:
            raise
        except Exception as exc:
            self._problem = f"{type(exc).__name__}: {exc}"

    async def _disconnect(self, client: Client) -> None:
        if self._receiver is not None:
            self._receiver.cancel()
        try:
            await asyncio.wait_for(client.disconnect(), self._source.timeout)
        except Exception:
            # The session is closed because it failed: there is nobody to report to.
            client.disconnect_socket()


async def open_session(source: OpcuaSource, now: datetime) -> Client:
    """Connect, and activate a session.

    Raises
    ------
    Misconfigured
        when the server is not trusted, or does not offer what the site file asks for.
    """
    # The watchdog must not time out before a request does.
    client = Client(source.endpoint, timeout=source.timeout, watchdog_intervall=max(1.0, source.timeout))
    client.name = client.description = "Underweir"
    client.application_uri = client.product_uri = _APPLICATION_URI
    if source.security is not None:
        await _secure(client, source.key, source.security, now)
    identity = source.identity
    if identity is not None and identity.user is not None and identity.password is not None:
        client.set_user(identity.user)
        client.set_password(identity.password)
    elif identity is not None and identity.certificate is not None and identity.private_key is not None:
        await client.load_client_certificate(str(identity.certificate))
        await client.load_private_key(identity.private_key)
    await client.connect()
    return client


async def _secure(client: Client, key: str, security: Security, now: datetime) -> None:
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
    check_trusted(key, x509.load_der_x509_certificate(certificate), security.trusted, now)
    try:
        # Pins the server's certificate: a server without its private key cannot finish the handshake.
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


def _first_certificate(der: bytes) -> bytes:
    """The leading certificate of a chain: a server may send its issuers after its own."""
    return der[: int.from_bytes(der[2:4], "big") + 4]
