"""OPC UA certificates: makes our own, and decides which servers to trust."""

from __future__ import annotations

import os
import re
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from connectors.errors import Misconfigured

#: Common practice, no source: long enough that a plant does not go blind on an anniversary nobody remembers.
VALID_FOR = timedelta(days=5 * 365)


class Policy(StrEnum):
    """Security policies offered, by the names in their URIs (OPC 10000-7); the older, broken ones are not."""

    BASIC256SHA256 = "Basic256Sha256"
    AES128_SHA256_RSA_OAEP = "Aes128_Sha256_RsaOaep"
    AES256_SHA256_RSA_PSS = "Aes256_Sha256_RsaPss"


class Mode(StrEnum):
    """Message security modes (OPC 10000-4, 7.20)."""

    SIGN = "Sign"
    SIGN_AND_ENCRYPT = "SignAndEncrypt"


@dataclass(frozen=True, slots=True, kw_only=True)
class Security:
    """Policy and mode of a secure channel, our certificate and key, and the folder of trusted servers."""

    policy: Policy = Policy.BASIC256SHA256
    mode: Mode = Mode.SIGN_AND_ENCRYPT
    certificate: Path
    private_key: Path
    key_password: str | None = None
    trusted: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The user identity: a user with a password, or a user certificate with its key."""

    user: str | None = None
    password: str | None = None
    certificate: Path | None = None
    private_key: Path | None = None

    def __post_init__(self) -> None:
        by_name = self.user is not None and self.password is not None
        by_certificate = self.certificate is not None and self.private_key is not None
        if by_name == by_certificate:
            raise ValueError("an identity is either a user with a password or a certificate with its private key")


def make_certificate(
    certificate: Path, private_key: Path, *, application_uri: str, now: datetime, host: str | None = None
) -> str:
    """Write a new key and a self-signed application certificate; never overwrites a file.

    Returns
    -------
    The certificate's thumbprint, to be compared by eye with what the server shows.

    Raises
    ------
    FileExistsError
        when either file is there already.

    Notes
    -----
    RSA 2048 with SHA-256, as Basic256Sha256 and both Aes policies accept; subjectAltName carries the application URI
    and the host name; key usage as OPC 10000-6, 6.2.2 asks of a self-signed application certificate.
    """
    for path in (certificate, private_key):
        if path.exists():
            raise FileExistsError(f"{path} exists; move it away first if it is to be replaced")
    key = rsa.generate_private_key(public_exponent=65_537, key_size=2048)
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, application_uri.rpartition(":")[2] or application_uri),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Underweir"),
        ]
    )
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))  # a server whose clock lags must not refuse it
        .not_valid_after(now + VALID_FOR)
        .add_extension(
            x509.SubjectAlternativeName(
                [x509.UniformResourceIdentifier(application_uri), x509.DNSName(host or socket.gethostname())]
            ),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=True,
                content_commitment=True,
                key_encipherment=True,
                data_encipherment=True,
                key_agreement=False,
                key_cert_sign=True,
                crl_sign=False,
                encipher_only=False,
                decipher_only=False,
            ),
            critical=True,
        )
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write_private(
        private_key,
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
    )
    certificate.parent.mkdir(parents=True, exist_ok=True)
    certificate.write_bytes(made.public_bytes(serialization.Encoding.DER))
    return thumbprint(made)


def application_uri_of(certificate: x509.Certificate) -> str | None:
    """The application URI in a certificate."""
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return None
    uris = names.get_values_for_type(x509.UniformResourceIdentifier)
    return uris[0] if uris else None


def thumbprint(certificate: x509.Certificate) -> str:
    """SHA-1 of the certificate, as OPC UA tools show it; an identifier, not a proof."""
    return certificate.fingerprint(hashes.SHA1()).hex().upper()


def load_certificate(path: Path) -> x509.Certificate:
    """A certificate file, PEM or DER."""
    data = path.read_bytes()
    return x509.load_pem_x509_certificate(data) if b"-----BEGIN" in data else x509.load_der_x509_certificate(data)


def check_trusted(source: str, server: x509.Certificate, folder: Path, now: datetime) -> None:
    """Trust *server* only when it, or the authority that signed it, is in *folder*, and it is valid now.

    An unknown certificate is written to the subfolder ``refused``: moving the file up makes it trusted at the next attempt.

    Raises
    ------
    Misconfigured
        when the certificate is not trusted, not yet valid, or over.
    """
    if not server.not_valid_before_utc <= now <= server.not_valid_after_utc:
        raise Misconfigured(
            source,
            f"the server's certificate is valid from {server.not_valid_before_utc:%Y-%m-%d} to "
            f"{server.not_valid_after_utc:%Y-%m-%d}, and today is {now:%Y-%m-%d}.",
            "Renew it on the server, or correct the clock.",
        )
    unreadable: list[str] = []
    for known in _certificates(folder, unreadable):
        if known == server or _signed_by(server, known, now):
            return
    kept = _keep_refused(server, folder)
    raise Misconfigured(
        source,
        f"the server's certificate {thumbprint(server)} ({server.subject.rfc4514_string()}) is not trusted"
        + (f"; not readable: {', '.join(unreadable)}." if unreadable else "."),
        f"Compare the thumbprint at the server; if it is right, move {kept} into {folder}.",
    )


def _certificates(folder: Path, unreadable: list[str]) -> Iterator[x509.Certificate]:
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.suffix.lower() in (".der", ".crt", ".cer", ".pem"):
            try:
                yield load_certificate(path)
            except (ValueError, OSError):
                unreadable.append(path.name)


def _signed_by(certificate: x509.Certificate, authority: x509.Certificate, now: datetime) -> bool:
    if not authority.not_valid_before_utc <= now <= authority.not_valid_after_utc:
        return False
    try:
        if not authority.extensions.get_extension_for_class(x509.BasicConstraints).value.ca:
            return False
        certificate.verify_directly_issued_by(authority)
    except (x509.ExtensionNotFound, ValueError, TypeError, InvalidSignature):
        return False
    return True


def _keep_refused(certificate: x509.Certificate, folder: Path) -> Path:
    names = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    label = re.sub(r"[^A-Za-z0-9]+", "-", str(names[0].value) if names else "server").strip("-")[:40]
    path = folder / "refused" / f"{label}-{thumbprint(certificate)[:16]}.der"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(certificate.public_bytes(serialization.Encoding.DER))
    except OSError:
        return Path("the server's own certificate file")
    return path


def _write_private(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
