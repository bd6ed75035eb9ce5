"""Which test runs which line: recorded once for a state of the tree with coverage's contexts, and kept on disk."""

from __future__ import annotations

import ast
import hashlib
import json
import os
import re
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path

from coverage import CoverageData

from tests.sabotage.mutations import Mutation

PACKAGES = ("service", "connectors")


def state_of(tree: Path) -> str:
    """A name for what every recording depends on: the code, and what the tests share."""
    digest = hashlib.sha256()
    for folder in (*PACKAGES, "tests", "alembic"):
        for file in sorted((tree / folder).rglob("*.py")):
            name = str(file.relative_to(tree))
            if not file.name.startswith("test_") and not name.startswith("tests/sabotage/"):
                digest.update(f"{name}\0".encode() + file.read_bytes())
    return digest.hexdigest()[:16]


def parts_of(tree: Path, tests: Iterable[str]) -> dict[str, str]:
    """What is recorded at a time, with the state it is in: files of tests, and packages whose documentation is tested."""
    found: dict[str, str] = {}
    for one in tests:
        if one in PACKAGES:
            found[one] = ""  # their state is that of the code
            continue
        files = [tree / one] if (tree / one).is_file() else sorted((tree / one).rglob("test_*.py"))
        for file in files:
            found[str(file.relative_to(tree))] = hashlib.sha256(file.read_bytes()).hexdigest()
    return found


def record(tree: Path, parts: dict[str, str], place: Path, jobs: int) -> list[str]:
    """Run the tests that were not recorded in this state, and keep what each of them ran through; returns which those were.

    Raises
    ------
    SystemExit
        the tests cannot be run.
    """
    place.mkdir(parents=True, exist_ok=True)
    kept = place / "parts.json"
    index: dict[str, list[str]] = json.loads(kept.read_text()) if kept.is_file() else {}
    missing = [part for part, state in parts.items() if index.get(part, [""])[0] != state or part not in index]
    if not missing:
        return []
    name = str(len(list(place.glob("*.times"))))
    command = [
        sys.executable, "-m", "pytest", *missing, "-q", "--no-header", "-p", "no:cacheprovider", "-p", "tests.sabotage.timing",
        "-n", str(jobs), "--cov-context=test", "--cov-report=", *(f"--cov={package}" for package in PACKAGES),
    ]  # fmt: skip
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join((str(tree), str(Path(__file__).resolve().parents[2]))),
        "COVERAGE_FILE": str(place / f"{name}.coverage"),
        "SABOTAGE_TIMES": str(place / f"{name}.times"),
    }
    ended = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, check=False)
    if ended.returncode not in (0, 1):
        raise SystemExit(f"the tests could not be recorded:\n{ended.stdout[-3000:]}{ended.stderr[-2000:]}")
    # What failed is left out: it cannot notice anything. It is shown, so that nobody takes the figures for whole.
    for line in ended.stdout.splitlines():
        if line.startswith(("FAILED", "ERROR")):
            print(line)
    kept.write_text(json.dumps(index | {part: [parts[part], name] for part in missing}))
    return missing


class Reach:
    """Which tests reach which line of a tree, of those recorded."""

    def __init__(self, tree: Path, place: Path, parts: Iterable[str]) -> None:
        self.tree, self.place = tree, place
        index = json.loads((place / "parts.json").read_text())
        by_name: dict[str, list[str]] = defaultdict(list)
        for part in parts:
            by_name[index[part][1]].append(part)
        self.times: dict[str, float] = {}  #: of each test that passed [s]
        self._data: list[tuple[CoverageData, frozenset[str]]] = []
        for name, of in by_name.items():
            times = {
                test: took
                for test, took in json.loads((place / f"{name}.times").read_text()).items()
                if test.partition("::")[0] in of or test.partition("/")[0] in of
            }
            data = CoverageData(str(place / f"{name}.coverage"))
            data.read()
            self._data.append((data, frozenset(times)))
            self.times |= times
        self._lines: dict[str, dict[int, frozenset[str]]] = {}
        self._sources: dict[str, str] = {}
        self._imported: dict[str, set[int]] = {}

    def lines(self, path: str) -> dict[int, frozenset[str]]:
        """For each line of a file the tests that ran it, import apart."""
        if path not in self._lines:
            found: dict[int, frozenset[str]] = defaultdict(frozenset)
            for data, tests in self._data:
                for line, contexts in data.contexts_by_lineno(_measured(data, path)).items():
                    found[line] |= tests.intersection(context.partition("|")[0] for context in contexts)
            self._lines[path] = dict(found)
        return self._lines[path]

    def at_import(self, mutation: Mutation) -> bool:
        """Whether the line also runs while modules are imported, so that a later exchange would come too late."""
        if mutation.path not in self._imported:
            lines = set[int]()
            for data, _ in self._data:
                found = data.contexts_by_lineno(_measured(data, mutation.path))
                lines |= {line for line, contexts in found.items() if "" in contexts}
            self._imported[mutation.path] = lines
        first, last = mutation.lines
        return any(first <= line <= last for line in self._imported[mutation.path])

    def tests_for(self, mutation: Mutation) -> list[str]:
        """The tests that could notice, the quickest first, one of each function before the second of any."""
        if mutation.in_function:
            first, last = mutation.lines
            lines = self.lines(mutation.path)
            found = set[str]().union(*(lines.get(line, frozenset()) for line in range(first, last + 1)))
        else:
            found = self._by_use(mutation)
        rounds: dict[str, int] = defaultdict(int)
        order = []
        for test in sorted(found, key=lambda name: (self.times[name], name)):
            function = test.partition("[")[0]
            order.append((rounds[function], self.times[test], test))
            rounds[function] += 1
        return [test for *_, test in sorted(order)]

    def _by_use(self, mutation: Mutation) -> set[str]:
        """What is made at import is reached by whoever runs a line that names it, and by test files that do."""
        names, found = set(mutation.defines), set[str]()
        seen: set[str] = set()
        while names - seen:
            name = (names - seen).pop()
            seen.add(name)
            for path, used in self._uses.get(name, {}).items():
                if path != mutation.path and not self._imports(path, mutation.path):
                    continue
                for line, defines in used:
                    found |= self.lines(path).get(line, frozenset())
                    if path == mutation.path or mutation.path.endswith("tables.py"):
                        names |= defines
            # The body of a class belongs to its name.
            for first, last in self._bodies.get((mutation.path, name), ()):
                for line, tests in self.lines(mutation.path).items():
                    if first <= line <= last:
                        found |= tests
        word = re.compile(rf"\b({'|'.join(map(re.escape, seen))})\b") if seen else None
        for file, source in self._test_files.items():
            if word is not None and word.search(source):
                found |= {test for test in self.times if test.partition("::")[0] == file}
        return found

    def _imports(self, path: str, other: str) -> bool:
        module = other.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        package, _, last = module.rpartition(".")
        source = self._source(path)
        return module in source or (
            f"from {package} import" in source and re.search(rf"\b{last}\b", source) is not None
        )

    def _source(self, path: str) -> str:
        if path not in self._sources:
            self._sources[path] = (self.tree / path).read_text()
        return self._sources[path]

    @cached_property
    def _test_files(self) -> dict[str, str]:
        files = {test.partition("::")[0] for test in self.times}
        return {file: self._source(file) for file in files if file.startswith("tests/")}

    @cached_property
    def _uses(self) -> dict[str, dict[str, list[tuple[int, frozenset[str]]]]]:
        """name → file → lines that name it, each with the names its module-level statement defines."""
        found: dict[str, dict[str, list[tuple[int, frozenset[str]]]]] = defaultdict(lambda: defaultdict(list))
        for package in PACKAGES:
            for file in (self.tree / package).rglob("*.py"):
                path = str(file.relative_to(self.tree))
                for statement in ast.parse(self._source(path)).body:
                    if isinstance(statement, ast.Import | ast.ImportFrom):
                        continue
                    defines = _names(statement)
                    for node in ast.walk(statement):
                        name = node.id if isinstance(node, ast.Name) else getattr(node, "attr", None)
                        if isinstance(name, str) and isinstance(node, ast.Name | ast.Attribute):
                            found[name][path].append((node.lineno, defines))
        return found

    @cached_property
    def _bodies(self) -> dict[tuple[str, str], list[tuple[int, int]]]:
        found: dict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
        for package in PACKAGES:
            for file in (self.tree / package).rglob("*.py"):
                path = str(file.relative_to(self.tree))
                for node in ast.walk(ast.parse(self._source(path))):
                    if isinstance(node, ast.ClassDef | ast.FunctionDef):
                        found[path, node.name].append((node.lineno, node.end_lineno or node.lineno))
        return found


def _measured(data: CoverageData, path: str) -> str:
    """What the recording calls a file; the tree may have stood elsewhere then."""
    return next((file for file in data.measured_files() if file.endswith(f"/{path}")), path)


def _names(statement: ast.stmt) -> frozenset[str]:
    if isinstance(statement, ast.Assign):
        return frozenset(n.id for t in statement.targets for n in ast.walk(t) if isinstance(n, ast.Name))
    if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name):
        return frozenset({statement.target.id})
    return frozenset()
