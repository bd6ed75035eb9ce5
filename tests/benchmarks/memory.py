"""``python -m tests.benchmarks.memory``: what a small plant takes of a machine's memory, all processes and the database together.

Counted as on a machine that runs nothing else: memory of a process's own, and what its processes share among each other divided by
them, plus each part of a program's file once, whoever else on this machine has it in memory (proc(5), smaps).
"""

from __future__ import annotations

import random
import re
import shutil
import time
from collections import defaultdict
from pathlib import Path

import httpx
import psutil

from tests.attacks.limits import unprivileged_account
from tests.attacks.stand import Stand, stand
from tests.conftest import reachable_folder
from tests.faults.evidence import note_calls
from tests.faults.plant import Plant
from tests.support.stopping import in_order

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
            assert built.process is not None
            root = psutil.Process(built.process.pid)
            processes = [root, *root.children(recursive=True)]
            files: dict[str, int] = defaultdict(int)
            rows = sorted(((_own(p.pid, files), " ".join(p.cmdline())[:70]) for p in processes), reverse=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    total = sum(size for size, _ in rows) + sum(files.values())
    for size, command in rows:
        print(f"{size / 1e6:7.1f} MB  {command}")
    print(f"{sum(files.values()) / 1e6:7.1f} MB  files of programs, each once")
    print(f"{total / 1e6:7.1f} MB  together, of {MOST_MB}: {len(rows)} processes, {TANKS} tanks")
    return 1 if total / 1e6 > MOST_MB else 0


_MAPPING = re.compile(r"^[0-9a-f]+-[0-9a-f]+ ...([ps]) (\S+ \S+ (\d+))")


def _own(pid: int, files: dict[str, int]) -> int:
    """What a process has beside the files that programs consist of, which are noted in *files* at the most that any has. [byte]"""
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text("ascii")
    own = sum(int(size) for size in re.findall(r"^Pss_(?:Anon|Shmem): +(\d+)", rollup, re.MULTILINE))
    part, resident = "", 0
    for line in Path(f"/proc/{pid}/smaps").read_text("utf-8", "replace").splitlines():
        if found := _MAPPING.match(line):
            part = found[2] if found[1] == "p" and found[3] != "0" else ""
        elif part and line.startswith("Rss:"):
            resident = 1024 * int(line.split()[1])
        elif part and line.startswith("Anonymous:"):
            files[part] = max(files[part], resident - 1024 * int(line.split()[1]))
    return 1024 * own


def _at_work(built: Stand) -> None:
    """A file a minute is taken in, somebody is called, the pages are looked at."""
    until = time.monotonic() + AFTER_S
    head = {"Authorization": f"Bearer {built.tokens['viewer']}"}
    with httpx.Client(base_url=built.url, headers=head, timeout=60) as client:
        while time.monotonic() < until or any(storm.called_at is None for storm in built.plant.storms):
            note_calls(built)
            client.get("/api/v1/tanks").raise_for_status()
            client.get("/readyz")  # whether within a second says more about what else this machine does
            time.sleep(1.0)


if __name__ == "__main__":
    in_order(main)
