"""Configuration of OPC UA: items, and how to reach and monitor them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import StrEnum

from asyncua import ua
from asyncua.ua.uaerrors import UaError

from connectors.opcua.security import Identity, Security
from connectors.scaling import Linear, Scaling

_URI_FORM = re.compile(r"nsu=(?P<uri>.+?);(?P<rest>[isgb]=.+)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaItem:
    """One variable; ``name`` is the address its samples carry. ``low`` and ``high`` bound what is plausible.

    ``node`` is a node id: ``ns=2;s=Tank1.Blanket``, or ``nsu=http://example.org/plc;s=Tank1.Blanket``, which still holds
    when the server numbers its namespaces anew. ``deadband`` [value as on the server] is the smallest change reported;
    None takes that of the source.
    """

    name: str
    node: str
    scaling: Scaling = field(default_factory=Linear)
    deadband: float | None = None
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        try:
            resolve(self.node, ["", self.namespace_uri] if self.namespace_uri else [])
        except (LookupError, UaError, ValueError) as exc:
            raise ValueError(f"{self.name}: {self.node!r} is not a node id such as ns=2;s=Name") from exc

    @property
    def namespace_uri(self) -> str | None:
        """The namespace URI that the node id names, if it names one."""
        match = _URI_FORM.fullmatch(self.node)
        return match["uri"] if match else None


class Monitoring(StrEnum):
    """How values are fetched."""

    SUBSCRIBE = "subscribe"
    POLL = "poll"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaSource:
    """One server and what is read from it. Times in [s].

    ``refresh`` is how long an item may be silent before it is read anyway. Where the server stamps a value only when it
    changes, ``trust_silence`` lets a good value that is read again count as measured again; leave it off where the
    server may go on serving the last value of a dead instrument, for then the age of the stamp is the only warning.
    ``buffer`` bounds the samples held while the service cannot store.
    ``history_limit`` is the longest outage read back; ``history_overlap`` is read once more before it, for items whose
    clocks differ.
    """

    key: str
    endpoint: str
    items: tuple[OpcuaItem, ...]
    security: Security | None = None
    identity: Identity | None = None
    allow_plain_password: bool = False
    watch: Monitoring = Monitoring.SUBSCRIBE
    sampling_interval: float = 1.0
    publishing_interval: float = 1.0
    queue_size: int = 10
    deadband: float = 0.0
    refresh: float = 60.0
    trust_silence: bool = False
    timeout: float = 4.0
    buffer: int = 200_000
    history: bool = True
    history_limit: float = 7 * 86_400.0
    history_overlap: float = 60.0

    def __post_init__(self) -> None:
        if not self.endpoint.startswith("opc.tcp://"):
            raise ValueError(f"{self.key}: the endpoint must start with opc.tcp://")
        names = [i.name for i in self.items]
        twice = sorted({n for n in names if names.count(n) > 1})
        if not names or twice:
            raise ValueError(f"{self.key}: no items, or names used twice: {', '.join(twice) or '-'}")
        if min(self.sampling_interval, self.publishing_interval, self.timeout, self.refresh) <= 0.0:
            raise ValueError(f"{self.key}: intervals and timeouts must be above 0 s")
        if self.queue_size < 1 or self.buffer < 1 or self.deadband < 0.0:
            raise ValueError(f"{self.key}: queue_size and buffer must be at least 1, deadband not negative")
        by_password = self.identity is not None and self.identity.password is not None
        if by_password and self.security is None and not self.allow_plain_password:
            raise ValueError(
                f"{self.key}: without a security policy the password would cross the network in the clear; "
                "set security, or allow_plain_password if that is accepted"
            )


def resolve(node: str, namespaces: list[str]) -> ua.NodeId:
    """The node id on a server whose namespaces are *namespaces*.

    >>> resolve("nsu=http://example.org/plc;s=Level", ["http://opcfoundation.org/UA/", "http://example.org/plc"]).to_string()
    'ns=1;s=Level'

    Raises
    ------
    LookupError
        when the server has no such namespace.
    """
    match = _URI_FORM.fullmatch(node)
    if match is None:
        return ua.NodeId.from_string(node)
    try:
        index = namespaces.index(match["uri"])
    except ValueError:
        raise LookupError(f"the server has no namespace {match['uri']}") from None
    return ua.NodeId.from_string(f"ns={index};{match['rest']}")
