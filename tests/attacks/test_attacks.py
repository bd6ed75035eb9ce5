"""A few attacks against a real instance; all of them by ``python -m tests.attacks``."""

from __future__ import annotations

import pytest

from tests.attacks.attacks import ATTACKS
from tests.attacks.campaign import play

SOME = ("links", "downloads", "pages hang")


@pytest.mark.slow
def test_people_are_called_whatever_outsiders_do() -> None:
    verdict = play([attack for attack in ATTACKS if attack.name in SOME], seed=1, say=print)
    # How late a call is says more about the machine that this runs on beside other tests; the campaign judges that.
    wrong = [line for line in verdict.wrong() if not line.startswith("late:")]
    assert wrong == [], verdict.summary()
    assert len(verdict.calls) == len(SOME) + 2
