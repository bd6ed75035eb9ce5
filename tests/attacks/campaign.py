"""One attack after the other against one instance, a tank rising to danger in each, and the account at the end."""

from __future__ import annotations

import random
import shutil
import threading
import time
import traceback
from collections.abc import Callable, Sequence

from tests.attacks.attacks import Attack, nothing
from tests.attacks.limits import unprivileged_account
from tests.attacks.stand import Stand, stand
from tests.attacks.verdict import Call, Verdict
from tests.conftest import reachable_folder
from tests.faults.accountant import examine
from tests.faults.evidence import gather, note_calls, settled
from tests.faults.plant import CALLED_NEXT, Plant

#: Rounds without an attack, to know what a call takes on this machine.
CALM_ROUNDS = 2
#: An attack has had its say before a tank rises, and goes on for so long at least [s].
BEFORE_S, LEAST_S = 4.0, 20.0
#: A call that has not come within this is counted as what it is: missed, or late [s].
PATIENCE_S = 240.0


def play(
    attacks: Sequence[Attack],
    *,
    seed: int,
    say: Callable[[str], None],
    keep: bool = False,
    calm_rounds: int = CALM_ROUNDS,
) -> Verdict:
    """Play the attacks and account for them."""
    account = unprivileged_account()
    folder = reachable_folder("underweir-attacks-")
    rounds = [*[Attack("nothing", "nobody", nothing)] * calm_rounds, *attacks]
    plant = Plant(folder / "plant", len(rounds), random.Random(seed))
    verdict = Verdict()
    try:
        with stand(folder, plant, account) as built:
            say(f"the service runs as {account.name}, with {built.limit.most >> 20} MB: {built.limit.kind}")
            plant.calm()
            _until(built, lambda: not plant.waiting() and built.estimated(), PATIENCE_S)
            built.fill()
            for attack in rounds:
                call = _round(built, attack, verdict)
                verdict.calls.append(call)
                say(f"{attack.name} ({attack.by}): {call.words()}")
            _until(built, lambda: _quiet(built), PATIENCE_S)
            verdict.stuck = settled(built)
            shown = len(plant.register.shown_at)
            _until(built, lambda: False, 12.0)
            del plant.register.shown_at[shown:]  # a number shown a moment ago is on its way
            verdict.account = examine(gather(built))
            verdict.changed, verdict.shown, verdict.restarted = built.changed(), built.shown(), built.restarted()
            verdict.pages_down, verdict.ended = built.pages_down(), built.limit.ended
            verdict.peak, verdict.most = built.limit.peak, built.limit.most
    finally:
        if keep or verdict.wrong():
            verdict.folder = folder
        else:
            shutil.rmtree(folder, ignore_errors=True)
    return verdict


def _round(built: Stand, attack: Attack, verdict: Verdict) -> Call:
    over = threading.Event()

    def run() -> None:
        try:
            attack.run(built, over)
        except Exception:
            verdict.broken.append(f"{attack.name}: {traceback.format_exc(limit=-3)}")

    thread = threading.Thread(target=run, name=attack.name, daemon=True)
    began = time.monotonic()
    thread.start()
    _until(built, lambda: False, BEFORE_S)
    storm = built.plant.storm()
    assert storm is not None
    _until(built, lambda: storm.called_at is not None and time.monotonic() - began > LEAST_S, PATIENCE_S)
    over.set()
    thread.join(120)
    if thread.is_alive():
        verdict.broken.append(f"{attack.name} does not end")
    built.clean()
    return Call(
        attack=attack.name,
        took=None if storm.called_at is None else storm.called_at - storm.dropped_at,
        next_step=storm.answered_by == CALLED_NEXT,
    )


def _quiet(built: Stand) -> bool:
    built.clean()  # of a file that went while it was read the rejects come afterwards
    return not settled(built)


def _until(built: Stand, done: Callable[[], bool], patience_s: float) -> None:
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline and not done():
        note_calls(built)
        time.sleep(0.3)
