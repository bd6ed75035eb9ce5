"""Whether the first line of a bad night is right: ``python -m tests.benchmarks.first_lines [--held-out]``.

Nights of known cause (``tests/support/mode_nights.py``) through the rules: the likeliest mode against the truth, and no line
that would harm on that night. Tune on even seeds; ``--held-out`` scores the odd ones, once, at the end.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass

from service.domain.diagnosis.advice import advice
from service.domain.diagnosis.diagnosis import Diagnosis, diagnose
from service.domain.diagnosis.modes import FailureMode
from service.domain.diagnosis.wording import message_lines
from service.domain.plant.tank import TankKind
from tests.support.hand_nights import hand_worlds
from tests.support.mode_nights import Night, World, night_of
from tests.support.simulated_nights import simulated_worlds


@dataclass(frozen=True)
class Told:
    """What the rules made of a night."""

    night: Night
    found: Diagnosis
    right: bool  #: the first line is that of the true cause
    unclear: bool  #: no cause was called clear
    harmful: tuple[str, ...]


def told(night: Night) -> Told:
    """One night through the rules."""
    found = diagnose(night.evidence)
    return Told(
        night, found, found.clear and found.leading.mode is night.mode, not found.clear, harmful(night.world, found)
    )


def harmful(world: World, found: Diagnosis) -> tuple[str, ...]:
    """The lines of the message, and of the leading mode's advice, that would harm on that night."""
    best = advice(found.leading.mode, found, "us")
    lines = (*message_lines(found, "us"), *((best.first, *best.further) if found.clear else ()))
    return tuple(line for line in lines if _harms(line.lower(), world, found))


def _harms(line: str, world: World, found: Diagnosis) -> bool:
    raises = ("raise the return" in line or "more return" in line) and "do not raise" not in line
    if raises and world.return_harms:
        return True
    if world.return_harms and world.alike and "take flow off this tank" in line:
        return True  # the sisters lose what this tank is spared: the simulator says so
    if world.kind is not TankKind.SECONDARY and "return" in line:
        return True
    if world.storm and "waste more" in line:
        return True
    # Gas first while the return stands: the blanket is gone before the nitrate is.
    return world.mode is FailureMode.RETURN_LOST and found.clear and found.leading.mode is FailureMode.GAS


def worlds(seeds: tuple[int, ...]) -> list[World]:
    """All nights of those seeds."""
    return [*simulated_worlds(seeds), *hand_worlds(seeds)]


def table(scored: Iterable[Told]) -> str:
    """One line a kind of tank and mode."""
    rows: dict[tuple[str, str], list[Told]] = {}
    for one in scored:
        rows.setdefault((one.night.world.kind.value, one.night.mode.value), []).append(one)
    lines = [
        "| tank | cause | nights | right first line | no clear cause | nights with a harmful line |",
        "|" + "---|" * 6,
    ]
    for (kind, mode), nights in [*rows.items(), (("all", ""), [n for some in rows.values() for n in some])]:
        right, unclear = sum(n.right for n in nights), sum(n.unclear for n in nights)
        lines.append(
            f"| {kind} | {mode} | {len(nights)} | {right} | {unclear} | {sum(bool(n.harmful) for n in nights)} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=10, help="nights of each cause")
    parser.add_argument("--held-out", action="store_true", help="odd seeds, never looked at in choosing")
    parser.add_argument(
        "--anything-hidden", action="store_true", help="a third of all signals missing, the telling ones too"
    )
    parser.add_argument("--wrong", action="store_true", help="a line for each night that is not right")
    given = parser.parse_args()
    hide = 0.33 if given.anything_hidden else 0.15
    scored = [
        told(night_of(w, hide, anything=given.anything_hidden))
        for w in worlds(tuple(2 * i + given.held_out for i in range(given.seeds)))
    ]
    print(table(scored))
    if given.wrong:
        for one in scored:
            if not one.right or one.harmful:
                found = one.found.leading
                world = one.night.world
                print(
                    f"{world.kind} {world.mode} {world.seed}: {found.mode} {found.chance:.2f} (own {one.found.chance(world.mode):.2f}) {one.harmful}"
                )


if __name__ == "__main__":
    main()
