"""Where a webhook may lead. Ranges from the IANA special-purpose address registries (RFC 6890)."""

from __future__ import annotations

import ipaddress

import pytest

from service.notify.channels.ssrf_guard import refusal_reason


@pytest.mark.parametrize("address", ["93.184.215.14", "2606:2800:21f:cb07:6820:80da:af6b:8b2c", "64:ff9b::5db8:d70e"])
@pytest.mark.parametrize("private", [True, False])
def test_the_world_is_open(address: str, private: bool) -> None:
    assert refusal_reason(ipaddress.ip_address(address), private=private) is None


@pytest.mark.parametrize(
    "address",
    ["10.1.2.3", "172.16.0.1", "192.168.1.9", "127.0.0.1", "::1", "fd12::1", "::ffff:10.0.0.1", "64:ff9b::a01:203"],
)
def test_the_plants_own_network_needs_leave(address: str) -> None:
    assert refusal_reason(ipaddress.ip_address(address), private=False) is not None
    assert refusal_reason(ipaddress.ip_address(address), private=True) is None


@pytest.mark.parametrize(
    "address",
    [
        "169.254.169.254",
        "fe80::1",
        "::ffff:169.254.169.254",
        "64:ff9b::a9fe:a9fe",
        "2002:a9fe:a9fe::1",
        "fd00:ec2::254",
        "100.100.100.200",
        "0.0.0.0",
        "::",
        "224.0.0.1",
        "ff02::1",
        "255.255.255.255",
        "100.64.0.1",
    ],
)
@pytest.mark.parametrize("private", [True, False])
def test_nowhere_else(address: str, private: bool) -> None:
    assert refusal_reason(ipaddress.ip_address(address), private=private) is not None
