"""``python -m tests.attacks``: everything outsiders can do, against a real instance while tanks rise, and the account."""

from __future__ import annotations

import argparse
import sys

from tests.attacks.attacks import ATTACKS
from tests.attacks.campaign import play
from tests.support.stopping import in_order


def main() -> int:
    """Play, print, and return 1 where a call is missed or late, a file was changed or read, or the service restarted."""
    asked = argparse.ArgumentParser(prog="python -m tests.attacks", description=__doc__)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", action="append", help="play this attack alone; may be given again")
    asked.add_argument("--keep", action="store_true", help="leave the folder with the log")
    given = asked.parse_args()
    known = {attack.name: attack for attack in ATTACKS}
    if unknown := set(given.only or ()) - set(known):
        print(f"no such attack: {', '.join(sorted(unknown))}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    chosen = [known[name] for name in given.only or known]
    verdict = play(chosen, seed=given.seed, say=lambda line: print(line, flush=True), keep=given.keep)
    for line in verdict.wrong()[:50]:
        print(f"  WRONG: {line}")
    if verdict.folder is not None:
        print(f"  kept: {verdict.folder}")
    print(verdict.summary())
    return 1 if verdict.wrong() else 0


if __name__ == "__main__":
    in_order(main)
