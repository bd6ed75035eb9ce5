"""Makes an OPC UA connector from its section of the site file, and the service's own certificate."""

from __future__ import annotations

import platform
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from connectors.opcua.connector import OpcuaConnector
from connectors.opcua.items import Monitoring, OpcuaItem, OpcuaSource
from connectors.opcua.security import Identity, Mode, Policy, Security, make_certificate
from connectors.scaling import Linear
from service.errors import ConfigError
from service.site.sections.opcua import OpcuaSection
from service.site.site import Site


def server(section: OpcuaSection, site: Site, clock: Callable[[], datetime]) -> OpcuaConnector:
    """The connector of a section.

    Raises
    ------
    ValueError
        when the section asks for something impossible.
    ConfigError
        when a secret cannot be read.
    """
    return OpcuaConnector(_server(section, site), clock)


def client_certificate(folder: Path, now: datetime) -> tuple[Path, Path, str]:
    """Make the service's own OPC UA certificate and key in a folder; returns both paths and the thumbprint.

    Raises
    ------
    FileExistsError
        when there is one already.
    """
    certificate, key = folder / "client.der", folder / "client.pem"
    uri = f"urn:{platform.node() or 'localhost'}:underweir"
    return certificate, key, make_certificate(certificate, key, application_uri=uri, now=now)


def _server(section: OpcuaSection, site: Site) -> OpcuaSource:
    named = {item.name: item for item in section.item}
    items = [
        OpcuaItem(
            name=item.name,
            node=item.node,
            scaling=Linear(item.scale, item.offset),
            deadband=item.deadband,
            low=item.expect_low,
            high=item.expect_high,
        )
        for item in section.item
    ]
    # A signal's address may be a node id.
    items += [OpcuaItem(name=address, node=address) for address in site.addresses(section.key) if address not in named]
    return OpcuaSource(
        key=section.key,
        endpoint=section.endpoint,
        items=tuple(items),
        security=_security(section, site),
        identity=_identity(section, site),
        allow_plain_password=section.allow_plain_password,
        watch=Monitoring(section.watch),
        sampling_interval=section.sampling.total_seconds(),
        publishing_interval=section.publishing.total_seconds(),
        queue_size=section.queue_size,
        deadband=section.deadband,
        refresh=section.refresh.total_seconds(),
        trust_silence=section.trust_silence,
        timeout=section.timeout.total_seconds(),
        buffer=section.buffer,
        history=section.history,
        history_limit=section.history_limit.total_seconds(),
    )


def _security(section: OpcuaSection, site: Site) -> Security | None:
    if section.policy == "None" or not (section.certificate and section.private_key and section.trusted_folder):
        return None
    return Security(
        policy=Policy(section.policy),
        mode=Mode(section.mode),
        certificate=site.folder(section.certificate),
        private_key=site.folder(section.private_key),
        key_password=_secret(section.key, section.private_key_password_file, site),
        trusted=site.folder(section.trusted_folder),
    )


def _identity(section: OpcuaSection, site: Site) -> Identity | None:
    if section.user is not None:
        return Identity(user=section.user, password=_secret(section.key, section.password_file, site))
    if section.user_certificate is not None and section.user_private_key is not None:
        return Identity(
            certificate=site.folder(section.user_certificate), private_key=site.folder(section.user_private_key)
        )
    return None


def _secret(key: str, written: str | None, site: Site) -> str | None:
    if written is None:
        return None
    path = site.folder(written)
    try:
        return path.read_text("utf-8").strip()
    except (OSError, ValueError) as exc:
        raise ConfigError(f"connector {key!r}: {path} cannot be read: {exc}") from exc
