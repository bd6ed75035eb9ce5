"""Actions ranked: what helps, what harms, what cannot be done; the ranking itself is judged in the simulator."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.diagnosis.modes import FailureMode
from service.domain.diagnosis.ranking import PlantState, Ranking, TankState, rank_actions
from service.domain.diagnosis.ranking_words import NO_WASTING, ranking_lines
from service.domain.loading.settling import hartel_popel_1992
from service.domain.plant.action import USUAL_ACTIONS, SiteAction
from tests.benchmarks.judged_actions import judge
from tests.support.simulated_nights import simulated_nights

FULL = TankState(area=500.0, depth=4.0, flow=1050.0, back=450.0, height=2.0, drawn=7.0)
STORM = PlantState(tanks=(FULL, FULL), feed=3.0, basin=5000.0, sludge=hartel_popel_1992(130.0), idle=(500.0,))
CALM = replace(STORM, tanks=tuple(replace(t, flow=250.0, back=150.0, height=0.8, drawn=8.0) for t in (FULL, FULL)))


def by_action(found: Ranking) -> dict[SiteAction, float]:
    return {one.action: one.saved for one in found.actions}


def test_where_clarification_limits_return_harms_and_thinner_feed_helps() -> None:
    found = rank_actions(STORM, tuple(SiteAction))
    saved, helps = by_action(found), {one.action for one in found.actions if one.helps}
    assert found.overflows
    assert saved[SiteAction.RETURN] < 0.0
    assert saved[SiteAction.FLOW_OFF] < 0.0  # its sister is as full
    assert {SiteAction.STEP_FEED, SiteAction.CONTACT_STABILIZATION, SiteAction.TANKS_IN} <= helps
    assert not found.none_helps
    assert found.lost <= 2 * 6.0 * 1050.0 * 8.0
    words = " ".join(ranking_lines(found, "si"))
    assert "Harms: return of this tank at 585 m3/h." in words
    assert NO_WASTING in words


def test_only_what_the_site_has_and_can_do_now_is_judged() -> None:
    assert [a.action for a in rank_actions(STORM, (SiteAction.RETURN,)).actions] == [SiteAction.RETURN]
    nothing_idle = rank_actions(replace(STORM, idle=()), USUAL_ACTIONS)
    assert SiteAction.TANKS_IN not in by_action(nothing_idle)
    alone = replace(STORM, tanks=(FULL,), idle=(), return_capacity=450.0)
    assert rank_actions(alone, USUAL_ACTIONS).actions == ()
    assert "Nothing the site file names" in " ".join(ranking_lines(rank_actions(alone, USUAL_ACTIONS), "us"))


def test_it_is_said_when_none_helps() -> None:
    found = rank_actions(replace(STORM, idle=()), USUAL_ACTIONS)
    assert found.none_helps
    words = ranking_lines(found, "us")
    assert any(line.startswith("None of what this site can do helps within 6 h") for line in words)
    assert any(line.startswith(NO_WASTING) for line in words)


def test_on_a_calm_day_nothing_is_lost_and_blankets_decide() -> None:
    found = rank_actions(CALM, (SiteAction.RETURN, SiteAction.CONTACT_STABILIZATION))
    assert not found.overflows
    assert NO_WASTING not in " ".join(ranking_lines(found, "us"))
    assert found.actions[0].height <= found.actions[1].height


def test_a_lost_return_is_brought_back_and_not_raised_by_a_third() -> None:
    lost = replace(CALM.tanks[0], back=10.0, height=2.0)
    state = replace(CALM, tanks=(lost, CALM.tanks[1]), usual_return=150.0)
    assert state.return_tried == 150.0
    assert replace(state, return_capacity=120.0).return_tried == 120.0
    found = rank_actions(state, (SiteAction.RETURN,))
    assert found.actions[0].helps
    assert found.actions[0].height < found.height


@pytest.mark.parametrize("seed", [2, 6])
def test_what_helps_and_harms_does_so_in_the_simulator(seed: int) -> None:
    """Two storms that outrun the settling; all of them are in ``python -m tests.benchmarks.judged_actions``."""
    one = judge(simulated_nights((seed,), (FailureMode.CLARIFICATION,))[0])
    assert one.overflows
    assert one.best_share > 0.9
    assert one.harms_called_help == []
    assert one.lived.saved[SiteAction.RETURN] < 0.0
    assert by_action(one.ranking)[SiteAction.RETURN] < 0.0
