"""``python -m tests.faults --rounds 200 --seed 1``: real nodes, real servers, faults by the dozen, and the account."""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from tests.faults.campaign import TANKS, Played, play
from tests.support.postgres_servers import missing
from tests.support.stopping import in_order

#: Every third round a tank rises to danger, once each: a campaign ends when all have.
ROUNDS_A_CAMPAIGN = 3 * TANKS


def main() -> int:
    """Play, print, and return 1 where anything is lost, missed or unfounded."""
    asked = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    asked.add_argument("--rounds", type=int, default=36)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--nodes", type=int, choices=(1, 2, 3), help="how many nodes; by turns 2, 2 and 1 if not said")
    asked.add_argument("--only", help="play this fault alone")
    asked.add_argument("--keep", action="store_true", help="leave the folders with the logs")
    given = asked.parse_args()
    if why := missing():
        print(why, file=sys.stderr)
        return 2
    done: list[Played] = []
    left = given.rounds
    while left > 0:
        number = len(done)
        nodes = given.nodes or (2, 2, 1)[number % 3]
        print(f"campaign {number + 1}: seed {given.seed + number}, nodes {nodes}", flush=True)
        played = play(
            given.seed + number,
            rounds=min(left, ROUNDS_A_CAMPAIGN),
            nodes=nodes,
            say=lambda line: print(line, flush=True),
            script=[given.only] if given.only else (),
            keep=given.keep,
        )
        done.append(played)
        left -= ROUNDS_A_CAMPAIGN
        for line in [*played.stuck, *played.account.wrong()][:20]:
            print(f"  WRONG: {line}", flush=True)
        if played.folder is not None:
            print(f"  kept: {played.folder}", flush=True)
        print(summary(done), flush=True)
    return 1 if any(p.stuck or p.account.wrong() for p in done) else 0


def summary(done: list[Played]) -> str:
    """The figures of all campaigns so far."""
    faults: Counter[str] = sum((p.faults for p in done), Counter())
    accounts = [p.account for p in done]
    delays = sorted(d for a in accounts for d in a.delays)
    lines = [
        f"rounds {sum(p.rounds for p in done)}, faults {faults.total()}: "
        + ", ".join(f"{name} {count}" for name, count in sorted(faults.items())),
        f"readings produced {sum(a.produced for a in accounts)}, register numbers shown {sum(a.shown for a in accounts)}"
        f" ({sum(a.excused for a in accounts)} fell to a kill or a bad line), lost {sum(len(a.lost) for a in accounts)}",
        f"calls due {sum(a.calls for a in accounts)}, missed {sum(len(a.missed) for a in accounts)},"
        f" unfounded {sum(len(a.unfounded) for a in accounts)}, duplicated {sum(a.duplicates for a in accounts)}"
        f" ({sum(len(a.doubled) for a in accounts)} not to be explained), taken by people {sum(a.answers for a in accounts)}",
    ]
    if delays:
        lines.append(f"from file to call: median {delays[len(delays) // 2]:.0f} s, worst {delays[-1]:.0f} s")
    lines.append(f"nodes that had to be started again although nobody ended them: {sum(p.started_again for p in done)}")
    lines += [f"left out: {why}" for why in sorted({why for p in done for why in p.left_out})]
    return "\n".join(lines)


if __name__ == "__main__":
    in_order(main)
