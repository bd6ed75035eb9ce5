"""A short run of the faults: a node dies, one hangs longer than its leases last, and the primary is lost."""

from __future__ import annotations

import pytest

from tests.faults.campaign import play
from tests.faults.faults import known_faults


@pytest.mark.search
@pytest.mark.postgresql
@pytest.mark.timeout(1800)
def test_nothing_is_lost_and_everybody_is_called() -> None:
    said: list[str] = []
    played = play(
        20260314, nodes=2, rounds=3, tanks=3, say=said.append, script=["node killed", "node paused", "failed over"]
    )
    assert (played.stuck, played.account.wrong()) == ([], []), said
    assert played.account.calls >= 1
    assert played.account.answers == played.account.calls
    assert played.account.produced == 3 * 30 + 200
    assert played.account.shown > 0
    assert played.account.duplicates <= played.faults.total()


def test_every_fault_is_played_or_it_is_said_why_not() -> None:
    faults, left_out = known_faults(disks=True)
    assert len(faults) + len(left_out) == 19
    without, why = known_faults(disks=False)
    assert faults.keys() - without.keys() == {"disk full", "database's disk full"}
    assert len(why) == len(left_out) + 1
