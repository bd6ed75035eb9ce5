"""Fuzz what reads bytes from outside: ``python -m tests.fuzz [csv|archive|names|answer|image|modbus|http]… --seconds 60 [--seed N]``.

Begins from the small inputs under tests/data/fuzz. Ends with status 1 at the first input that is answered by anything but our own
words, shortened as far as it goes; put it into the corpus, beside its mending.
"""

from __future__ import annotations

import argparse
import time
import traceback

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.fuzz.targets import TARGETS, Target, corpus, mutated, target
from tests.support.stopping import in_order


def fuzz(name: str, read: Target, *, number: int, examples: int) -> None:
    """A round of inputs, the same ones for the same number; raises at the first defect."""

    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate, Phase.shrink],
    )
    @given(mutated(corpus(name)))
    def once(data: bytes) -> None:
        read(data)

    once()


def main() -> int:
    """Run as a command."""
    options = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__.splitlines()[0])
    options.add_argument("targets", nargs="*", default=[], metavar="|".join(TARGETS))
    options.add_argument("--seconds", type=float, default=60.0, help="for each target")
    options.add_argument("--seed", type=int, default=1, help="of the first round")
    options.add_argument("--examples", type=int, default=500, help="inputs a round")
    given_ = options.parse_args()
    failed = 0
    for name in given_.targets or TARGETS:
        with target(name) as read:
            rounds, ends = 0, time.monotonic() + given_.seconds
            try:
                while rounds == 0 or time.monotonic() < ends:
                    fuzz(name, read, number=given_.seed + rounds, examples=given_.examples)
                    rounds += 1
                print(f"{name}: {rounds * given_.examples} inputs, no defect")
            except Exception:
                traceback.print_exc()
                print(f"{name}: a defect in the round of seed {given_.seed + rounds}")
                failed = 1
    return failed


if __name__ == "__main__":
    in_order(main)
