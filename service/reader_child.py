"""The child process of the reader: loads what decoding needs, confines itself, and forks for every file.

Whatever a file does to its process ends with it: the next file gets a new fork. A fork takes milliseconds where a start takes half
a second. The process that forks decodes nothing, so the exit statuses it reports can be trusted.
"""

from __future__ import annotations

import codecs
import encodings.aliases
import gc
import gzip
import io
import json
import os
import select
import signal
import socket
import struct
import sys
import zoneinfo
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from service.confinement import confine, confine_one, die_with

if TYPE_CHECKING:
    from connectors.csv.decoding.parts import ReadJob

#: Address space [byte]: some 160 MB are the program's own, a block of four megabytes unfolds to some 200.
MEMORY = 640 << 20
#: Without work for so long it ends, and gives its memory back [s].
IDLE_S = 900.0
#: How a decoding process ends by itself.
DONE, NO_MEMORY, BROKE = 0, 70, 71
#: One message: a kind, and how many bytes follow.
HEAD = struct.Struct("<cQ")
ITEM, AWAY, DEFECT = b"i", b"u", b"d"
#: Numbers: a process, how it ended, and how long it may work.
PID = ENDED = SECONDS = struct.Struct("<q")


def main() -> None:
    """Serve the socket named by the first argument until it closes."""
    control = socket.socket(fileno=int(sys.argv[1]))
    options = json.loads(sys.argv[2])
    try:
        zoneinfo.reset_tzpath(to=options["zones"])
        _load()
        got = confine(memory=options.get("memory", MEMORY), readable=[Path(path) for path in options["zones"]])
    except Exception as error:
        control.send(json.dumps({"error": f"{type(error).__name__}: {error}"}).encode()[:4096])
        sys.exit(BROKE)
    gc.collect()
    gc.freeze()  # what all have in common is not written to, so it is kept once
    control.send(json.dumps(asdict(got)).encode())
    _Forks(control).serve()


#: Decoded once at the start, to load what is loaded at first use: long, with words for numbers, quotes and an unknown tag; wide;
#: and cores.
_SAMPLES = (
    b'time,tag,value,quality\n2025-03-01 00:00:00,A,1.5,192\n"2025-03-01 00:01:00",A,bad,0\n2025-03-01 00:02:00,B,nan,0\n',
    b"time;A;B\n01.03.2025 00:00;1,5;2\n13.03.2025 00:01;;x\n",
    b"tank,time,thickness (m),note\nA,2025-03-01T00:00:00Z,1.5,clear\nB,2025-03-01 00:00,x,\n",
)


def _load() -> None:
    """Load what decoding needs, and use it once."""
    # pandas reads numbers and texts without pyarrow, which takes 35 MB and starts a thread; a process of several must not fork.
    sys.modules["pyarrow"] = cast(Any, None)
    import bz2
    import lzma

    from connectors.csv.decoding.format import CsvFormat
    from connectors.csv.decoding.parts import ReadJob
    from connectors.csv.decoding.wire import encode
    from connectors.csv.file import read_file

    form = CsvFormat(tags=frozenset({"A"}), tanks=frozenset({"A"}), zone="Europe/Amsterdam")
    for sample in _SAMPLES:
        for content in (sample, gzip.compress(sample)):
            job = ReadJob("", "", len(content), form, datetime(2026, 1, 1, tzinfo=UTC))
            for item in read_file(io.BytesIO(content), job):
                encode(item)
    for encoding in set(
        encodings.aliases.aliases.values()
    ):  # any may be named in a site file; they are loaded at their first use
        with suppress(LookupError):
            codecs.lookup(encoding)
    del bz2, lzma


class _Forks:
    """Forks for every file, kills forks on request, and reports how each ended."""

    def __init__(self, control: socket.socket) -> None:
        self._control = control
        self._status: dict[int, int] = {}  #: by process: the pipe for its exit status

    def serve(self) -> None:
        # A process that ends wakes the loop below, which is the only place that waits for it.
        woken, wake = os.pipe()
        for end in (woken, wake):
            os.set_blocking(end, False)
        signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        control = self._control.fileno()
        while True:
            ready = select.select([control, woken], [], [], IDLE_S)[0]
            if woken in ready:
                os.read(woken, 4096)
                self._reap()
            if control in ready:
                message, files, _, _ = socket.recv_fds(self._control, 16, 3)
                if len(files) == 3:
                    self._fork(*files)
                elif message:
                    (pid,) = PID.unpack(message)
                    if pid in self._status:
                        os.kill(pid, signal.SIGKILL)
                else:
                    return
            if not ready and not self._status:
                return

    def _fork(self, file: int, answer: int, status: int) -> None:
        parent = os.getpid()
        try:
            pid = os.fork()
            if pid == 0:
                _decode(parent, self._control, file, answer, [status, *self._status.values()])
            self._status[pid] = status
            os.write(status, PID.pack(pid))
        except OSError:  # no process can be made, or the parent is gone
            if status not in self._status.values():
                os.close(status)
        finally:
            for descriptor in (file, answer):
                os.close(descriptor)

    def _reap(self) -> None:
        while self._status:
            pid, ended = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                return
            status = self._status.pop(pid)
            with suppress(OSError):  # the parent is gone
                os.write(status, ENDED.pack(os.waitstatus_to_exitcode(ended)))
            os.close(status)


def _decode(parent: int, control: socket.socket, file: int, answer: int, others: list[int]) -> None:
    """The process of one file, from fork to exit."""
    end = BROKE
    try:
        die_with(parent)
        control.close()
        for descriptor in others:
            os.close(descriptor)
        signal.set_wakeup_fd(-1)
        with socket.socket(fileno=answer) as line:
            end = _serve_one(line, file)
    except MemoryError:
        end = NO_MEMORY
    finally:
        os._exit(end)


def _serve_one(line: socket.socket, file: int) -> int:
    from connectors.csv.decoding.wire import decode_job

    with line.makefile("rb") as request:
        _, length = HEAD.unpack(request.read(HEAD.size))
        (processor_s,) = SECONDS.unpack(request.read(SECONDS.size))
        job = decode_job(request.read(length - SECONDS.size))
    confine_one(processor_s)
    return _decoded(line, file, job)


def _decoded(line: socket.socket, file: int, job: ReadJob) -> int:
    from connectors.csv.decoding.wire import encode, split
    from connectors.csv.file import read_file
    from connectors.errors import Unreachable

    os.lseek(file, 0, os.SEEK_SET)
    try:
        with os.fdopen(file, "rb") as opened:
            for item in read_file(opened, job):
                for piece in split(item):
                    send(line, ITEM, encode(piece))
    except Unreachable as error:
        send(line, AWAY, [str(error.problem).encode("utf-8", "replace")[:1000]])
    except OSError:
        raise
    except MemoryError:
        return NO_MEMORY
    except Exception as error:
        send(line, DEFECT, [type(error).__name__.encode()])
    return DONE


def send(line: socket.socket, kind: bytes, parts: list[bytes | memoryview]) -> None:
    """Send one message of several buffers."""
    line.sendall(HEAD.pack(kind, sum(len(part) for part in parts)))
    for part in parts:
        line.sendall(part)
