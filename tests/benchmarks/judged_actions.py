"""Whether the ranking of actions holds in the simulator: ``python -m tests.benchmarks.judged_actions [--held-out]``.

Every simulated night of ``tests/support/simulated_nights.py`` is lived on for six hours from the call, once as it is and once
for each action, in the simulator, whose sludge and settlers share nothing with the ranking. Solids over the weirs of all tanks decide.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

from service.domain.diagnosis.ranking import AHEAD, ORDINARY_EFFLUENT, PlantState, Ranking, TankState, rank_actions
from service.domain.loading.settling import settling_at
from service.domain.plant.action import SiteAction
from tests.support.action_nights import Lived, live_on
from tests.support.simulated_nights import SimulatedNight, simulated_nights


@dataclass(frozen=True)
class Judged:
    """One night: what the ranking said, and what came of it."""

    night: SimulatedNight
    ranking: Ranking
    lived: Lived

    @property
    def overflows(self) -> bool:
        """Whether more leaves in the simulator than on an ordinary day."""
        world = self.night.world
        return self.lived.without > ORDINARY_EFFLUENT * AHEAD * 3600.0 * sum(world.flow)

    @property
    def best_share(self) -> float:
        """What the action ranked first saves, of what the best would. [–]"""
        best = max(self.lived.saved.values())
        return self.lived.saved[self.ranking.actions[0].action] / best if best > 0.0 else 1.0

    @property
    def harms_called_help(self) -> list[SiteAction]:
        """Actions said to help by which the simulator loses more, by a hundredth of the loss or more."""
        return [
            a.action
            for a in self.ranking.actions
            if a.helps and self.lived.saved[a.action] < -0.01 * self.lived.without
        ]


def judge(night: SimulatedNight, actions: tuple[SiteAction, ...] = tuple(SiteAction)) -> Judged:
    """One night through the ranking and the simulator."""
    world, idle = night.world, night.world.seed % 4 < 2
    state = PlantState(
        tanks=tuple(
            TankState(area=world.area, depth=world.depth, flow=3600.0 * f, back=3600.0 * b, height=h, drawn=t)
            for f, b, h, t in zip(world.flow, world.back, world.heights, world.thick, strict=True)
        ),
        feed=world.feed,
        basin=night.plant.basin_volume,
        sludge=settling_at(world.correlation, world.index).sludge,
        idle=(world.area,) if idle else (),
    )
    ranking = rank_actions(state, actions)
    return Judged(
        night, ranking, live_on(night.plant, night.given, night.minute, tuple(a.action for a in ranking.actions), idle)
    )


def table(judged: list[Judged]) -> str:
    """One line a cause."""
    lines = ["| cause | nights | of them overflow | first saves, of the best | harm called help |", "|" + "---|" * 5]
    modes = list(dict.fromkeys(one.night.world.mode for one in judged))
    for name, some in [*((m.value, [j for j in judged if j.night.world.mode is m]) for m in modes), ("all", judged)]:
        over = [one for one in some if one.overflows]
        share = f"{100.0 * sum(one.best_share for one in over) / len(over):.0f} %" if over else "–"
        harm = sum(len(one.harms_called_help) for one in over)
        lines.append(f"| {name} | {len(some)} | {len(over)} | {share} | {harm} |")
    return "\n".join(lines)


def main() -> None:
    """Judge and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=10, help="nights of each cause")
    parser.add_argument("--held-out", action="store_true", help="odd seeds, never looked at in choosing")
    parser.add_argument("--nights", action="store_true", help="a line a night that overflows")
    given = parser.parse_args()
    seeds = tuple(2 * i + given.held_out for i in range(given.seeds))
    judged = [judge(night) for late in (False, True) for night in simulated_nights(seeds, late=late)]
    print(table(judged))
    if given.nights:
        for one in judged:
            if one.overflows:
                said = ", ".join(
                    f"{a.action} {a.saved:.0f}/{one.lived.saved[a.action]:.0f}{'*' if a.helps else ''}"
                    for a in one.ranking.actions
                )
                print(
                    f"{one.night.world.mode} {one.night.world.seed}: {one.ranking.lost:.0f}/{one.lived.without:.0f} kg; {said}"
                )


if __name__ == "__main__":
    main()
