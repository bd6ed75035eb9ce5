"""Leases among nodes that pause, lose the database and have clocks of their own: one at a time works, a late one writes nothing."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.domain.operations.lease import MARGIN_S, TERM_S, TURN_S, Lease, LeaseStatus, Tenure


def test_a_lease_is_taken_when_it_is_free_or_has_run_out() -> None:
    lease = Lease().taken("a", 100.0)
    assert lease == Lease(1, "a", 100.0 + TERM_S)
    assert lease.taken("b", 100.0 + TERM_S - 0.1) is lease
    assert lease.taken("b", 100.0 + TERM_S) == Lease(2, "b", 100.0 + 2 * TERM_S)
    assert lease.given_up("b") is lease
    assert lease.given_up("a").taken("b", 100.0) == Lease(2, "b", 100.0 + TERM_S)


def test_a_late_holder_goes_on_under_its_number_as_long_as_nobody_came() -> None:
    lease = Lease().taken("a", 0.0).renewed("a", 500.0)
    assert lease == Lease(1, "a", 500.0 + TERM_S)
    assert lease.renewed("b", 501.0) is lease


def test_a_database_clock_set_back_does_not_leave_the_work_undone_until_it_has_caught_up() -> None:
    assert Lease().taken("a", 10_000.0).taken("b", 10_000.0 - 3_600.0).holder == "b"


def test_the_number_never_falls_and_fences_off_who_had_it_before() -> None:
    first = Lease().taken("a", 0.0)
    second = first.taken("b", TERM_S)
    back = second.taken("a", 2 * TERM_S)
    assert [first.token, second.token, back.token] == [1, 2, 3]
    assert not back.admits("a", first.token)
    assert back.admits("a", back.token)


@pytest.mark.parametrize(
    ("now", "standing"),
    [(0.0, LeaseStatus.HELD), (11.9, LeaseStatus.HELD), (12.0, LeaseStatus.LAPSED), (99.0, LeaseStatus.LAPSED)],
)
def test_a_node_stops_before_its_lease_ends(now: float, standing: LeaseStatus) -> None:
    assert Tenure.granted(1, 0.0, term=15.0, margin=3.0).standing(now) is standing


def test_a_node_without_a_lease_knows_it() -> None:
    assert Tenure().standing(0.0) is LeaseStatus.ELSEWHERE


def test_two_turns_may_fail_before_a_lease_is_lost() -> None:
    assert 3 * TURN_S <= TERM_S - MARGIN_S


@dataclass
class Node:
    name: str
    rate: float  # of its steady clock against the database's
    tenure: Tenure = field(default_factory=Tenure)
    asked_at: float | None = None  # a question is on its way
    answer: int | None = None
    doing: int | None = None  # the number under which a piece of work was begun


class Nodes(RuleBasedStateMachine):
    """Time passes, nodes ask, answers are late, work is begun and written whenever it happens to be done."""

    @initialize(rates=st.lists(st.floats(0.8, 1.2), min_size=2, max_size=3))
    def begin(self, rates: list[float]) -> None:
        self.now = 0.0
        self.lease = Lease()
        self.nodes = [Node(f"node{i}", rate) for i, rate in enumerate(rates)]
        self.written: list[int] = []
        self.tokens: list[int] = [0]

    def clock(self, node: Node) -> float:
        return self.now * node.rate

    @rule(seconds=st.floats(0.0, 20.0))
    def time_passes(self, seconds: float) -> None:
        self.now += seconds

    @rule(which=st.integers(0, 2))
    def ask(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.asked_at is None:
            node.asked_at = self.clock(node)

    @rule(which=st.integers(0, 2))
    def the_database_answers(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.asked_at is not None and node.answer is None:
            self.lease = self.lease.renewed(node.name, self.now).taken(node.name, self.now)
            node.answer = self.lease.token if self.lease.holder == node.name else 0
            self.tokens.append(self.lease.token)

    @rule(which=st.integers(0, 2))
    def the_answer_arrives(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.asked_at is not None and node.answer is not None:
            node.tenure = Tenure.granted(node.answer, node.asked_at) if node.answer else Tenure()
            node.asked_at = node.answer = None

    @rule(which=st.integers(0, 2))
    def begin_work(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.doing is None and node.tenure.standing(self.clock(node)) is LeaseStatus.HELD:
            node.doing = node.tenure.token

    @rule(which=st.integers(0, 2))
    def write(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.doing is not None:
            if self.lease.admits(node.name, node.doing):
                self.written.append(node.doing)
            node.doing = None

    @rule(which=st.integers(0, 2))
    def leave(self, which: int) -> None:
        node = self.nodes[which % len(self.nodes)]
        if node.asked_at is None:
            self.lease = self.lease.given_up(node.name)
            node.tenure = Tenure()

    @invariant()
    def never_do_two_believe_that_they_may_work(self) -> None:
        may = [n.name for n in self.nodes if n.tenure.standing(self.clock(n)) is LeaseStatus.HELD]
        assert len(may) <= 1, may

    @invariant()
    def writes_come_in_the_order_of_the_numbers(self) -> None:
        assert self.written == sorted(self.written)
        assert self.tokens == sorted(self.tokens)


Nodes.TestCase.settings = settings(max_examples=150, stateful_step_count=40)
TestNodes = Nodes.TestCase
