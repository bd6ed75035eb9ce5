"""What a gateway posts, whatever it posts."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify.channels.gateway_hook import (
    Fate,
    GatewayHook,
    GatewayReply,
    ReceiptFields,
    ReplyFields,
    found,
    read_receipt,
    read_reply,
)

RECEIPTS = ReceiptFields(id="a.id", status="s", delivered=frozenset({"ok"}), failed=frozenset({"no"}))
REPLIES = ReplyFields(id="id", sender="from", text="text")


@pytest.mark.parametrize(
    ("status", "fate"),
    [("OK", Fate.DELIVERED), ("no", Fate.FAILED), ("maybe", Fate.UNDER_WAY), (" ok ", Fate.DELIVERED)],
)
def test_a_receipt(status: str, fate: Fate) -> None:
    receipt = read_receipt(RECEIPTS, {"a": {"id": 7}, "s": status})
    assert receipt is not None
    assert (receipt.message_id, receipt.fate) == ("7", fate)


def test_a_reply_may_be_empty_but_has_a_sender_and_an_id() -> None:
    assert read_reply(REPLIES, {"id": "1", "from": "+1555"}) == GatewayReply(message_id="1", sender="+1555", text="")
    assert read_reply(REPLIES, {"from": "+1555", "text": "OK"}) is None
    assert read_reply(REPLIES, {"id": "1", "text": "OK"}) is None


def test_a_secret() -> None:
    hook = GatewayHook(key="g", secret="geheim é")
    assert hook.knows("geheim é")
    assert not hook.knows("geheim e")
    assert "geheim" not in repr(hook)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "id", "s", "x"]), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.sampled_from(["a", "id", "s", "from", "text"]), JSON, max_size=5))
def test_anything_may_be_posted(posted: dict[str, Any]) -> None:
    read_receipt(RECEIPTS, posted)
    read_reply(REPLIES, posted)
    assert isinstance(found(posted, "a.id"), str)
