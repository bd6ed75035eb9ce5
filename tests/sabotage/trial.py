"""One worker: a copy of the tree, and a process that tries mutants in it, one after the other, each in a fork of its own.

Run as a script within the copy; reads and writes one JSON object a line. The libraries are loaded once, before the forks; of the project
nothing is, so that each fork imports the changed file. Given files of tests as arguments, the project is loaded too, and a fork
only exchanges the code of the changed function, which is several times faster; that is for functions not called at import.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import resource
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

#: Loaded before the forks, as they take most of a trial's time. None of the project's own.
LIBRARIES = (
    "pytest", "_pytest.doctest", "_pytest.junitxml", "hypothesis", "hypothesis.strategies", "hypothesis.stateful", "numpy", "scipy.stats",
    "scipy.optimize", "scipy.linalg", "scipy.integrate", "sqlalchemy", "sqlalchemy.dialects.postgresql", "psycopg", "alembic",
    "fastapi", "uvicorn", "httpx", "structlog", "pydantic", "pydantic_settings", "typer", "jinja2", "argon2",
    "pymodbus.client", "asyncua.sync", "cryptography.x509", "serial", "dateutil.parser", "psutil", "doctest", "pandas", "pyarrow",
    "xdist.plugin", "pytest_timeout", "pytest_cov.plugin", "schemathesis.pytest.plugin", "anyio.pytest_plugin",
)  # fmt: skip
SURVIVED, KILLED, RAN_ON, NOT_COLLECTED = "survived", "killed", "ran on", "not collected"
#: The function is not there to be given other code: the file has to be imported anew.
NOT_EXCHANGED, CANNOT = "not exchanged", 71


class Chosen:
    """A plugin: of all that the files hold, run the chosen tests in the given order."""

    def __init__(self, tests: Sequence[str]) -> None:
        self.order = {test: place for place, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Leave out all others."""
        items[:] = sorted((i for i in items if i.nodeid in self.order), key=lambda item: self.order[item.nodeid])


def run_tests(files: Sequence[str], *more: str, plugins: Sequence[object] = ()) -> int:
    """Run pytest in this very process."""
    import pytest

    return int(
        pytest.main(
            [*files, "-q", "-x", "--no-header", "-p", "no:cacheprovider", "-W", "ignore", *more], plugins=list(plugins)
        )
    )


def functions_of(file: Path) -> list[FunctionType]:
    """The functions of a file that are loaded, wherever they hang."""
    return [f for f in gc.get_objects() if isinstance(f, FunctionType) and f.__code__.co_filename == str(file)]


def exchanged(file: Path, within: str) -> bool:
    """Give the loaded function the code that the file holds now; False where that cannot be done."""
    names = within.split(".")
    candidates = {".".join(names[:length]) for length in range(1, len(names) + 1)}
    loaded = [f for f in functions_of(file) if f.__code__.co_qualname in candidates]
    fresh = {(c.co_qualname, c.co_firstlineno): c for c in codes(compile(file.read_bytes(), str(file), "exec"))}
    done = False
    for function in loaded:
        code = fresh.get((function.__code__.co_qualname, function.__code__.co_firstlineno))
        if code is None or code.co_freevars != function.__code__.co_freevars:
            return False
        function.__code__ = code
        done = True
    return done


def codes(code: CodeType) -> Iterator[CodeType]:
    """A code object and all within it."""
    yield code
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from codes(constant)


def tried(order: dict[str, Any]) -> str:
    """Put the mutant in its place, run the tests in a fork, and put the file back."""
    file = Path(order["path"])
    before, times = file.read_bytes(), file.stat()
    file.write_bytes(bytes.fromhex(order["content"]))
    try:
        child = os.fork()
        if child == 0:
            _in_child(order)
        return _verdict(child, order["seconds"])
    finally:
        file.write_bytes(before)
        os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))


def _in_child(order: dict[str, Any]) -> None:
    code = 70
    try:
        os.setsid()
        # Time of the processor, not of the clock: a mutant that turns for ever is found on the busiest machine.
        limit = int(order["seconds"]) + 1
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
        resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))
        sys.dont_write_bytecode = True
        silence = os.open(order["log"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        if not order["exchange"] or exchanged(Path(order["path"]).resolve(), order["within"]):
            tests = order["tests"]
            files = list(dict.fromkeys(test.partition("::")[0] for test in tests))
            code = run_tests(files, "--no-summary", plugins=[Chosen(tests)])
        else:
            code = CANNOT
    finally:
        os._exit(code)


def _verdict(child: int, seconds: float) -> str:
    ends = time.monotonic() + 120 + 10 * seconds
    while time.monotonic() < ends:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)  # whatever it has started
            code = os.waitstatus_to_exitcode(status)
            if code in (-signal.SIGXCPU, -signal.SIGKILL):
                return RAN_ON
            return {0: SURVIVED, 5: NOT_COLLECTED, CANNOT: NOT_EXCHANGED}.get(code, KILLED)
        time.sleep(0.02)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return RAN_ON


def main() -> None:
    """Try what comes in, line by line."""
    sys.path.insert(0, os.getcwd())
    for name in LIBRARIES:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    answers = os.fdopen(os.dup(1), "w")
    if sys.argv[1:]:
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        run_tests(sys.argv[1:], "--collect-only")
    answers.write("ready\n")
    answers.flush()
    for line in sys.stdin:
        order = json.loads(line)
        answers.write(json.dumps({"outcome": tried(order)}) + "\n")
        answers.flush()


if __name__ == "__main__":
    main()
