"""A few attacks against a real instance, all at once; each by itself, and all there are, by ``python -m tests.attacks``."""

from __future__ import annotations

import pytest

from tests.attacks.attacks import ATTACKS, at_once
from tests.attacks.campaign import play

#: Such as do not get into each other's way: no download is held in the midst of COPY by pages that hang.
SOME = ("links", "pages hang")


@pytest.mark.search
def test_people_are_called_whatever_outsiders_do() -> None:
    # How late a call is says more about the machine that this runs on beside other tests; the campaign judges that, by what
    # a call takes while nobody attacks.
    some = at_once([attack for attack in ATTACKS if attack.name in SOME])
    verdict = play([some], seed=1, say=print, calm_rounds=0)
    wrong = [line for line in verdict.wrong() if not line.startswith("late:")]
    assert wrong == [], verdict.summary()
    assert [call.attack for call in verdict.calls] == [some.name]
