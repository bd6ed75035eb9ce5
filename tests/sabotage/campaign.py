"""Try many mutants: choose them, hand them to workers, and say which were noticed."""

from __future__ import annotations

import json
import os
import queue
import random
import shutil
import subprocess
import sys
import threading
import tomllib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.sabotage.mutations import Mutation, mutations
from tests.sabotage.reach import Reach
from tests.sabotage.trial import NOT_EXCHANGED, SURVIVED

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
NOT_REACHED = "not reached"
#: Outcomes that leave the mutant unnoticed.
UNNOTICED = (SURVIVED, NOT_REACHED, "not collected")


@dataclass(frozen=True, slots=True)
class Tried:
    """A mutant and what became of it. ``cut`` says that more tests reach it than were run."""

    mutation: Mutation
    outcome: str
    tests: int
    cut: bool = False

    @property
    def noticed(self) -> bool:
        return self.outcome not in UNNOTICED


def equivalents(file: Path = EQUIVALENT) -> dict[tuple[str, str, str], str]:
    """(path, within, change) → why the change is none."""
    marked = tomllib.loads(file.read_text()).get("equivalent", [])
    return {(one["path"], one["within"], one["change"]): one["reason"] for one in marked}


def is_marked(mutation: Mutation, marked: Iterable[tuple[str, str, str]]) -> bool:
    """Whether somebody has said that this one changes nothing."""
    return (mutation.path, mutation.within, mutation.change) in marked


def known(tree: Path, where: Sequence[str]) -> list[Mutation]:
    """Every mutation of the files and folders named that compiles."""
    files = sorted(
        {f for one in where for f in ([tree / one] if (tree / one).is_file() else (tree / one).rglob("*.py"))}
    )
    if not files:
        raise SystemExit(f"there is no Python file in {', '.join(where)}")
    return [m for file in files for m in mutations(str(file.relative_to(tree)), file.read_bytes())]


def sample(found: Sequence[Mutation], count: int | None, seed: int) -> list[Mutation]:
    """So many of them, the same for the same seed, in the order of the text."""
    if count is None or count >= len(found):
        return list(found)
    return sorted(random.Random(seed).sample(list(found), count), key=lambda m: (m.path, m.start, m.new))


def copied(tree: Path, to: Path) -> None:
    """A copy of what git knows or would take, so that the tree itself stays as it is."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"], cwd=tree, capture_output=True, text=True, check=True
    )
    for name in filter(None, listed.stdout.split("\0")):
        if (tree / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(tree / name, to / name, follow_symlinks=False)


class Worker:
    """Processes that try mutants in a copy of the tree: one that imports the changed file, one that has everything loaded."""

    def __init__(self, copy: Path, log: Path, environment: dict[str, str], loaded: Sequence[str]) -> None:
        self.copy, self.log = copy, log
        given = (
            os.environ | environment | {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        )
        self._importing, self._exchanging = (
            subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("trial.py")), *files],
                cwd=copy, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=given,
            )
            for files in ((), loaded)
        )  # fmt: skip

    def wait(self) -> None:
        """Wait until both have loaded: a file that was changed before would be loaded changed."""
        for process in (self._importing, self._exchanging):
            assert process.stdout is not None
            if process.stdout.readline() != "ready\n":
                raise SystemExit(f"a worker ended before its first trial; what it said last is in {self.log}")

    def try_out(
        self, mutation: Mutation, content: bytes, tests: Sequence[str], seconds: float, *, exchange: bool = False
    ) -> str:
        """What became of the mutation's file with that content, by these tests."""
        order = {
            "path": mutation.path,
            "within": mutation.within,
            "content": content.hex(),
            "tests": list(tests),
            "seconds": seconds,
            "log": str(self.log),
            "exchange": exchange,
        }
        process = self._exchanging if exchange else self._importing
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(order) + "\n")
        process.stdin.flush()
        answer = process.stdout.readline()
        if not answer:
            raise SystemExit(f"a worker ended by itself; what it said last is in {self.log}")
        outcome = str(json.loads(answer)["outcome"])
        if outcome == NOT_EXCHANGED:
            return self.try_out(mutation, content, tests, seconds)
        return outcome

    def close(self) -> None:
        """End both."""
        for process in (self._importing, self._exchanging):
            process.communicate()


@contextmanager
def workers(
    tree: Path, place: Path, jobs: int, environment: dict[str, str], loaded: Sequence[str]
) -> Iterator[list[Worker]]:
    """So many workers, each with a copy of its own and these files of tests loaded."""
    made: list[Worker] = []
    try:
        for number in range(jobs):
            copy = place / f"tree-{number}"
            shutil.rmtree(copy, ignore_errors=True)
            copied(tree, copy)
            made.append(Worker(copy, place / f"log-{number}", environment, loaded))
        for worker in made:
            worker.wait()
        yield made
    finally:
        for worker in made:
            worker.close()
        for worker in made:
            shutil.rmtree(worker.copy, ignore_errors=True)


def chosen_tests(reach: Reach, mutation: Mutation, budget: float) -> tuple[list[str], bool]:
    """The tests that reach a mutant, up to so many seconds of them, and whether any were left out."""
    tests: list[str] = []
    spent = 0.0
    for test in reach.tests_for(mutation):
        if tests and spent + reach.times[test] > budget:
            return tests, True
        tests.append(test)
        spent += reach.times[test]
    return tests, False


def run(
    tree: Path,
    chosen: Sequence[Mutation],
    reach: Reach,
    crew: Sequence[Worker],
    *,
    budget: float,
    patience: float = 30.0,
    say: Callable[[Tried], None],
) -> list[Tried]:
    """Try them all.

    Parameters
    ----------
    budget : of tests for one mutant, by the time they took when recorded [s].
    patience : time of the processor that a trial may take beyond ten times its tests' [s].

    Raises
    ------
    SystemExit
        a worker's tests fail without any change: then failing says nothing.
    """
    left: queue.SimpleQueue[Mutation | None] = queue.SimpleQueue()
    for mutation in chosen:
        left.put(mutation)
    results: list[Tried] = []
    problems: list[str] = []

    def work(worker: Worker) -> None:
        proven: set[bool] = set()
        while (mutation := left.get()) is not None:
            tests, cut = chosen_tests(reach, mutation, budget)
            if not tests:
                done = Tried(mutation, NOT_REACHED, 0)
            else:
                source = (tree / mutation.path).read_bytes()
                seconds = patience + 10.0 * sum(reach.times[test] for test in tests)
                exchange = mutation.in_function and not reach.at_import(mutation)
                # Unchanged, the copy has to pass, both ways of trying it.
                if (
                    exchange not in proven
                    and worker.try_out(mutation, source, tests, seconds, exchange=exchange) != SURVIVED
                ):
                    problems.append(f"unchanged, the tests do not pass in the copy; see {worker.log}")
                    return
                proven.add(exchange)
                outcome = worker.try_out(mutation, mutation.applied(source), tests, seconds, exchange=exchange)
                done = Tried(mutation, outcome, len(tests), cut)
            results.append(done)
            say(done)

    threads = [threading.Thread(target=work, args=(worker,)) for worker in crew]
    for thread in threads:
        left.put(None)
        thread.start()
    for thread in threads:
        thread.join()
    if problems:
        raise SystemExit("\n".join(problems))
    return sorted(results, key=lambda t: (t.mutation.path, t.mutation.start, t.mutation.new))


def package_of(path: str) -> str:
    """The package a figure is given for."""
    parts = path.split("/")
    return "/".join(parts[:2]) if len(parts) > 2 else parts[0]


def told(one: Tried) -> str:
    """A mutant nobody noticed, in a line."""
    m, more = one.mutation, ", more reach it" if one.cut else ""
    why = "no test reaches it" if one.outcome == NOT_REACHED else f"{one.tests} tests ran{more}"
    return f"{m.path}:{m.line} in {m.within or 'the module'}: {m.operator}: {m.change}  ({why})"


def report(results: Sequence[Tried], marked: int) -> str:
    """The survivors with their lines, then the figures of each package."""
    lines = [told(one) for one in results if not one.noticed]
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for one in results:
        counts[package_of(one.mutation.path)]["noticed" if one.noticed else "unnoticed"] += 1
    lines.append("")
    for package, count in sorted(counts.items()):
        total = count.total()
        lines.append(f"{package}: {count['noticed']} of {total} noticed, {100 * count['noticed'] / total:.0f} %")
    if marked:
        lines.append(f"{marked} marked as equivalent were left out")
    return "\n".join(lines)
