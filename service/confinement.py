"""Confines a child process that decodes untrusted bytes, before it reads the first of them. Linux; needs no privileges.

Limits on memory, files and processes hold everywhere. Where the kernel has them: Landlock (no file but the program's own code can be
opened, no network port and no process outside reached) and a network namespace without a network. Started by root, the process
changes to an account without rights. It reports what it could not get, and the parent logs it.
"""

from __future__ import annotations

import ctypes
import os
import pwd
import resource
import signal
import struct
import sys
import sysconfig
import zoneinfo
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

#: The accounts a process started by root changes to, in this order.
ACCOUNTS = ("underweir-reader", "nobody")
#: Open files: the few it has, and what Python loads late.
MOST_FILES = 24

# Numbers of linux/prctl.h, linux/sched.h and linux/landlock.h; those of the system calls are the same on every architecture.
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS = 1, 38
_CLONE_NEWUSER, _CLONE_NEWNET = 0x10000000, 0x40000000
_LANDLOCK_CREATE_RULESET, _LANDLOCK_ADD_RULE, _LANDLOCK_RESTRICT_SELF = 444, 445, 446
_RULE_PATH_BENEATH, _READ_FILE, _READ_DIR = 1, 1 << 2, 1 << 3
#: Rights on files known to a version of Landlock (the index), and from which version on it knows ports and scopes.
_FILE_RIGHTS = (0, (1 << 13) - 1, (1 << 14) - 1, (1 << 15) - 1, (1 << 15) - 1, (1 << 16) - 1)
_PORTS_SINCE, _SCOPES_SINCE = 4, 6


@dataclass(frozen=True, slots=True)
class Confinement:
    """The confinement a process got. ``landlock`` is the kernel's version of it, 0 without."""

    landlock: int = 0
    network: bool = False
    account: str = ""
    limits: bool = True

    def words(self) -> tuple[str, ...]:
        """What is missing, one sentence each."""
        missing = []
        if not self.limits:
            missing.append("its limits on memory and files cannot be set")
        if not self.landlock:
            missing.append("the kernel has no Landlock, so it could open what the service's account may open")
        if not self.network and self.landlock < _PORTS_SINCE:
            missing.append("it may not have a network of its own, so it could reach the network")
        return tuple(missing)


def confine(*, memory: int, readable: Iterable[Path] = ()) -> Confinement:
    """Drop for good what decoding does not need; everything it needs must have been imported.

    Parameters
    ----------
    memory : address space it may have. [byte]
    readable : folders it may still read besides the program's own code.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    root = os.geteuid() == 0
    end_first(1000)
    network = libc.unshare(_CLONE_NEWNET if root else _CLONE_NEWUSER | _CLONE_NEWNET) == 0
    account = _become_nobody() if root else ""
    _prctl(_PR_SET_NO_NEW_PRIVS, 1)
    landlock = _landlock(libc, [*_own_code(), *readable])
    limits = [
        _limited(which, most)
        for which, most in (
            (resource.RLIMIT_AS, memory),
            (resource.RLIMIT_FSIZE, 0),
            (resource.RLIMIT_CORE, 0),
            (resource.RLIMIT_NOFILE, MOST_FILES),
        )
    ]
    return Confinement(landlock, network, account, all(limits))


def _limited(which: int, most: int, spare: int = 0) -> bool:
    """Set a limit, unless it is lower already; returns whether it could be set."""
    hard = resource.getrlimit(which)[1]
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    try:
        resource.setrlimit(which, (most, most + spare if hard == resource.RLIM_INFINITY else min(most + spare, hard)))
    except OSError:
        return False
    return True


def child_command(program: str, *arguments: str) -> list[str]:
    """The command that runs *program* in a Python child process, with *arguments* as ``sys.argv[1:]``.

    -I keeps the child from loading code from its folder or environment; it gets our ``sys.path`` as further arguments.
    """
    paths = [path or os.getcwd() for path in sys.path]
    take_paths = f"import sys; sys.path[:] = sys.argv[{len(arguments) + 1}:]; "
    return [sys.executable, "-I", "-c", take_paths + program, *arguments, *paths]


def confine_one(processor_s: int) -> None:
    """Limit the processor time [s] for one file, and forbid children."""
    _limited(
        resource.RLIMIT_CPU, processor_s, spare=1
    )  # at the first limit a signal that tells why, at the second the end
    _limited(resource.RLIMIT_NPROC, 0)


def end_first(score: int) -> None:
    """Have the kernel kill this process before others when memory runs out (proc(5), oom_score_adj: 1000 before any other)."""
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(f"{score}\n", "ascii")


def die_with(parent: int) -> None:
    """Have the kernel kill this process when its parent ends, and exit at once if it has ended already."""
    _prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(1)


def _prctl(option: int, value: int) -> None:
    ctypes.CDLL(None).prctl(option, *(ctypes.c_ulong(word) for word in (value, 0, 0, 0)))


def _become_nobody() -> str:
    for name in ACCOUNTS:
        try:
            found = pwd.getpwnam(name)
            os.setgroups([])
            os.setresgid(found.pw_gid, found.pw_gid, found.pw_gid)
            os.setresuid(found.pw_uid, found.pw_uid, found.pw_uid)
        except (KeyError, OSError):
            continue
        return name
    return ""


def _own_code() -> list[Path]:
    """The folders of Python, its packages and the time zones, as some modules are loaded late. They hold no data."""
    paths = sysconfig.get_paths()
    return [Path(paths[name]) for name in ("stdlib", "platstdlib", "purelib", "platlib")] + [
        Path(path) for path in zoneinfo.TZPATH
    ]


def landlock_version() -> int:
    """The version of Landlock that the kernel has; 0 where it has none."""
    call = ctypes.CDLL(None).syscall
    call.restype = ctypes.c_long
    return max(0, int(call(_LANDLOCK_CREATE_RULESET, None, ctypes.c_size_t(0), ctypes.c_uint(1))))


def _landlock(libc: ctypes.CDLL, readable: Iterable[Path]) -> int:
    call = libc.syscall
    call.restype = ctypes.c_long
    version = landlock_version()
    if version < 1:
        return 0
    rights = _FILE_RIGHTS[min(version, len(_FILE_RIGHTS) - 1)]
    ports = 3 if version >= _PORTS_SINCE else 0  # bind and connect
    scopes = 3 if version >= _SCOPES_SINCE else 0  # abstract sockets and signals
    attributes = struct.pack("QQQ", rights, ports, scopes)
    size = 24 if scopes else 16 if ports else 8
    ruleset = int(call(_LANDLOCK_CREATE_RULESET, attributes, ctypes.c_size_t(size), ctypes.c_uint(0)))
    if ruleset < 0:
        return 0
    try:
        for path in readable:
            try:
                folder = os.open(path, os.O_PATH | os.O_CLOEXEC)
            except OSError:
                continue
            rule = struct.pack("=Qi", _READ_FILE | _READ_DIR, folder)
            call(_LANDLOCK_ADD_RULE, ctypes.c_int(ruleset), _RULE_PATH_BENEATH, rule, ctypes.c_uint(0))
            os.close(folder)
        done = call(_LANDLOCK_RESTRICT_SELF, ctypes.c_int(ruleset), ctypes.c_uint(0))
    finally:
        os.close(ruleset)
    return version if done == 0 else 0
