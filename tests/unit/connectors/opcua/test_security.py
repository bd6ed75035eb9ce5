"""Own certificates, and which servers are believed. Keys are made for the test and thrown away."""

from __future__ import annotations

import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID

from connectors.errors import Misconfigured
from connectors.opcua.security import (
    VALID_FOR,
    application_uri_of,
    check_trusted,
    load_certificate,
    make_certificate,
    thumbprint,
)

NOW = datetime(2026, 3, 1, tzinfo=UTC)
URI = "urn:underweir:test"


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    folder = tmp_path_factory.mktemp("own")
    certificate, key = folder / "own.der", folder / "private" / "own.pem"
    return certificate, key, make_certificate(certificate, key, application_uri=URI, now=NOW, host="plant-pc")


def test_certificate_is_what_opc_ua_asks_for(pair: tuple[Path, Path, str]) -> None:
    certificate = load_certificate(pair[0])
    extensions = certificate.extensions
    names = extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    # OPC 10000-6, 6.2.2: subjectAltName holds the application URI and the host; key usages below; from memory.
    assert names.get_values_for_type(x509.UniformResourceIdentifier) == [URI]
    assert names.get_values_for_type(x509.DNSName) == ["plant-pc"]
    usage = extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.digital_signature
    assert usage.content_commitment
    assert usage.key_encipherment
    assert usage.data_encipherment
    extended = extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert ExtendedKeyUsageOID.CLIENT_AUTH in extended
    assert certificate.not_valid_after_utc == NOW + VALID_FOR
    assert application_uri_of(certificate) == URI
    assert thumbprint(certificate) == pair[2]
    certificate.verify_directly_issued_by(certificate)


def test_key_fits_and_is_private(pair: tuple[Path, Path, str]) -> None:
    certificate, key_file, _ = pair
    key = load_pem_private_key(key_file.read_bytes(), None)
    assert key.public_key() == load_certificate(certificate).public_key()
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600


def test_nothing_is_overwritten(pair: tuple[Path, Path, str], tmp_path: Path) -> None:
    certificate, key, _ = pair
    before = certificate.read_bytes(), key.read_bytes()
    with pytest.raises(FileExistsError, match="move it away"):
        make_certificate(tmp_path / "new.der", key, application_uri=URI, now=NOW)
    with pytest.raises(FileExistsError, match="move it away"):
        make_certificate(certificate, tmp_path / "new.pem", application_uri=URI, now=NOW)
    assert (certificate.read_bytes(), key.read_bytes()) == before
    assert list(tmp_path.iterdir()) == []


def test_a_stranger_is_refused_kept_and_believed_once_moved(pair: tuple[Path, Path, str], tmp_path: Path) -> None:
    server = load_certificate(pair[0])
    with pytest.raises(Misconfigured, match="is not trusted") as caught:
        check_trusted("ua", server, tmp_path, NOW)
    assert thumbprint(server) in str(caught.value)
    [kept] = (tmp_path / "refused").iterdir()
    assert str(kept) in caught.value.remedy
    kept.rename(tmp_path / kept.name)
    check_trusted("ua", server, tmp_path, NOW)


def test_another_certificate_with_the_same_name_is_refused(pair: tuple[Path, Path, str], tmp_path: Path) -> None:
    make_certificate(tmp_path / "t" / "x.der", tmp_path / "x.pem", application_uri=URI, now=NOW, host="plant-pc")
    with pytest.raises(Misconfigured, match="is not trusted"):
        check_trusted("ua", load_certificate(pair[0]), tmp_path / "t", NOW)


@pytest.mark.parametrize("when", [NOW - timedelta(days=2), NOW + VALID_FOR + timedelta(days=1)])
def test_outside_its_dates_even_a_trusted_one_is_refused(
    pair: tuple[Path, Path, str], tmp_path: Path, when: datetime
) -> None:
    (tmp_path / "s.der").write_bytes(pair[0].read_bytes())
    with pytest.raises(Misconfigured, match="is valid from 2026-02-28"):
        check_trusted("ua", load_certificate(pair[0]), tmp_path, when)


def test_an_authority_in_the_folder_vouches_for_its_servers(tmp_path: Path) -> None:
    authority, other = trustme.CA(), trustme.CA()
    issued = x509.load_pem_x509_certificate(authority.issue_cert("plc.example.org").cert_chain_pems[0].bytes())
    now = issued.not_valid_before_utc + timedelta(hours=1)
    (tmp_path / "ca.pem").write_bytes(other.cert_pem.bytes())
    with pytest.raises(Misconfigured, match="is not trusted"):
        check_trusted("ua", issued, tmp_path, now)
    (tmp_path / "ca2.pem").write_bytes(authority.cert_pem.bytes())
    check_trusted("ua", issued, tmp_path, now)


def test_a_server_certificate_is_no_authority(pair: tuple[Path, Path, str], tmp_path: Path) -> None:
    authority = trustme.CA()
    leaf = authority.issue_cert("plc.example.org")
    child = x509.load_pem_x509_certificate(authority.issue_cert("other.example.org").cert_chain_pems[0].bytes())
    (tmp_path / "leaf.pem").write_bytes(leaf.cert_chain_pems[0].bytes())
    with pytest.raises(Misconfigured, match="is not trusted"):
        check_trusted("ua", child, tmp_path, child.not_valid_before_utc + timedelta(hours=1))


def test_rubbish_in_the_folder_is_named_and_does_no_harm(pair: tuple[Path, Path, str], tmp_path: Path) -> None:
    (tmp_path / "a.der").write_bytes(b"no certificate")
    server = load_certificate(pair[0])
    with pytest.raises(Misconfigured, match=r"not readable: a\.der"):
        check_trusted("ua", server, tmp_path, NOW)
    (tmp_path / "b.der").write_bytes(server.public_bytes(Encoding.DER))
    check_trusted("ua", server, tmp_path, NOW)
