"""Put faults into the code and see whether a test notices: ``python -m tests.sabotage [service/alarms …] --count 200 --seed 1``.

Each mutant is tried in a copy of the tree, by the tests that run the changed line; which those are is recorded once for a state of
the tree (the first run takes as long as the tests do, twice). Ends with the mutants nobody noticed and the share noticed of each
package. One that changes nothing is written into tests/sabotage/equivalent.toml with the reason.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from pathlib import Path

from tests.sabotage.campaign import (
    Tried,
    chosen_tests,
    equivalents,
    is_marked,
    known,
    report,
    run,
    sample,
    told,
    workers,
)
from tests.sabotage.reach import PACKAGES, Reach, parts_of, record, state_of
from tests.support.database import TestServer

TREE = Path(__file__).resolve().parents[2]
KEPT = TREE / ".sabotage"
#: Subsets of the tests. Doctests belong to the first.
TESTS = {
    "unit": ["tests/unit", "service", "connectors"],
    "all": ["tests/unit", "service", "connectors", "tests/integration"],
}


def options() -> argparse.ArgumentParser:
    """What the command takes."""
    made = argparse.ArgumentParser(prog="python -m tests.sabotage", description=(__doc__ or "").splitlines()[0])
    made.add_argument("where", nargs="*", default=list(PACKAGES), help="files or folders to change (all)")
    made.add_argument("--count", type=int, default=300, help="mutants to try; 0 for every one (300)")
    made.add_argument("--seed", type=int, default=1, help="which of them are chosen (1)")
    made.add_argument("--jobs", type=int, default=2, help="workers (2)")
    made.add_argument("--tests", nargs="+", default=["unit"], help="unit, all, or files and folders of tests (unit)")
    made.add_argument("--budget", type=float, default=60.0, help="seconds of tests for one mutant (60)")
    made.add_argument("--operator", help="only mutants of one operator, such as SQL")
    made.add_argument("--again", action="store_true", help="only those that nobody noticed in the last run")
    made.add_argument("--list", action="store_true", help="show the mutants and try none")
    return made


def main() -> int:
    """Run as a command; ends with status 1 when a mutant was not noticed."""
    given = options().parse_args()
    tests = TESTS.get(given.tests[0], given.tests) if len(given.tests) == 1 else given.tests
    marked = equivalents()
    found = known(TREE, given.where)
    if given.operator:
        found = [m for m in found if m.operator == given.operator]
    last = KEPT / "last.json"
    if given.again:
        unnoticed = {tuple(one) for one in json.loads(last.read_text())}
        chosen = [m for m in found if (m.path, m.line, m.change) in unnoticed]
    else:
        chosen = sample(found, given.count or None, given.seed)
    tried = [m for m in chosen if not is_marked(m, marked)]
    if given.list:
        for m in tried:
            print(f"{m.path}:{m.line} in {m.within or 'the module'}: {m.operator}: {m.change}")
        return 0
    place = KEPT / state_of(TREE)
    if not place.is_dir():
        for old in KEPT.glob("*/"):
            shutil.rmtree(old)
    print("recording which test reaches which line, where that is not known yet", flush=True)
    parts = parts_of(TREE, tests)
    record(TREE, parts, place, given.jobs)
    (KEPT / ".gitignore").write_text("*\n")
    shared = Path(tempfile.mkdtemp(prefix="underweir-sabotage-", dir="/tmp"))
    shared.chmod(0o711)
    server = TestServer("embedded", shared)
    try:
        url = server.url()
        environment = {"UNDERWEIR_TEST_DATABASE": "url", "UNDERWEIR_TEST_DATABASE_URL": url}
        done: list[Tried] = []
        reach = Reach(TREE, place, parts)
        files = sorted({test.partition("::")[0] for m in tried for test in chosen_tests(reach, m, given.budget)[0]})

        def say(one: Tried) -> None:
            done.append(one)
            if not one.noticed:
                print(f"{len(done)} of {len(tried)}: {told(one)}", flush=True)

        with workers(TREE, shared, given.jobs, environment, files) as crew:
            results = run(TREE, tried, reach, crew, budget=given.budget, say=say)
    finally:
        server.close()
        shutil.rmtree(shared, ignore_errors=True)
    unnoticed_now = [t.mutation for t in results if not t.noticed]
    last.write_text(json.dumps([(m.path, m.line, m.change) for m in unnoticed_now]))
    print(report(results, len(chosen) - len(tried)))
    return 1 if unnoticed_now else 0


if __name__ == "__main__":
    raise SystemExit(main())
