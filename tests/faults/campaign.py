"""Rounds of faults against one installation, and the account at their end."""

from __future__ import annotations

import random
import shutil
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from tests.conftest import reachable_folder
from tests.faults.accountant import Account, examine
from tests.faults.evidence import gather, note_calls, settled
from tests.faults.faults import BESIDE_DELIVERY, known_faults
from tests.faults.plant import Plant
from tests.faults.stand import Stand, stand

#: How long a calm evening may take until everything is stored and everybody called [s].
PATIENCE_S = 300.0
TANKS = 12


@dataclass
class Played:
    """What one campaign did."""

    seed: int
    nodes: int
    rounds: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    left_out: list[str] = field(default_factory=list)
    account: Account = field(default_factory=Account)
    started_again: int = 0  #: nodes that ended by themselves, as where the database was away when they began
    stuck: list[str] = field(default_factory=list)
    folder: Path | None = None  #: kept where something is wrong


def play(
    seed: int,
    *,
    rounds: int,
    nodes: int,
    say: Callable[[str], None],
    tanks: int = TANKS,
    script: Sequence[str] = (),
    keep: bool = False,
) -> Played:
    """Play rounds of faults and account for them.

    Parameters
    ----------
    seed : decides which faults come when.
    script : these faults, one a round and from the beginning again, instead of what the seed decides.
    keep : leave the folder with the logs even if all is well.
    """
    rng = random.Random(seed)
    folder = reachable_folder("underweir-faults-")
    plant = Plant(folder / "plant", tanks, rng)
    played = Played(seed, nodes)
    broken_off = False
    try:
        with stand(folder, plant, nodes, rng) as built:
            faults, played.left_out = known_faults(disks=built.disks)
            plant.calm()
            _until(built, lambda: not plant.waiting(), 90.0)
            for number in range(rounds):
                if number % 3 == 0:
                    plant.storm()
                drawn = rng.sample(sorted(faults), k=rng.choice((1, 1, 1, 2)))
                names = [script[number % len(script)]] if script else drawn
                # What the database is told, it is told while it is well.
                names.sort(key=lambda name: name != "values refused")
                say(f"round {number + 1}: {', '.join(names)}")
                with ExitStack() as stack:
                    for name in names:
                        if name not in BESIDE_DELIVERY:
                            stack.callback(_note_disturbed, built, time.monotonic())
                        lasts = stack.enter_context(faults[name](built))
                        played.faults[name] += 1
                        _pass(built, lasts, names)
                _pass(built, rng.uniform(0.0, 4.0), [])
                built.forget()
                played.rounds += 1
            built.heal()
            _until(built, lambda: not settled(built), PATIENCE_S)
            played.stuck = settled(built)
            # A number shown a moment ago is on its way; what was shown before must be there.
            plant_shown = len(plant.register.shown_at)
            _pass(built, 12.0, [])
            del plant.register.shown_at[plant_shown:]
            played.account = examine(gather(built))
            called = [s for s in plant.storms if s.called_at is not None]
            played.account.delays = [s.called_at - s.dropped_at for s in called if s.called_at is not None]
            played.started_again = sum(node.process.started_again for node in built.nodes)
    except (KeyboardInterrupt, SystemExit):
        broken_off = True  # somebody wants it to end: there is nothing that its logs would explain
        raise
    finally:
        unlike = played.stuck or played.account.wrong() or not played.account.produced
        if keep or (unlike and not broken_off):
            played.folder = folder
        else:
            shutil.rmtree(folder, ignore_errors=True)
    return played


def _pass(built: Stand, seconds: float, names: list[str]) -> None:
    """Let time pass and note who is called meanwhile."""
    until = time.monotonic() + seconds
    while True:
        note_calls(built, names)
        for node in built.nodes:
            node.process.keep_running()
        left = until - time.monotonic()
        if left <= 0:
            return
        time.sleep(min(0.2, left))


def _until(built: Stand, done: Callable[[], bool], patience_s: float) -> None:
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline and not done():
        _pass(built, 0.5, [])


def _note_disturbed(built: Stand, began: float) -> None:
    built.disturbed.append((began, time.monotonic()))
