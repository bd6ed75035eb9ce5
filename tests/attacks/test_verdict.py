"""The account of a campaign of attacks, each of its complaints broken alone."""

from __future__ import annotations

import pytest

from tests.attacks.verdict import Call, Verdict
from tests.faults.accountant import Account


def sound() -> Verdict:
    return Verdict(
        calls=[
            Call("nothing", 20.0),
            Call("nothing", 85.0, next_step=True),  # called a minute later than the first person
            Call("links", 80.0),
            Call("bombs", 140.0, next_step=True),
        ],
        most=2 << 30,
    )


def test_of_a_campaign_in_which_no_attack_succeeds_nothing_is_said() -> None:
    assert sound().wrong() == []
    assert (
        "attacks 2; calls missed 0, late by more than a minute 0 (usual 25 s, median 80 s, worst 80 s)"
        in sound().summary()
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda v: v.calls.append(Call("pipes", None)), "missed: under pipes nobody was called"),
        (lambda v: v.calls.append(Call("pipes", 86.0)), "late: under pipes the call came after 86 s; without an attack it takes 25 s"),
        (lambda v: v.calls.append(Call("pipes", 146.0, next_step=True)), "late: under pipes the call came after 146 s"),
        (lambda v: v.changed.append("/data/secret.key"), "changed: /data/secret.key"),
        (lambda v: v.shown.append("/drop/x.csv"), "readable by others: /drop/x.csv"),
        (lambda v: v.restarted.append("the service ended with status 1"), "restarted: the service ended"),
        (lambda v: v.broken.append("links: no such folder"), "the attack failed by itself: links"),
        (lambda v: v.stuck.append("file x.csv not taken"), "stuck: file x.csv not taken"),
        (lambda v: setattr(v, "peak", 3 << 30), "memory: 3072 MB, of 2048 MB there were"),
        (lambda v: setattr(v, "account", Account(missed=["m"])), "missed: m"),
        (lambda v: setattr(v, "account", Account(lost=["l"])), "lost: l"),
        (lambda v: setattr(v, "account", Account(unfounded=["u"])), "u"),
        (lambda v: setattr(v, "account", Account(doubled=["d"])), "d"),
    ],
)  # fmt: skip
def test_each_thing_that_must_not_be_is_said(change: object, said: str) -> None:
    verdict = sound()
    assert callable(change)
    change(verdict)
    [wrong] = verdict.wrong()
    assert wrong.startswith(said)


def test_pages_that_are_started_again_and_memory_that_is_used_are_told_and_are_no_complaint() -> None:
    verdict = sound()
    verdict.pages_down, verdict.peak, verdict.ended = 3, 900 << 20, ["python -m service.pages"]
    assert verdict.wrong() == []
    assert "pages started again 3; memory at most 900 MB, processes ended for want of it 1" in verdict.summary()
