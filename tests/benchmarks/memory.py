"""``python -m tests.benchmarks.memory``: what a small plant takes of a machine's memory, all processes and the database together.

What several processes share is divided among them (proc(5), Pss), so that the sum is what the machine has less.
"""

from __future__ import annotations

import random
import shutil
import time

import httpx

from tests.attacks.limits import proportional, unprivileged_account
from tests.attacks.stand import Stand, stand
from tests.conftest import reachable_folder
from tests.faults.evidence import note_calls
from tests.faults.plant import Plant
from tests.stopping import in_order

TANKS = 4
#: What a small plant may take [MB], and how long everything has been at work when it is measured [s].
MOST_MB, AFTER_S = 400, 60.0


def main() -> int:
    """Measure, print, and return 1 where it is too much."""
    folder = reachable_folder("underweir-memory-")
    plant = Plant(folder / "plant", TANKS, random.Random(1))
    try:
        with stand(folder, plant, unprivileged_account()) as built:
            plant.calm()
            plant.storm()
            _at_work(built)
            used = proportional(built.process.pid) if built.process is not None else {}
            rows = sorted(((size / 1e6, " ".join(p.cmdline())[:70]) for p, size in used.items()), reverse=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    total = sum(size for size, _ in rows)
    for size, command in rows:
        print(f"{size:7.1f} MB  {command}")
    print(f"{total:7.1f} MB  together, of {MOST_MB} ({len(rows)} processes; {TANKS} tanks)")
    return 1 if total > MOST_MB else 0


def _at_work(built: Stand) -> None:
    """A file a minute is taken in, somebody is called, the pages are looked at."""
    until = time.monotonic() + AFTER_S
    head = {"Authorization": f"Bearer {built.tokens['viewer']}"}
    with httpx.Client(base_url=built.url, headers=head, timeout=60) as client:
        while time.monotonic() < until or any(storm.called_at is None for storm in built.plant.storms):
            note_calls(built)
            client.get("/api/v1/tanks").raise_for_status()
            client.get("/readyz").raise_for_status()
            time.sleep(1.0)


if __name__ == "__main__":
    in_order(main)
