"""Opens a session with an OPC UA server: endpoint, certificate and user identity."""

from __future__ import annotations

from datetime import datetime

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies
from cryptography import x509

from connectors.errors import Misconfigured
from connectors.opcua.items import OpcuaSource
from connectors.opcua.security import Mode, Policy, Security, application_uri_of, check_trusted, load_certificate

_APPLICATION_URI = "urn:underweir"

_POLICIES: dict[Policy, type[security_policies.SecurityPolicy]] = {
    Policy.BASIC256SHA256: security_policies.SecurityPolicyBasic256Sha256,
    Policy.AES128_SHA256_RSA_OAEP: security_policies.SecurityPolicyAes128Sha256RsaOaep,
    Policy.AES256_SHA256_RSA_PSS: security_policies.SecurityPolicyAes256Sha256RsaPss,
}
_MODES = {Mode.SIGN: ua.MessageSecurityMode.Sign, Mode.SIGN_AND_ENCRYPT: ua.MessageSecurityMode.SignAndEncrypt}


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
