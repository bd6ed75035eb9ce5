"""What every test may use: a database of its own, a folder a database server can reach, and groups that need more."""

from __future__ import annotations

import gc
import os
import shutil
import tempfile
from collections.abc import Callable, Generator, Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil
import pytest
import structlog
from _pytest.doctest import DoctestModule
from argon2 import PasswordHasher
from hypothesis import HealthCheck, settings
from sqlalchemy import Engine

from service.jobs.accounts import people
from service.storage.database.session import make_engine
from tests.support import postgres_servers
from tests.support.database import TestServer, chosen_kind, docker_problem, image

if TYPE_CHECKING:
    from playwright.sync_api import Browser

#: So many times longer than in a run of all tests is looked for what breaks a property, or an order or a night of chance.
THOROUGH = int(os.environ.get("UNDERWEIR_TEST_THOROUGH") or 1)
# No test fails for being slow on a busy machine.
settings.register_profile(
    "tests",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    max_examples=50 * THOROUGH,
)
settings.load_profile("tests")

#: What passwords are hashed with in a service; tests within this process take a hash that costs nothing.
SHIPPED_HASHER = people._hasher

#: Room for the databases that are there at once, and the server's own files [bytes].
MEMORY_NEEDED = 2 * 1024**3
#: What a worker comes to with the processes that its tests start [bytes].
MEMORY_OF_WORKER = 1024**3

SERVER = pytest.StashKey[TestServer]()
SHARED = pytest.StashKey[Path]()


def chromium() -> str | None:
    """Find Debian's chromium, or the browser named in UNDERWEIR_TEST_CHROMIUM."""
    return os.environ.get("UNDERWEIR_TEST_CHROMIUM") or shutil.which("chromium")


def _docker_problem() -> str:
    return docker_problem(image(), "python:3.12-slim", "debian:bookworm-slim")


def _chromium_problem() -> str:
    return "" if chromium() else "there is no chromium on this machine (apt-get install chromium)"


#: Marker -> (what the group needs, why it cannot be had; empty if it can).
NEEDS: dict[str, tuple[str, Callable[[], str]]] = {
    "docker": ("a Docker engine", cache(_docker_problem)),
    "postgresql": ("PostgreSQL's server programs", cache(postgres_servers.missing)),
    "browser": ("a browser", cache(_chromium_problem)),
    "root": ("root", lambda: "" if os.geteuid() == 0 else "they change to other accounts, which only root may"),
}


def no_skips() -> bool:
    """Tell whether a missing tool is a failure, as in CI."""
    return os.environ.get("UNDERWEIR_TEST_NO_SKIPS", "") not in ("", "0")


def pytest_configure(config: pytest.Config) -> None:
    """Begin from a known environment, and agree with the other workers on one server."""
    for name in [
        name for name in os.environ if name.startswith("UNDERWEIR_") and not name.startswith("UNDERWEIR_TEST_")
    ]:
        del os.environ[name]
    # Each of the hundred services that tests start would compile itself anew.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    people._hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    # Rich draws a frame around every traceback and the values in it: seconds for one out of SQLAlchemy.
    structlog.dev.ConsoleRenderer.get_active().exception_formatter = structlog.dev.plain_traceback
    given = getattr(config, "workerinput", None)
    if given is None:
        config.stash[SHARED] = reachable_folder("underweir-tests-", in_memory=True)
        kind = chosen_kind()
    else:
        config.stash[SHARED], kind = Path(given["underweir_shared"]), given["underweir_database"]
    config.stash[SERVER] = TestServer(kind, config.stash[SHARED])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Four workers more than processors, as many a test waits for a process, a server or a delay; fewer where memory is short.

    Two more where the slow ones are left out: what remains waits less, and each worker loads everything once more.
    """
    processors = len(os.sched_getaffinity(0))
    more = 2 if "slow" in config.getoption("markexpr") else 4
    return max(processors, min(processors + more, psutil.virtual_memory().available // MEMORY_OF_WORKER))


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker what was agreed on."""
    node.workerinput["underweir_shared"] = str(node.config.stash[SHARED])
    node.workerinput["underweir_database"] = node.config.stash[SERVER].kind


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop the server and remove the run's files; the last one out does it."""
    server, shared = config.stash.get(SERVER, None), config.stash.get(SHARED, None)
    if server is None or shared is None:
        return
    server.close()
    if not hasattr(config, "workerinput"):
        try:
            server.remove()
        finally:
            shutil.rmtree(shared, ignore_errors=True)


def pytest_report_header(config: pytest.Config) -> str:
    """Say on the first lines which database the run uses."""
    return f"database: {config.stash[SERVER].describe()}"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say at the end which version it was."""
    version = config.stash[SERVER].version()
    if version:
        terminalreporter.write_line(f"database: {config.stash[SERVER].describe()}, version {version}")


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Load all modules and make all tests without looking for garbage, of which there is none, and never look there again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(wrapper=True)
def pytest_sessionstart(session: pytest.Session) -> Generator[None, object, object]:
    """Load the code with its lines counted in one worker alone: all load the same, and counting takes as long as loading."""
    result = yield
    worker = getattr(session.config, "workerinput", {}).get("workerid", "gw0")
    controller = None if worker == "gw0" else _coverage(session.config)
    if controller is not None:
        controller.pause()
    return result


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Count lines from here on in every worker."""
    controller = _coverage(session.config)
    if controller is not None and not controller.started:
        controller.resume()


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Count no lines in tests that reach nothing new, from their set-up to their end."""
    controller = _coverage(item.config) if item.get_closest_marker("untraced") is not None else None
    if controller is None:
        return (yield)
    controller.pause()
    try:
        return (yield)
    finally:
        controller.resume()


def _coverage(config: pytest.Config) -> Any:
    """What counts the lines that are run; None where nothing does, or where it is asked of each test which lines it reaches."""
    if config.getoption("cov_context", None):
        return None
    return getattr(config.pluginmanager.getplugin("_cov"), "cov_controller", None)


@pytest.hookimpl(wrapper=True)
def pytest_collect_file() -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """Look for examples in docstrings in the code alone: looking in tests loads each of their modules and programs."""
    return [found for found in (yield) if not isinstance(found, DoctestModule)]


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with what takes long, and deal it out: xdist gives every worker one piece of the list, and lets those that are done
    take over from the end of another's.

    What builds images stays together, module by module, at the very beginning: half of it with another worker would build
    them once more.
    """
    workers = getattr(config, "workerinput", {}).get("workercount", 1)
    docker: dict[Path, list[pytest.Item]] = {}
    long: list[pytest.Item] = []
    rest: list[pytest.Item] = []
    for item in items:
        if _goes_often_over_the_same(item):
            item.add_marker("untraced")
        if item.get_closest_marker("docker") is not None:
            docker.setdefault(item.path, []).append(item)
        else:
            waits = item.get_closest_marker("slow") is not None or item.path.parent.name == "acceptance"
            (long if waits else rest).append(item)
    sizes = [(len(items) + piece) // workers for piece in range(workers)]  # as xdist cuts the list
    dealt: list[list[pytest.Item]] = [[] for _ in range(workers)]
    for index, path in enumerate(sorted(docker)):
        # Those of one module share a plant, and each finds it as the one before left it.
        dealt[index % workers] += sorted(docker[path], key=lambda item: item.reportinfo()[1] or 0)
    for index, item in enumerate(long):
        dealt[-1 - index % workers].append(item)
    items[:] = []
    for share, size in zip(dealt, sizes, strict=True):
        room = max(0, size - len(share))
        items += share + rest[:room]
        del rest[:room]
    items += rest


def _goes_often_over_the_same(item: pytest.Item) -> bool:
    """Whether a test adds little to the coverage that it would cost much to measure: counting lines doubles the work of a test.

    Such are what tries hundreds of examples, what looks at a process from outside, and, where each case needs a database, all cases
    but the first.
    """
    if any(item.get_closest_marker(name) is not None for name in ("hypothesis", "slow", "docker", "browser")):
        return True
    case = getattr(item, "callspec", None)
    return case is not None and any(case.indices.values()) and "unit" not in item.path.parts


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a group whose tool is missing. The reason is the same for all, so the run shows it as one line."""
    for marker, (needs, problem) in NEEDS.items():
        if item.get_closest_marker(marker) is not None and (why := problem()):
            pytest.skip(f"tests marked {marker!r} need {needs}: {why}")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where nothing may be missing, a skip is a failure."""
    report = yield
    if no_skips() and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: UNDERWEIR_TEST_NO_SKIPS is set, and this test was to be skipped: {reason}"
    return report


def reachable_folder(prefix: str, *, in_memory: bool = False) -> Path:
    """Make a folder which the account the embedded server runs as may pass through, even when we are root.

    In memory, where there is room: each of a thousand databases is some four hundred files.
    """
    memory = Path("/dev/shm")
    roomy = in_memory and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > MEMORY_NEEDED
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=memory if roomy else "/tmp"))
    folder.chmod(0o711)
    return folder


BROWSER_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; started once a worker: a second one beside it cannot be driven from the same thread."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium(), args=list(BROWSER_FLAGS))
        yield started
        started.close()


@pytest.fixture
def data_dir() -> Iterator[Path]:
    """A data folder for one test; unlike ``tmp_path`` the embedded server can reach it when the tests run as root."""
    folder = reachable_folder("underweir-test-", in_memory=True)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def filled_by() -> Callable[[str], None] | None:
    """What has filled the database that this test gets a copy of; folders and modules whose tests begin alike override it."""
    return None


@pytest.fixture
def database_url(pytestconfig: pytest.Config, filled_by: Callable[[str], None] | None) -> Iterator[str]:
    """The URL of a migrated database of this test's own."""
    with pytestconfig.stash[SERVER].database(migrated=True, fill=filled_by) as url:
        yield url


@pytest.fixture
def empty_database_url(pytestconfig: pytest.Config) -> Iterator[str]:
    """The URL of a database of this test's own without any table."""
    with pytestconfig.stash[SERVER].database(migrated=False) as url:
        yield url


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    """An engine on a migrated database of this test's own."""
    made = make_engine(database_url, application_name="underweir-tests")
    yield made
    made.dispose()
