"""Settings of an OPC UA source."""

from __future__ import annotations

import pytest

from connectors.opcua.items import OpcuaItem, OpcuaSource, resolve
from connectors.opcua.security import Identity

ITEM = OpcuaItem(name="a", node="ns=2;s=A")


@pytest.mark.parametrize("node", ["ns=2;s=Tank1.Blanket", "i=2258", "nsu=http://example.org/plc;s=A;b=1", "ns=3;i=7"])
def test_node_ids_that_are_accepted(node: str) -> None:
    assert OpcuaItem(name="a", node=node).node == node


@pytest.mark.parametrize("node", ["", "Tank1.Blanket", "ns=x;s=A", "nsu=http://example.org/plc"])
def test_node_ids_that_are_refused(node: str) -> None:
    with pytest.raises(ValueError, match="not a node id"):
        OpcuaItem(name="a", node=node)


def test_a_namespace_by_uri_follows_the_servers_numbering() -> None:
    node = "nsu=http://example.org/plc;s=A"
    assert resolve(node, ["x", "http://example.org/plc"]).to_string() == "ns=1;s=A"
    assert resolve(node, ["x", "y", "http://example.org/plc"]).to_string() == "ns=2;s=A"
    with pytest.raises(LookupError, match="has no namespace"):
        resolve(node, ["x"])


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"endpoint": "http://x"}, "opc.tcp"),
        ({"items": ()}, "no items"),
        ({"items": (ITEM, ITEM)}, "used twice: a"),
        ({"timeout": 0.0}, "above 0 s"),
        ({"deadband": -1.0}, "not negative"),
        ({"identity": Identity(user="u", password="p")}, "in the clear"),
    ],
)
def test_impossible_settings_are_refused(changes: dict[str, object], text: str) -> None:
    settings: dict[str, object] = {"key": "k", "endpoint": "opc.tcp://h:4840", "items": (ITEM,), **changes}
    with pytest.raises(ValueError, match=text):
        OpcuaSource(**settings)  # type: ignore[arg-type]


def test_an_identity_is_one_thing_or_the_other() -> None:
    with pytest.raises(ValueError, match="either"):
        Identity()
    with pytest.raises(ValueError, match="either"):
        Identity(user="u")
