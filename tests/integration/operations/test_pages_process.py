"""The pages' process is started, listened to, ended where it hangs, and started again; what it does to itself ends with it."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest
from structlog.testing import capture_logs

from service import pages
from service.pages_process import PagesProcess

#: So long a test waits for what has to happen.
PATIENCE_S = 120.0

#: Stands for the pages: writes down what it was told, then does what the test wants.
CHILD = """\
import json, os, sys, time
told = json.loads(sys.stdin.readline())
with open({lives!r}, "a") as lives:
    lives.write(json.dumps(told | {{"pid": os.getpid()}}) + "\\n")
def beat(times, what=b"+"):
    for _ in range(times):
        os.write(1, what)
        time.sleep(0.05)
"""


def waited(seen: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not seen():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


class Stand:
    """Starts stand-ins, and knows their lives."""

    def __init__(self, folder: Path) -> None:
        self._lives = folder / "lives"
        self.made: PagesProcess | None = None

    def start(self, does: str, *, heartbeat_timeout: float = 600.0, first_restart: float = 0.05) -> PagesProcess:
        command = [sys.executable, "-c", CHILD.format(lives=str(self._lives)) + does]
        self.made = PagesProcess(
            "postgresql://u:swordfish@db/underweir",
            Path("/etc/underweir/site.toml"),
            command=command,
            heartbeat_timeout=heartbeat_timeout,
            first_restart=first_restart,
            max_restart=4 * first_restart,
        )
        self.made.start()
        return self.made

    @property
    def lives(self) -> list[dict[str, object]]:
        if not self._lives.is_file():
            return []
        return [json.loads(line) for line in self._lives.read_text("utf-8").splitlines(keepends=True) if line.endswith("\n")]  # fmt: skip


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = Stand(tmp_path)
    yield made
    if made.made is not None:
        made.made.stop()


def test_they_are_told_where_the_database_is_by_no_way_that_others_can_read(stand: Stand) -> None:
    made = stand.start("beat(100000)")
    waited(lambda: len(stand.lives) == 1, "it was not started")
    [told] = stand.lives
    assert told["database_url"] == "postgresql://u:swordfish@db/underweir"
    assert told["site_file"] == "/etc/underweir/site.toml"
    assert told["parent"] == os.getpid()
    assert made.pid == told["pid"]
    assert "swordfish" not in " ".join(psutil.Process(made.pid).cmdline())
    assert "swordfish" not in str(psutil.Process(made.pid).environ())


def test_pages_that_ended_are_started_again_and_said_to_be_down_meanwhile(stand: Stand) -> None:
    with capture_logs() as said:
        made = stand.start("beat(2); os._exit(7)", first_restart=0.3)
        waited(lambda: "with exit status 7" in made.trouble, "nobody says that they are down")
        assert made.trouble.startswith("the pages are down")
        waited(lambda: len(stand.lives) >= 4, "they are not started again")
        made.stop()
    waits = [line["again_in_s"] for line in said if line["event"] == "the pages are down; the watch goes on"]
    assert waits[:3] == [0.3, 0.6, 1.2], "each time later"
    assert all(line["log_level"] == "error" for line in said)


def test_pages_that_come_back_are_no_trouble_any_more(stand: Stand, tmp_path: Path) -> None:
    gate = tmp_path / "gate"
    made = stand.start(f"os.path.exists({str(gate)!r}) or os._exit(1); beat(100000)")
    waited(lambda: made.trouble != "", "nobody says that they are down")
    gate.touch()
    waited(lambda: made.trouble == "", "they are back, and still said to be down")
    assert made.take_trouble().startswith("the pages were down: "), "who looks seldom never hears of it"
    assert made.take_trouble() == ""


def test_pages_that_say_nothing_are_ended(stand: Stand) -> None:
    """As where one thread holds the interpreter, or the machine has stopped the process."""
    made = stand.start("beat(3); os.kill(os.getpid(), 19)", heartbeat_timeout=1.0)
    waited(lambda: len(stand.lives) >= 2, "pages that hang are left alone")
    assert not psutil.pid_exists(int(str(stand.lives[0]["pid"]))) or made.pid != stand.lives[0]["pid"]


def test_pages_that_live_and_serve_nothing_are_down(stand: Stand) -> None:
    made = stand.start("beat(100000, b'.')", heartbeat_timeout=1.0)
    waited(lambda: made.trouble != "", "waiting for ever is taken for serving")
    assert len(stand.lives) == 1, "it lives, and may go on waiting"


def test_stopping_lets_them_end_by_themselves(stand: Stand, tmp_path: Path) -> None:
    made = stand.start(f"os.write(1, b'+'); sys.stdin.read(); open({str(tmp_path / 'ended')!r}, 'w').close()")
    waited(lambda: len(stand.lives) == 1, "it was not started")
    made.stop()
    assert (tmp_path / "ended").exists()
    assert made.pid is None


def test_pages_that_cannot_be_served_say_so_and_end_in_good_order(database_url: str) -> None:
    """A thread that waits for the watch must not make the interpreter abort: its complaint is no line of the log."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with subprocess.Popen(
            [sys.executable, "-m", "service.pages"],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=os.environ | {"UNDERWEIR_HTTP_PORT": str(port)},
        ) as process:
            assert process.stdin is not None
            assert process.stderr is not None
            told = {"database_url": database_url, "site_file": None, "parent": os.getpid()}
            process.stdin.write(json.dumps(told).encode() + b"\n")
            process.stdin.flush()  # and stays open, as that of a watch that lives
            said = process.stderr.read().decode()
            assert process.wait(PATIENCE_S) == 2, said
    assert str(port) in [json.loads(line) for line in said.splitlines()][-1]["problem"]


def confined(does: str) -> subprocess.CompletedProcess[str]:
    code = f"import os, sys\nfrom service.pages import _confine\n_confine(os.getppid())\n{does}"
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=PATIENCE_S)


@pytest.mark.skipif(sys.platform != "linux", reason="limits of Linux")
def test_they_cannot_take_the_machines_memory() -> None:
    done = confined(f"held = bytearray({2 * pages.MEMORY})")
    assert done.returncode == 1
    assert "MemoryError" in done.stderr
    fits = confined(f"held = bytearray({pages.MEMORY // 2}); print(len(held))")
    assert fits.returncode == 0, fits.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="limits of Linux")
def test_they_come_after_the_watch_for_the_processor_and_go_before_it_for_memory() -> None:
    done = confined("print(os.nice(0), open('/proc/self/oom_score_adj').read())")
    assert done.stdout.split() == [str(os.nice(0) + pages.NICE), str(pages.OUT_OF_MEMORY_SCORE)], done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="limits of Linux")
def test_they_end_with_the_watch_also_where_no_thread_of_theirs_runs() -> None:
    code = (
        "import subprocess, sys, time\n"
        "child = 'import os, time; from service.pages import _confine; _confine(os.getppid()); print(1, flush=True); time.sleep(1e6)'\n"
        "made = subprocess.Popen([sys.executable, '-c', child], stdout=subprocess.PIPE)\n"
        "made.stdout.readline(); print(made.pid, flush=True); time.sleep(1e6)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as watch:
        assert watch.stdout is not None
        child = psutil.Process(int(watch.stdout.readline()))
        child.send_signal(signal.SIGSTOP)
        watch.kill()
    waited(lambda: not child.is_running() or child.status() == psutil.STATUS_ZOMBIE, "it outlives the watch")
