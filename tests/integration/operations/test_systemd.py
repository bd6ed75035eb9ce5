"""A machine whose first process is systemd: installed, kept running, backed up and restored as deploy/INSTALL.md says.

What is typed on it stands in the page's boxes and is taken from there. The machine has no network at all.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.storage.database.file_locks import wait_until
from tests.support.containers import REPOSITORY, TRUSTED, Machine, copy_checkout, run
from tests.support.written_steps import steps_under

pytestmark = [pytest.mark.docker, pytest.mark.slow, pytest.mark.timeout(1200)]

PAGE = REPOSITORY / "deploy" / "INSTALL.md"
INSTALLING = "2. Install, as root on the server; no internet is used"
IMAGE = "underweir-machine:test"

#: A small server: Debian with systemd and what the page's first table asks for.
SERVER = """
FROM debian:bookworm-slim
RUN apt-get update -qq \\
 && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends systemd python3 python3-venv \\
 && rm -rf /var/lib/apt/lists/*
STOPSIGNAL SIGRTMIN+3
CMD ["/lib/systemd/systemd"]
"""

#: What systemd as the first process needs of an engine: its control groups, and the right to confine what it starts.
AS_FIRST_PROCESS = [
    *("--cap-add", "SYS_ADMIN", "--cap-add", "SYS_PTRACE"),
    *("--security-opt", "seccomp=unconfined", "--security-opt", "apparmor=unconfined"),
    *("--tmpfs", "/run", "--tmpfs", "/run/lock", "--tmpfs", "/tmp"),
    *("--cgroupns", "host", "--volume", "/sys/fs/cgroup:/sys/fs/cgroup:rw"),
]


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """What is carried to the server, packed on a machine like it that has internet."""
    run("docker", "build", "--quiet", "--tag", IMAGE, "-", fed=SERVER)
    folder = tmp_path_factory.mktemp("carried")
    checkout = copy_checkout(folder / "checkout")
    [step] = steps_under(PAGE, "1. Pack, on a machine with internet")
    packing = Machine(
        IMAGE, "--env", f"PIP_TRUSTED_HOST={TRUSTED}", "--volume", f"{checkout}:/root/clone",
        command=("sleep", "infinity"),
    )  # fmt: skip
    try:
        packing.sh(f"cd clone\n{step.typed}")
    finally:
        packing.remove()
    yield checkout / "underweir-pack"
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def machine(pack: Path) -> Iterator[Machine]:
    """The server, with everything typed on it that the page says, until the service is ready."""
    server = Machine(IMAGE, *AS_FIRST_PROCESS, "--network", "none", "--volume", f"{pack}:/root/underweir-pack:ro")
    try:
        assert wait_until(lambda: "running" in server.attempt("systemctl is-system-running").stdout, 60)
        install, start, as_the_service = steps_under(PAGE, INSTALLING)
        server.sh(install.typed)
        # The page: folders that other systems drop files into stand under /srv/underweir/drop.
        server.sh("""sed -i 's|^folder = "drop/|folder = "/srv/underweir/drop/|' /etc/underweir/site.toml""")
        started = server.sh(start.typed)
        assert "no mistakes found" in started
        assert 'Status: "watching' in started
        # The page: put that line, with "$@" in the place of its last word, into /usr/local/sbin/underweir.
        line = as_the_service.typed.rstrip().removesuffix("examine") + '"$@"'
        file = "/usr/local/sbin/underweir"
        server.sh(f"cat >{file} <<'END'\n#!/bin/sh\n{line}\nEND\nchmod 755 {file}")
        yield server
    finally:
        server.remove()


def shown(machine: Machine, name: str) -> str:
    """What systemd knows of the service under one name."""
    return machine.sh(f"systemctl show underweir.service --property {name} --value")


def runs(machine: Machine, *, other_than: str = "") -> bool:
    """Whether the service has said that it is ready, as another process than the one given."""
    return shown(machine, "ActiveState") == "active" and shown(machine, "MainPID") != other_than


def processes(machine: Machine) -> set[str]:
    """The numbers of all processes of the service's account."""
    return set(machine.sh("find /proc -maxdepth 1 -name '[0-9]*' -user underweir -printf '%f\\n'").split())


def start(machine: Machine) -> str:
    """Have the service running, and return its main process."""
    machine.sh("systemctl start underweir.service")
    return shown(machine, "MainPID")


@pytest.mark.parametrize("unit", ["underweir.service", "underweir-backup.service"])
def test_units_are_rated_at_least_as_well_as_the_page_says(machine: Machine, unit: str) -> None:
    said = re.search(r"rates \w+ (\d)\.(\d) ", PAGE.read_text("utf-8"))
    assert said
    rate = f"systemd-analyze security --offline=true --no-pager --threshold={said[1]}{said[2]} underweir-pack/systemd/{unit}"
    assert "Overall exposure level" in machine.sh(rate)


def test_systemd_finds_nothing_to_remark_in_the_units(machine: Machine) -> None:
    names = "underweir.service underweir-backup.service underweir-backup.timer"
    verified = machine.attempt(f"systemd-analyze verify {names}")
    assert (verified.returncode, verified.stdout + verified.stderr) == (0, "")


def test_the_installation_finds_itself_well(machine: Machine) -> None:
    start(machine)
    [*_, as_the_service] = steps_under(PAGE, INSTALLING)
    told = machine.attempt(f"{as_the_service.typed.rstrip()} --json").stdout
    wrong = {v["about"]: v["found"] for v in json.loads(told)["verdicts"] if v["grade"] == "wrong"}
    assert [about.split()[:2] for about in wrong] == [["mail", "server"]], wrong  # out of reach, as everything is here


def test_what_it_may_touch_is_held_back_for_real(machine: Machine) -> None:
    """The options are in force, not only written: seen from within the service's own view of the machine."""
    main = start(machine)
    assert machine.sh(f"stat -c %U /proc/{main}") == "underweir"
    status = machine.sh(f"cat /proc/{main}/status")
    assert re.search(r"^CapBnd:\s+0+$", status, re.MULTILINE)
    assert re.search(r"^NoNewPrivs:\s+1$", status, re.MULTILINE)
    assert re.search(r"^Seccomp:\s+2$", status, re.MULTILINE)
    mounts = machine.sh(f"cat /proc/{main}/mounts")
    writable = {line.split()[1] for line in mounts.splitlines() if "rw" in line.split()[3].split(",")}
    assert "/var/lib/underweir" in writable
    assert not writable & {"/", "/usr", "/etc", "/home", "/root", "/opt"}


def test_a_killed_service_comes_back_and_nothing_of_the_old_one_stays(machine: Machine) -> None:
    main = start(machine)
    before = processes(machine)
    assert len(before) > 1  # the database's own among them
    machine.sh(f"kill -9 {main}")
    assert wait_until(lambda: runs(machine, other_than=main), 120)
    assert shown(machine, "NRestarts") != "0"
    assert not before & processes(machine)
    assert "watching" in shown(machine, "StatusText")


def test_a_service_that_hangs_is_ended_by_the_watchdog(machine: Machine) -> None:
    assert shown(machine, "WatchdogUSec") == "15min"
    machine.sh("""
        install -d /run/systemd/system/underweir.service.d
        printf '[Service]\\nWatchdogSec=20s\\n' >/run/systemd/system/underweir.service.d/hurried.conf
        systemctl daemon-reload
        systemctl restart underweir.service
    """)
    try:
        hung = shown(machine, "MainPID")
        before = processes(machine)
        machine.sh(f"kill -STOP {hung}")
        assert wait_until(lambda: runs(machine, other_than=hung), 180)
        assert not before & processes(machine)
        assert "Watchdog timeout" in machine.sh("journalctl --unit underweir.service --no-pager")
    finally:
        machine.sh(
            "rm -r /run/systemd/system/underweir.service.d; systemctl daemon-reload; systemctl restart underweir"
        )


def test_a_stop_is_in_order_with_the_database_too(machine: Machine) -> None:
    start(machine)
    machine.sh("systemctl stop underweir.service")
    assert shown(machine, "Result") == "success"
    assert processes(machine) == set()
    said = machine.sh("journalctl --unit underweir.service --no-pager --output cat --lines 20")
    assert '"event": "stopped"' in said
    assert "database system is shut down" in machine.sh("tail -n 1 /var/lib/underweir/database/postgres.log")


def test_the_timer_makes_a_backup_and_the_page_brings_it_back(machine: Machine) -> None:
    start(machine)
    assert machine.sh("systemctl show underweir-backup.timer --property Unit,ActiveState --value").split() == [
        "underweir-backup.service",
        "active",
    ]
    machine.sh("underweir core add east '3.4 ft' --by 'Night operator (invented)'")
    machine.sh("systemctl start underweir-backup.service")  # what the timer does at night
    machine.sh("underweir core add east '4.1 ft' --by 'Somebody (invented)'")
    newest = machine.sh("ls -t /var/backups/underweir | head -n 1").removesuffix(".underweir-backup")
    step, _ = steps_under(PAGE, "Backups")
    assert "restored" in machine.sh(step.typed.replace("NEWEST", newest))
    assert runs(machine)
    cores = machine.sh("underweir core list")
    assert "3.4" in cores
    assert "4.1" not in cores
    assert machine.sh("stat -c '%U %a' /var/lib/underweir/database") == "underweir 700"
