"""When silence counts, and that everybody who heard of it hears of its end."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.domain.operations.silence import Liveness, SilenceNotice, due, seen, told
from tests.unit.alarms.cases import T0

MINUTE = timedelta(minutes=1)
AFTER, AGAIN = 3 * MINUTE, 30 * MINUTE


def live(looks: list[bool], handed: list[bool] | None = None) -> list[tuple[int, SilenceNotice]]:
    """A look a minute, True where the service answers; *handed* says whether telling would work in that minute."""
    standing, words = Liveness(), []
    for minute, answers in enumerate(looks):
        now = T0 + minute * MINUTE
        standing = seen(standing, None if answers else "down", now)
        word = due(standing, now, after=AFTER, again=AGAIN)
        if word is not None and (handed is None or handed[minute]):
            standing = told(standing, word, now)
            words.append((minute, word))
    return words


def test_a_restart_is_no_silence() -> None:
    assert live([True, False, False, False, True, True]) == []


def test_silence_is_told_again_and_its_end_once() -> None:
    assert live([False] * 40 + [True] * 3) == [
        (3, SilenceNotice.SILENT),
        (33, SilenceNotice.STILL_SILENT),
        (40, SilenceNotice.BACK),
    ]


def test_what_could_not_be_told_stays_due() -> None:
    assert live([False] * 8, [minute > 5 for minute in range(8)]) == [(6, SilenceNotice.SILENT)]
    assert live([False] * 5 + [True] * 3, [False] * 8) == []


@given(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=120))
def test_words_alternate(minutes: list[tuple[bool, bool]]) -> None:
    words = [word for _, word in live([a for a, _ in minutes], [h for _, h in minutes])]
    for before, after in zip([SilenceNotice.BACK, *words], words, strict=False):
        assert (before is SilenceNotice.BACK) == (after is SilenceNotice.SILENT)
