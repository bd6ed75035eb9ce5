"""Decodes dropped files in a confined child process without secrets and rights, and checks its output.

The file is opened here and passed as a descriptor. The child (``reader_child``) has everything loaded and forks for each file; it
is limited there, and killed here when it sends nothing for too long. A file that ended its process raises :class:`ReaderEnded`, as
it would do so again.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import threading
import time
import zoneinfo
from collections.abc import Iterator
from contextlib import suppress
from typing import BinaryIO

import structlog

from connectors.csv.decoding.parts import Chunk, FileOutcome, ReadJob
from connectors.csv.decoding.wire import LONGEST_MESSAGE, decode, encode_job
from connectors.errors import ConnectorError, ReaderEnded, Unreachable
from service.confinement import Confinement, child_command
from service.reader_child import AWAY, DEFECT, DONE, ENDED, HEAD, ITEM, MEMORY, NO_MEMORY, PID, SECONDS

log = structlog.get_logger(__name__)

#: Processor time a file may take [s], and more for each megabyte of it: clean text takes a thirtieth of a second, text that is all
#: rejects about one, and of text packed tenfold ten times that.
PROCESSOR_S, PROCESSOR_S_PER_MB = 30, 10.0
#: A reader that sends nothing for so long hangs [s]; a block takes a tenth of a second on a quiet machine.
SILENCE_S = 120.0
#: Starting takes half a second on a quiet machine, most of it loading numpy and pandas.
START_S = 120.0
#: Messages to the process fit its socket's buffer; one that does not take them so long hangs [s].
SEND_S = 10.0
_LOOK_S = 0.25


class Reader:
    """Decodes files, several at once if called so; its process starts with the first and ends with :meth:`stop`.

    Parameters
    ----------
    memory : address space of a reading process. [byte]
    processor_s, silence_s : see PROCESSOR_S and SILENCE_S.
    """

    _program = "from service.reader_child import main; main()"

    def __init__(self, *, memory: int = MEMORY, processor_s: int = PROCESSOR_S, silence_s: float = SILENCE_S) -> None:
        self._memory = memory
        self._processor_s = processor_s
        self._silence_s = silence_s
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._stopped = threading.Event()
        self._confinement = Confinement()

    def read(self, file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
        """Yield the chunks of an open file, then the outcome.

        Raises
        ------
        Unreachable
            when it cannot be read now, or no reader can be started.
        ReaderEnded
            when reading it ended the reader.
        """
        processor_s = self._processor_s + int(PROCESSOR_S_PER_MB * job.size / 1e6)
        with _Fork(self, file, job, processor_s) as fork:
            while True:
                kind, message = fork.message()
                if kind == AWAY:
                    raise Unreachable(job.source, message.decode("utf-8", "replace"))
                if kind == DEFECT:
                    name = "".join(filter(str.isalnum, message[:60].decode("ascii", "replace")))
                    raise ReaderEnded(
                        job.source,
                        f"{job.origin}: reading it failed ({name}).",
                        "This is a defect of the reader; please report it, with the file if it is no secret.",
                    )
                try:
                    if kind != ITEM:
                        raise ValueError("of no kind that is known")
                    item = decode(message, job)
                except (ValueError, OverflowError, MemoryError) as error:
                    raise fork.invalid_answer(error) from error
                yield item
                if isinstance(item, FileOutcome):
                    return

    def stop(self) -> None:
        """Cancel the read under way and refuse others; from any thread."""
        self._stopped.set()
        with self._lock:
            self._end()

    @property
    def stopped(self) -> bool:
        return self._stopped.is_set()

    def confinement(self) -> Confinement:
        """The confinement that the child process gets on this machine.

        Raises
        ------
        OSError
            when it cannot be started.
        """
        with self._lock:
            return self._started()

    def submit(self, files: list[int]) -> None:
        """Have a file decoded: its descriptor, the socket for messages, and the pipe for its exit status.

        Raises
        ------
        OSError
            when no reader can be started.
        """
        with self._lock:
            for attempt in (1, 2):  # one that had nothing to do for long may just be ending
                self._started()
                assert self._control is not None
                try:
                    socket.send_fds(self._control, [b"r"], files)
                    return
                except OSError:
                    self._end()
                    if attempt == 2:
                        raise

    def kill(self, pid: int) -> None:
        """End the process of one file."""
        with self._lock, suppress(OSError):
            if self._control is not None:
                self._control.send(PID.pack(pid))

    def restart(self) -> None:
        """End the whole child process, which does not respond; the next file starts a new one."""
        with self._lock:
            self._end()

    def _started(self) -> Confinement:
        if self._stopped.is_set():
            raise OSError("the service is being stopped")
        if self._process is not None and self._process.poll() is None:
            return self._confinement
        self._end()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        options = json.dumps({"memory": self._memory, "zones": list(zoneinfo.TZPATH)})
        with theirs:
            self._process = subprocess.Popen(
                child_command(self._program, str(theirs.fileno()), options),
                env={"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
                cwd="/",
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=(theirs.fileno(),),
                start_new_session=True,  # Ctrl-C is for the service, which ends its reader itself
            )
        self._control = ours
        try:
            hello = json.loads(self._receive_hello(ours) or b'{"error": "it ended at once"}')
            ours.settimeout(SEND_S)
            if "error" in hello:
                raise OSError(hello["error"])
            self._confinement = Confinement(**hello)
        except (OSError, ValueError) as error:
            self._end()
            raise OSError(f"the process that reads files cannot be started: {error}") from error
        log.info("reader started", **hello, lacks=list(self._confinement.words()))
        return self._confinement

    def _receive_hello(self, line: socket.socket) -> bytes:
        line.settimeout(_LOOK_S)
        until = time.monotonic() + START_S
        while time.monotonic() < until and not self._stopped.is_set():
            with suppress(TimeoutError):
                return line.recv(8192)
        raise OSError("it does not begin" if not self._stopped.is_set() else "the service is being stopped")

    def _end(self) -> None:
        if self._control is not None:
            self._control.close()
        if self._process is not None:
            # Those it forked end with it.
            self._process.kill()
            self._process.wait()
        self._control = self._process = None


class _Fork:
    """The parent's side of the process of one file."""

    def __init__(self, reader: Reader, file: BinaryIO, job: ReadJob, processor_s: int) -> None:
        self._reader = reader
        self._file = file
        self._job = job
        self._processor_s = processor_s
        self._pid = 0
        self._ended: int | None = None

    def __enter__(self) -> _Fork:
        self._line, theirs = socket.socketpair()
        self._status, status_end = os.pipe()
        try:
            with theirs:
                self._reader.submit([self._file.fileno(), theirs.fileno(), status_end])
        except OSError as error:
            self._close()
            raise Unreachable(self._job.source, f"{self._job.origin} is not read: {error}.") from error
        finally:
            os.close(status_end)
        try:
            request = SECONDS.pack(self._processor_s) + encode_job(self._job)
            self._line.settimeout(self._reader_silence)
            self._line.sendall(HEAD.pack(ITEM, len(request)) + request)
        except OSError:
            pass  # it ended: its status says why
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if self._ended is None:
                self._kill()
        finally:
            self._close()

    def message(self) -> tuple[bytes, bytearray]:
        """The next message.

        Raises
        ------
        ReaderEnded
            when the process ends without another, or says nothing for too long.
        Unreachable
            when the service is being stopped.
        """
        kind, length = HEAD.unpack(self._received(HEAD.size))
        if length > LONGEST_MESSAGE:
            raise self.invalid_answer(ValueError("longer than any may be"))
        return kind, self._received(length)

    def invalid_answer(self, error: Exception) -> ConnectorError:
        """The error for a process whose messages are invalid: it may have been taken over."""
        return self._ended_by(f"its reader answered what cannot be ({error}), as one does that was taken over.")

    @property
    def _reader_silence(self) -> float:
        return self._reader._silence_s

    def _received(self, length: int) -> bytearray:
        data = bytearray(length)
        view, at = memoryview(data), 0
        received_at = time.monotonic()
        self._line.setblocking(False)
        while at < length:
            if self._reader.stopped:
                raise self._cancelled()
            if select.select([self._line], [], [], _LOOK_S)[0]:
                try:
                    received = self._line.recv_into(view[at:])
                except BlockingIOError:
                    continue
                except OSError:
                    received = 0
                if received == 0:
                    raise self._ended_early()
                at += received
                received_at = time.monotonic()
            elif time.monotonic() - received_at > self._reader_silence:
                self._kill()
                raise self._ended_by(f"nothing came of reading it for {self._reader_silence:.0f} s.")
        return data

    def _ended_early(self) -> ConnectorError:
        self._wait(self._reader_silence)
        if self._ended is None:
            self._kill()
            return self._ended_by("its reader closed its line and went on.")
        if self._ended == DONE:
            return self._ended_by("its reader ended before the file did.")
        if self._ended == NO_MEMORY:
            return self._ended_by(f"reading it takes more than {self._reader._memory >> 20} MB of memory.")
        if self._ended == -signal.SIGXCPU:
            return self._ended_by(f"reading it takes more than {self._processor_s} s of processor time.")
        if self._ended == -signal.SIGKILL:
            return self._ended_by("its reader was killed, perhaps by the system for want of memory.")
        if self._ended < 0:
            with suppress(ValueError):
                return self._ended_by(f"its reader crashed ({signal.Signals(-self._ended).name}).")
        return self._ended_by(f"its reader ended with status {self._ended}.")

    def _cancelled(self) -> Unreachable:
        return Unreachable(
            self._job.source, f"{self._job.origin} was given up: the service stops.", "It is read after the start."
        )

    def _ended_by(self, how: str) -> ConnectorError:
        if self._reader.stopped:
            return self._cancelled()  # it ended because it was ended
        log.error("a file ended its reader", source=self._job.source, file=self._job.origin, how=how)
        return ReaderEnded(self._job.source, f"{self._job.origin}: {how}", "The file is put into quarantine.")

    def _kill(self) -> None:
        """Kill the process; one that has just done its work is ending anyway."""
        self._wait(SEND_S, for_end=False)
        if self._pid and self._ended is None:
            self._reader.kill(self._pid)
        elif not self._pid and not self._reader.stopped:
            self._reader.restart()

    def _wait(self, seconds: float, *, for_end: bool = True) -> None:
        """Receive the process number and the exit status; a child that is gone altogether sends neither."""
        until = time.monotonic() + seconds
        while self._ended is None and (for_end or not self._pid):
            ready = select.select([self._status], [], [], max(0.0, min(_LOOK_S, until - time.monotonic())))[0]
            if ready:
                status = os.read(self._status, PID.size if not self._pid else ENDED.size)
                if len(status) < PID.size:
                    self._ended = -signal.SIGKILL
                elif not self._pid:
                    (self._pid,) = PID.unpack(status)
                else:
                    (self._ended,) = ENDED.unpack(status)
            elif time.monotonic() >= until or self._reader.stopped:
                return

    def _close(self) -> None:
        self._line.close()
        os.close(self._status)
