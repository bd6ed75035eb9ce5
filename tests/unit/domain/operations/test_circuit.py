"""Back-off and circuit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.operations.circuit import LOOK_AGAIN, Circuit, CircuitState, backoff

NOW = datetime(2026, 3, 1, tzinfo=UTC)
S = timedelta(seconds=1)


@pytest.mark.parametrize(("failures", "longest"), [(1, 1), (2, 2), (3, 4), (6, 32), (7, 60), (1000, 60)])
def test_the_longest_wait_doubles_up_to_the_cap(failures: int, longest: int) -> None:
    # Full jitter, AWS Architecture Blog 2015: sleep = random_between(0, min(cap, base * 2 ** attempt)).
    assert backoff(failures, base=S, cap=60 * S, draw=1.0) == longest * S
    assert backoff(failures, base=S, cap=60 * S, draw=0.0) == timedelta(0)


@given(st.integers(1, 10_000), st.floats(0.0, 1.0), st.floats(0.1, 100.0), st.floats(1.0, 1000.0))
def test_a_wait_is_never_negative_nor_beyond_the_cap(failures: int, draw: float, base: float, cap: float) -> None:
    wait = backoff(failures, base=timedelta(seconds=base), cap=timedelta(seconds=cap), draw=draw)
    assert timedelta(0) <= wait <= timedelta(seconds=cap)


def failed(circuit: Circuit, now: datetime = NOW, *, retryable: bool = True) -> Circuit:
    return circuit.failed(now, retryable=retryable, base=S, cap=60 * S, draw=0.5)


def test_a_circuit_opens_tries_and_closes() -> None:
    circuit = failed(Circuit())
    assert (circuit.state, circuit.failures, circuit.opened_at) == (CircuitState.OPEN, 1, NOW)
    assert circuit.retry_at == NOW + 0.5 * S
    trying = circuit.trying()
    assert (trying.state, trying.failures, trying.retry_at) == (CircuitState.HALF_OPEN, 1, None)
    again = failed(trying, NOW + S)
    assert (again.failures, again.opened_at, again.retry_at) == (2, NOW, NOW + 2 * S)
    assert again.trying().succeeded() == Circuit()
    assert Circuit().trying() == Circuit()


def test_what_waiting_cannot_heal_is_looked_at_seldom_and_without_jitter() -> None:
    assert failed(Circuit(), retryable=False).retry_at == NOW + LOOK_AGAIN
