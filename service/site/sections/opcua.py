"""``[[connector]] kind = "opcua"``: one OPC UA server: endpoint, security and monitoring."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from service.site.sections.quantity import wrong
from service.site.sections.section import Duration, Section, SourceSection, Words

_NODE = re.compile(r"(?:ns=[0-9]+;|nsu=.+;)?(?:i=[0-9]+|[sgb]=.+)", re.DOTALL)


class OpcuaItemSection(Section):
    """One variable with a name; only needed for options that the node id alone cannot give."""

    name: Words = Field(examples=['"EAST_BLANKET"'])
    node: Words = Field(examples=['"ns=2;s=East.Blanket"'])
    scale: float = 1.0
    offset: float = 0.0
    deadband: float | None = Field(None, ge=0)
    expect_low: float | None = None
    expect_high: float | None = None

    @field_validator("node")
    @classmethod
    def _is_a_node_id(cls, value: str) -> str:
        if not _NODE.fullmatch(value):
            raise wrong(f'"{value}" is not a node id', 'write one such as "ns=2;s=East.Blanket"')
        return value


class OpcuaSection(SourceSection):
    """One server."""

    kind: Literal["opcua"] = "opcua"
    endpoint: Words = Field(examples=['"opc.tcp://192.0.2.20:4840"'])
    policy: Literal["None", "Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss"] = "None"
    mode: Literal["Sign", "SignAndEncrypt"] = "SignAndEncrypt"
    certificate: Words | None = None
    private_key: Words | None = None
    private_key_password_file: Words | None = None
    trusted_folder: Words | None = None
    user: Words | None = None
    password_file: Words | None = None
    user_certificate: Words | None = None
    user_private_key: Words | None = None
    allow_plain_password: bool = False
    watch: Literal["subscribe", "poll"] = "subscribe"
    every: Duration = timedelta(seconds=1)
    sampling: Duration = timedelta(seconds=1)
    publishing: Duration = timedelta(seconds=1)
    queue_size: int = Field(10, ge=1, le=10_000)
    deadband: float = Field(0.0, ge=0)
    refresh: Duration = timedelta(minutes=1)
    trust_silence: bool = False
    timeout: Duration = timedelta(seconds=4)
    buffer: int = Field(200_000, ge=1_000, le=10_000_000)
    history: bool = True
    history_limit: Duration = timedelta(days=7)
    item: tuple[OpcuaItemSection, ...] = ()

    def address_problem(self, address: str) -> tuple[str, str] | None:
        if any(item.name == address for item in self.item) or is_node_id(address):
            return None
        known = ", ".join(item.name for item in self.item)
        return f'"{address}" is no node id' + (f" and no item; items are {known}" if known else ""), (
            'write address = "ns=2;s=East.Blanket", or an [[connector.item]] of that name'
        )

    @field_validator("endpoint")
    @classmethod
    def _is_an_endpoint(cls, value: str) -> str:
        if not re.fullmatch(r"opc\.tcp://[^/\s]+(/\S*)?", value):
            raise wrong(f'"{value}" is not an OPC UA address', 'write one such as "opc.tcp://192.0.2.20:4840"')
        return value

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if self.policy != "None":
            needed = {
                "certificate": self.certificate,
                "private_key": self.private_key,
                "trusted_folder": self.trusted_folder,
            }
            missing = [name for name, value in needed.items() if value is None]
            if missing:
                raise wrong(f'policy "{self.policy}" needs {", ".join(missing)}', "name the files, or the folder")
        if (self.user is None) != (self.password_file is None):
            raise wrong("has a user or a password file, not both", "write user and password_file, or neither")
        if (self.user_certificate is None) != (self.user_private_key is None):
            raise wrong(
                "has a user certificate or its key, not both", "write user_certificate and user_private_key, or neither"
            )
        if self.user is not None and self.user_certificate is not None:
            raise wrong("signs in twice", "write either a user with a password or a user certificate")
        if self.user is not None and self.policy == "None" and not self.allow_plain_password:
            raise wrong(
                "would send the password in the clear",
                'write policy = "Basic256Sha256", or allow_plain_password = true where that is accepted',
            )
        names = [item.name for item in self.item]
        for name in names:
            if names.count(name) > 1:
                raise wrong(f'two items are called "{name}"', "give each a name of its own")
        return self


def is_node_id(text: str) -> bool:
    """Whether *text* is a node id.

    >>> is_node_id("ns=2;s=East.Blanket"), is_node_id("EAST_BLANKET")
    (True, False)
    """
    return _NODE.fullmatch(text) is not None and "=" in text.split(";")[0]
