"""Two gigabytes for the service under attack: by a control group where the system lets us make one, here a tree that looks like one."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.attacks.limits import MEMORY, MemoryLimit

#: cgroups(7), proc_pid_cgroup(5) and proc_pid_mountinfo(5): a line of each as Linux writes them where only version 2 is mounted.
OWN = "0::/user.slice/campaign.scope\n"
MOUNTED = "29 24 0:26 / {} rw,nosuid,nodev,noexec,relatime shared:4 - cgroup2 cgroup2 rw,nsdelegate\n"


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    """What /proc/self says, and the tree it speaks of."""
    parent = tmp_path / "fs" / "user.slice"
    (parent / "campaign.scope").mkdir(parents=True)
    (parent / "cgroup.subtree_control").write_text("cpu memory pids\n")
    found = tmp_path / "proc"
    found.mkdir()
    (found / "cgroup").write_text(OWN)
    (found / "mountinfo").write_text("22 1 8:1 / / rw - ext4 /dev/sda1 rw\n" + MOUNTED.format(tmp_path / "fs"))
    return found


def test_the_service_is_put_into_a_group_with_so_much_memory_and_no_swap(proc: Path, tmp_path: Path) -> None:
    limit = MemoryLimit(proc=proc)
    [group] = (tmp_path / "fs" / "user.slice").glob("underweir-attacks-*")
    assert limit.kind == f"control group {group}"
    assert (group / "memory.max").read_text() == str(MEMORY) == "2147483648"
    assert (group / "memory.swap.max").read_text() == "0"
    with subprocess.Popen(["sleep", "60"]) as started:
        try:
            limit.hold(started.pid)
            assert (group / "cgroup.procs").read_text() == str(started.pid)
        finally:
            started.kill()
    (group / "memory.events").write_text("low 0\nhigh 0\nmax 9\noom 2\noom_kill 2\n")
    limit.end()
    assert limit.ended == ["2 by the kernel"]


def test_in_a_group_the_kernel_ends_processes_and_the_count_does_not(proc: Path) -> None:
    limit = MemoryLimit(most=1, proc=proc)
    with subprocess.Popen(["sleep", "60"]) as started:
        try:
            limit.hold(started.pid)
            while limit.peak == 0:
                assert started.poll() is None
            limit.end()
            assert limit.peak > 1
            assert started.poll() is None
            assert limit.ended == []
        finally:
            started.kill()


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("proc/cgroup", "9:name=systemd:/\n8:pids:/\n"),  # version 1
        ("proc/mountinfo", "22 1 8:1 / / rw - ext4 /dev/sda1 rw\n"),
        ("fs/user.slice/cgroup.subtree_control", "cpu pids\n"),
    ],
)
def test_where_none_can_be_made_it_is_counted_and_the_likeliest_process_ended(
    proc: Path, tmp_path: Path, file: str, content: str
) -> None:
    (tmp_path / file).write_text(content)
    limit = MemoryLimit(most=1, proc=proc)
    assert limit.kind.startswith("counted twice a second")
    with subprocess.Popen(["sleep", "60"]) as started:
        limit.hold(started.pid)
        assert started.wait(60) == -9
    limit.end()
    assert len(limit.ended) >= 1
    assert not list((tmp_path / "fs" / "user.slice").glob(f"underweir-attacks-{os.getpid()}"))
