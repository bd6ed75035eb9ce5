"""Encodes chunks and outcomes for the pipe from the untrusted decoding process: columns of numbers, and texts with lengths.

The format holds no code and no nesting, and expands by a small factor only. The receiver checks every count against the bytes
left and every value against its range before it uses them.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from connectors.base import (
    EPOCH,
    HandCore,
    LaboratoryValue,
    Reject,
    SampleBlock,
    SourceQuality,
    SourceReason,
    microseconds_of,
)
from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.parts import Chunk, FileOutcome, Limits, ReadJob

#: Most items of each kind in one message; the rest follows.
SAMPLES, REJECTS, CORES = 1 << 18, 2_000, 500
#: No message is longer [byte]: the samples take 24 each, the others by their texts.
LONGEST_MESSAGE = 24 << 20
#: Longest texts [characters]; longer ones are cut. Texts for people are short already, names of signals may be longer.
SHOWN, NAME, NOTE, REASONS = 400, 4_096, 2_000, 20_000
_NAMES, _SURFACE_WORDS, _SURFACE_WORD = 100_000, 50, 100
_MOST_UNLISTED = 1 << 40
_CHUNK, _OUTCOME = 1, 2
_COUNT = struct.Struct("<Q")
_OPTIONAL = ("distance_from_wall", "arm_position", "fluff")


def encode_job(job: ReadJob) -> bytes:
    """A job as JSON, for the decoding process."""
    return json.dumps(asdict(job), default=_plain).encode()


def decode_job(data: bytes) -> ReadJob:
    """The job that :func:`encode_job` wrote."""
    fields = json.loads(data)
    form = fields["format"]
    sets = {name: frozenset(form[name]) for name in ("ignored", "tags", "tanks")}
    enums = {"layout": Layout(form["layout"]), "quality_code": QualityCode(form["quality_code"])}
    fields["format"] = CsvFormat(**form | sets | enums)
    fields["now"] = datetime.fromisoformat(fields["now"])
    fields["limits"] = Limits(**fields["limits"])
    return ReadJob(**fields)


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, frozenset):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def split(item: Chunk | FileOutcome) -> Iterator[Chunk | FileOutcome]:
    """Split a chunk into parts that fit a message."""
    if isinstance(item, FileOutcome):
        yield item
        return
    samples, rejects, cores = item.samples, item.rejects, item.cores
    parts = max(
        1,
        math.ceil(len(samples) / SAMPLES),
        math.ceil(len(rejects) / REJECTS),
        math.ceil(len(cores) / CORES),
        math.ceil(len(item.laboratory) / CORES),
    )
    for part in range(parts):
        rows = slice(part * SAMPLES, (part + 1) * SAMPLES)
        yield Chunk(
            samples=SampleBlock(
                samples.addresses,
                samples.address_index[rows],
                samples.time_us[rows],
                samples.value[rows],
                samples.quality[rows],
                samples.reason[rows],
            ),
            rejects=rejects[part * REJECTS : (part + 1) * REJECTS],
            cores=cores[part * CORES : (part + 1) * CORES],
            laboratory=item.laboratory[part * CORES : (part + 1) * CORES],
            unlisted=item.unlisted if part == parts - 1 else 0,
        )


def encode(item: Chunk | FileOutcome) -> list[bytes | memoryview]:
    """The buffers of one message."""
    out = _Writer()
    if isinstance(item, FileOutcome):
        out.numbers([_OUTCOME, item.any_readable], "<i8")
        out.texts([] if item.unreadable is None else [item.unreadable], REASONS)
        out.texts(list(item.repeated), NAME)
        out.numbers(list(item.repeated.values()), "<i8")
        return out.pieces
    block, rejects, cores = item.samples, item.rejects, item.cores
    out.numbers([_CHUNK, item.unlisted], "<i8")
    out.texts(block.addresses, NAME)
    out.numbers(block.address_index, "<i4")
    out.numbers(block.time_us, "<i8")
    out.numbers(block.value, "<f8")
    out.numbers(block.quality, "<i2")
    out.numbers(block.reason, "<i2")
    out.numbers([reject.line for reject in rejects], "<i8")
    for name in ("field", "text", "reason"):
        out.texts([getattr(reject, name) for reject in rejects], SHOWN)
    out.numbers([core.line for core in cores], "<i8")
    out.numbers([core.replicate for core in cores], "<i8")
    out.numbers([microseconds_of(core.time) for core in cores], "<i8")
    out.numbers([core.thickness for core in cores], "<f8")
    for name in _OPTIONAL:
        values = [getattr(core, name) for core in cores]
        out.numbers([math.nan if value is None else value for value in values], "<f8")
    for name in ("tank", "unit", "taken_by"):
        out.texts([getattr(core, name) for core in cores], SHOWN)
    out.texts([core.distance_unit or "" for core in cores], SHOWN)
    out.texts([core.note for core in cores], NOTE)
    surfaces = [core.surface[:_SURFACE_WORDS] for core in cores]
    out.numbers([len(words) for words in surfaces], "<i8")
    out.texts([word for words in surfaces for word in words], _SURFACE_WORD)
    laboratory = item.laboratory
    out.numbers([value.line for value in laboratory], "<i8")
    out.numbers([microseconds_of(value.time) for value in laboratory], "<i8")
    out.numbers([value.value for value in laboratory], "<f8")
    out.numbers([value.dilution for value in laboratory], "<f8")
    out.numbers([-1 if value.minute is None else value.minute for value in laboratory], "<i8")
    out.numbers([value.stirred for value in laboratory], "<i8")
    for name in ("kind", "unit", "tank", "taken_by"):
        out.texts([getattr(value, name) for value in laboratory], SHOWN)
    out.texts([value.note for value in laboratory], NOTE)
    return out.pieces


def decode(data: bytearray, job: ReadJob) -> Chunk | FileOutcome:
    """Decode and validate a message.

    Raises
    ------
    ValueError
        when it is nothing that :func:`encode` can have made for this job.
    """
    message = _Reader(data)
    kind, number = message.numbers("<i8", exactly=2).tolist()
    if kind == _OUTCOME:
        reasons = message.texts(REASONS, most=1)
        tags = message.texts(NAME, most=_NAMES)
        times = message.numbers("<i8", exactly=len(tags)).tolist()
        message.end()
        _known(tags, job)
        return FileOutcome(reasons[0] if reasons else None, bool(number), dict(zip(tags, times, strict=True)))
    if kind != _CHUNK or not 0 <= number <= _MOST_UNLISTED:
        raise ValueError("it is neither a part of a file nor its end")
    samples = _samples(message, job)
    lines = message.numbers("<i8", most=REJECTS)
    fields, texts, reasons = (message.texts(SHOWN, exactly=lines.size) for _ in range(3))
    rejects = tuple(map(Reject, _within(lines, 0, 1 << 62).tolist(), fields, texts, reasons))
    cores = _cores(message)
    laboratory = _laboratory(message)
    message.end()
    return Chunk(samples, rejects, cores, number, laboratory)


def _samples(message: _Reader, job: ReadJob) -> SampleBlock:
    addresses = message.texts(NAME, most=_NAMES)
    _known(addresses, job)
    index = message.numbers("<i4", most=SAMPLES)
    count = index.size
    return SampleBlock(
        addresses=tuple(addresses),
        address_index=_within(index, 0, len(addresses) - 1),
        time_us=message.numbers("<i8", exactly=count),
        value=message.numbers("<f8", exactly=count),
        quality=_within(message.numbers("<i2", exactly=count), min(SourceQuality), max(SourceQuality)),
        reason=_within(message.numbers("<i2", exactly=count), min(SourceReason), max(SourceReason)),
    )


def _cores(message: _Reader) -> tuple[HandCore, ...]:
    line = _within(message.numbers("<i8", most=CORES), 0, 1 << 62)
    count = line.size
    replicate = _within(message.numbers("<i8", exactly=count), 1, 9_999)
    time = message.numbers("<i8", exactly=count)
    thickness = message.numbers("<f8", exactly=count)
    optional = [message.numbers("<f8", exactly=count) for _ in _OPTIONAL]
    if not np.isfinite(thickness).all() or any(np.isinf(values).any() for values in optional):
        raise ValueError("a core has no thickness")
    tank, unit, taken_by, distance_unit = (message.texts(SHOWN, exactly=count) for _ in range(4))
    note = message.texts(NOTE, exactly=count)
    words_of = _within(message.numbers("<i8", exactly=count), 0, _SURFACE_WORDS)
    words = message.texts(_SURFACE_WORD, exactly=int(words_of.sum()))
    end = np.cumsum(words_of).tolist()
    begin = [0, *end[:-1]]
    distance, arm, fluff = ([None if math.isnan(v) else v for v in values.tolist()] for values in optional)
    return tuple(
        HandCore(
            tank=tank[i],
            time=_moment(int(time[i])),
            thickness=float(thickness[i]),
            unit=unit[i],
            distance_from_wall=distance[i],
            distance_unit=distance_unit[i] or None,
            arm_position=arm[i],
            replicate=int(replicate[i]),
            fluff=fluff[i],
            surface=tuple(words[begin[i] : end[i]]),
            taken_by=taken_by[i],
            note=note[i],
            line=int(line[i]),
        )
        for i in range(count)
    )


def _laboratory(message: _Reader) -> tuple[LaboratoryValue, ...]:
    line = _within(message.numbers("<i8", most=CORES), 0, 1 << 62)
    count = line.size
    time = message.numbers("<i8", exactly=count)
    value, dilution = (message.numbers("<f8", exactly=count) for _ in range(2))
    if not (np.isfinite(value).all() and np.isfinite(dilution).all()):
        raise ValueError("a laboratory value has no number")
    minute = _within(message.numbers("<i8", exactly=count), -1, 999)
    stirred = _within(message.numbers("<i8", exactly=count), 0, 1)
    kind, unit, tank, taken_by = (message.texts(SHOWN, exactly=count) for _ in range(4))
    note = message.texts(NOTE, exactly=count)
    return tuple(
        LaboratoryValue(
            kind=kind[i],
            time=_moment(int(time[i])),
            value=float(value[i]),
            unit=unit[i],
            tank=tank[i],
            minute=None if minute[i] < 0 else int(minute[i]),
            dilution=float(dilution[i]),
            stirred=bool(stirred[i]),
            taken_by=taken_by[i],
            note=note[i],
            line=int(line[i]),
        )
        for i in range(count)
    )


def _known(addresses: Sequence[str], job: ReadJob) -> None:
    if job.format.tags and not job.format.tags.issuperset(addresses):
        raise ValueError("it names a signal that is none of this source's")


def _moment(microseconds: int) -> datetime:
    try:
        return EPOCH + timedelta(microseconds=microseconds)
    except OverflowError:
        raise ValueError("a time is beyond the calendar") from None


def _within(values: NDArray[Any], low: int, high: int) -> NDArray[Any]:
    if values.size and not (int(values.min()) >= low and int(values.max()) <= high):
        raise ValueError(f"a number is not between {low} and {high}")
    return values


class _Writer:
    """Writes columns, each with its count before it and padded to a multiple of eight bytes."""

    def __init__(self) -> None:
        self.pieces: list[bytes | memoryview] = []

    def numbers(self, values: Sequence[float] | NDArray[Any], kind: str) -> None:
        column = np.ascontiguousarray(values, dtype=kind)
        self.pieces += (_COUNT.pack(column.size), column.data.cast("B") if column.size else b"")
        self._align(column.nbytes)

    def texts(self, items: Sequence[str], longest: int) -> None:
        """The lengths of texts and their UTF-8; a lone surrogate becomes a question mark."""
        encoded = [item[:longest].replace("\0", " ").encode("utf-8", "replace") for item in items]
        self.numbers([len(item) for item in encoded], "<i8")
        run = b"".join(encoded)
        self.pieces.append(run)
        self._align(len(run))

    def _align(self, length: int) -> None:
        self.pieces.append(bytes(-length % 8))


class _Reader:
    """Reads and checks the columns that :class:`_Writer` wrote."""

    def __init__(self, data: bytearray) -> None:
        self._data = memoryview(data)
        self._at = 0

    def numbers(self, kind: str, *, most: int | None = None, exactly: int | None = None) -> NDArray[Any]:
        (count,) = _COUNT.unpack(self._take(_COUNT.size))
        if (exactly is not None and count != exactly) or (most is not None and count > most):
            raise ValueError("a column is longer or shorter than it may be")
        length = count * np.dtype(kind).itemsize
        column = np.frombuffer(self._take(length), dtype=kind)
        self._take(-length % 8)
        return column

    def texts(self, longest: int, *, most: int | None = None, exactly: int | None = None) -> list[str]:
        lengths = _within(self.numbers("<i8", most=most, exactly=exactly), 0, 4 * longest).tolist()
        run = bytes(self._take(sum(lengths)))
        self._take(-len(run) % 8)
        items, at = [], 0
        for length in lengths:
            item = run[at : at + length].decode("utf-8")
            if "\0" in item:
                raise ValueError("a text has a NUL")
            items.append(item)
            at += length
        return items

    def end(self) -> None:
        if self._at != len(self._data):
            raise ValueError("something is left over")

    def _take(self, length: int) -> memoryview:
        if length > len(self._data) - self._at:
            raise ValueError("it ends too early")
        self._at += length
        return self._data[self._at - length : self._at]
