"""One open file, decoded to its end: plain, gzip or zip, its members one after the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO

from connectors.base import Reject
from connectors.csv.decoding.parts import Chunk, FileOutcome, ReadJob, no_samples
from connectors.csv.decoding.reader import FileDecoder
from connectors.csv.streams import Damaged, members
from connectors.errors import ConnectorError, Malformed, Unreachable

#: Problems of an archive's members that are told one by one.
_MOST_PROBLEMS = 50


def read_file(file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
    """Chunks of all members, then the outcome; a member that cannot be read becomes a reject, and so does a file of such.

    Raises
    ------
    Unreachable
        when the file cannot be read now.
    """
    repeated = dict(job.repeated)
    problems: list[str] = []
    readable = 0
    try:
        for member in members(file, job.origin, job.size, job.limits):
            inside = member.name if member.name != job.origin else ""
            try:
                reading = FileDecoder(job.format, job.now, member.name, repeated, job.block_bytes)
                for chunk in reading.chunks(member.stream):
                    yield _placed(chunk, inside)
                readable += 1
            except Malformed as exc:
                problems.append(_reason(exc))
                yield Chunk(no_samples(), (Reject(0, "file", inside or job.origin, problems[-1]),))
            except Damaged as exc:
                readable += 1  # what came before the damage stands
                problems.append(str(exc))
                yield Chunk(no_samples(), (Reject(0, "file", inside or job.origin, str(exc)),))
    except Malformed as exc:
        problems.append(_reason(exc))
        yield Chunk(no_samples(), (Reject(0, "file", job.origin, problems[-1]),))
    except OSError as exc:
        raise Unreachable(job.source, f"{job.origin} cannot be read ({exc}).") from exc
    unreadable = "\n".join(_first(problems)) or None
    if problems and readable:
        unreadable = f"Only a part of this file could be read; that part was stored.\n{unreadable}"
    yield FileOutcome(unreadable, readable > 0, repeated)


class InlineReader:
    """Decodes files in this very process: for tests and for the process made for it."""

    read = staticmethod(read_file)

    def stop(self) -> None:
        """Nothing: what is read here ends with its reader."""


def _first(problems: list[str]) -> list[str]:
    more = len(problems) - _MOST_PROBLEMS
    return problems if more <= 0 else [*problems[:_MOST_PROBLEMS], f"and {more} more parts that could not be read"]


def _reason(exc: ConnectorError) -> str:
    return f"{exc.problem} {exc.remedy}".strip()


def _placed(chunk: Chunk, member: str) -> Chunk:
    """Rejects of an archive's member say which member they stood in."""
    if not member or not chunk.rejects:
        return chunk
    rejects = tuple(Reject(r.line, r.field, r.text, f"{r.reason} (in {member})") for r in chunk.rejects)
    return replace(chunk, rejects=rejects)
