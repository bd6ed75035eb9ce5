"""What is fuzzed: everything that reads bytes from somebody else. Whatever comes, it answers, or refuses in its own words."""

from __future__ import annotations

import contextlib
import io
import logging
import os
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fastapi import HTTPException
from hypothesis import strategies as st
from pydantic import ValidationError

from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.parts import FileOutcome, Limits, ReadJob
from connectors.csv.decoding.reader import FileDecoder
from connectors.csv.decoding.wire import decode, encode, split
from connectors.csv.drop import CsvDrop, CsvDropConfig
from connectors.csv.file import read_file
from connectors.errors import ConnectorError, Malformed
from connectors.modbus.connector import ModbusConnector
from connectors.modbus.points import Framing, ModbusDevice, ModbusLine, ModbusPoint, RegisterTable, ValueType
from service.domain.blanket.estimate import TankSetup
from service.errors import InputError
from service.jobs.ingest import push as pushed
from service.jobs.plant.plant import Plant
from service.notify.messages.links import AlarmLinks
from service.photo import SIDE, _decode
from service.site.site import check_bytes
from service.storage.plant.site_tables import SiteIds
from service.web.api import push
from service.web.api.routes import Note
from service.web.base.signing import Signer
from service.web.cores.entry import CoreEntry
from tests.support.alarm_plant import alarm_setup
from tests.support.inline_reader import InlineReader
from tests.support.plant import SIGNALS, TANKS

CORPUS = Path(__file__).parents[1] / "data" / "fuzz"
NOW = datetime(2026, 1, 1, tzinfo=UTC)
FORM = CsvFormat(tags=frozenset({"A"}), tanks=frozenset({"east"}))

#: Takes some bytes; raises only where there is a defect.
Target = Callable[[bytes], None]


def corpus(name: str) -> list[bytes]:
    """The inputs to begin from."""
    return [path.read_bytes() for path in sorted((CORPUS / name).iterdir())]


@st.composite
def mutated(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """One of the inputs, with some of it changed, taken out, put in, or said again."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(data)))
        end = min(len(data), at + draw(st.integers(0, 16)))
        match draw(st.sampled_from(["change", "cut", "put", "again", "bit"])):
            case "change":
                data[at:end] = draw(st.binary(max_size=16))
            case "cut":
                del data[at:end]
            case "put":
                data[at:at] = draw(st.binary(max_size=16))
            case "again":
                data[at:at] = data[at:end] * draw(st.integers(1, 20))
            case "bit" if at < len(data):
                data[at] ^= 1 << draw(st.integers(0, 7))
    return bytes(data)


def read_csv(data: bytes) -> None:
    """A dropped file, and a site file."""
    with contextlib.suppress(Malformed):
        for chunk in FileDecoder(CsvFormat(), NOW, "any.csv", block_bytes=64).chunks(_Bytes(data)):
            assert len(chunk.samples) == chunk.samples.value.size
            assert all(reject.reason and reject.line >= 1 for reject in chunk.rejects)
    check_bytes(data)


def read_archive(data: bytes) -> None:
    """A dropped gzip or zip, as the process that decodes files meets it, and what it would answer."""
    job = ReadJob("drop", "any.zip", len(data), FORM, NOW, limits=Limits(max_bytes=1 << 20), block_bytes=256)
    last = None
    for item in read_file(io.BytesIO(data), job):
        for piece in split(item):
            last = decode(bytearray(b"".join(bytes(part) for part in encode(piece))), job)
    assert isinstance(last, FileOutcome)


def read_names(data: bytes) -> None:
    """The name of a dropped file, which may be any bytes but NUL and slash; its file goes its way and nothing else is touched."""
    name = data.replace(b"\0", b"").replace(b"/", b"")[:255]
    if name in (b"", b".", b".."):
        return
    with tempfile.TemporaryDirectory() as made:
        folder, outside = Path(made) / "drop", Path(made) / "outside"
        folder.mkdir()
        outside.write_text("untouched")
        Path(os.fsdecode(os.path.join(os.fsencode(folder), name))).write_text(
            "time,tag,value\n2025-03-01T00:00:00Z,A,x\n"
        )
        seconds = iter(range(0, 10_000, 6))  # longer than a file settles, shorter than a poll
        config = CsvDropConfig(key="drop", folder=folder, format=FORM, patterns=("*",))
        drop = CsvDrop(config, reader=InlineReader(), now=lambda: NOW, clock=lambda: float(next(seconds)))
        for _ in range(2):
            for delivery in drop.poll({}):
                assert delivery.origin.isprintable() or delivery.origin.encode("utf-8")
                drop.committed(delivery)
        assert outside.read_text() == "untouched"
        assert sorted(path.name for path in Path(made).iterdir()) == ["drop", "outside"]


def read_answer(data: bytes) -> None:
    """What the process that decodes files answers, should it be somebody else's."""
    with contextlib.suppress(ValueError):
        decode(bytearray(data), ReadJob("drop", "any.csv", len(data), FORM, NOW))


def read_image(data: bytes) -> None:
    """A photo, unfolded as in its own process."""
    with contextlib.suppress(InputError):
        kept = _decode(data)
        assert kept.jpeg.startswith(b"\xff\xd8\xff")
        assert max(kept.width, kept.height) <= SIDE


def read_http(data: bytes) -> None:
    """What is posted, and what stands in links and cookies."""
    plant = Plant(
        setups=[TankSetup(tank=tank, blankets=()) for tank in TANKS],
        signals={signal.tag: signal for signal in SIGNALS},
        ids=SiteIds(tanks={}, signals={}),
        alarms=alarm_setup(),
    )
    for parse in (push._from_json, push._from_csv):
        with contextlib.suppress(HTTPException):
            for row in parse(data):
                with contextlib.suppress(pushed._InvalidRow):
                    pushed._sample(row, plant, NOW)
    for form in (CoreEntry, Note):
        with contextlib.suppress(ValidationError):
            form.model_validate_json(data)
    text = data.decode("latin-1")
    assert AlarmLinks(b"s" * 32, None).read(text, NOW) is None
    assert Signer(b"s" * 32).value(text) is None
    assert not Signer(b"s" * 32).form_token_right("visit", text)


@contextmanager
def modbus() -> Iterator[Target]:
    """A device that answers whatever it is told to; the connector reads it and says good, bad, or why not."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # as the service has it
    answer = b""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            with contextlib.suppress(OSError), line:
                asked = line.recv(300)
                # The first two bytes tie an answer to its question: without them nothing of the rest would be looked at.
                line.sendall(asked[:2] + answer[2:])

    threading.Thread(target=serve, daemon=True).start()
    points = (
        ModbusPoint(name="level", table=RegisterTable.HOLDING_REGISTER, address=0, type=ValueType.FLOAT32),
        ModbusPoint(name="flow", table=RegisterTable.HOLDING_REGISTER, address=4, type=ValueType.UINT16),
    )
    port = listener.getsockname()[1]

    def read(data: bytes) -> None:
        nonlocal answer
        answer = data
        device = ModbusDevice(name="panel", unit=1, points=points)
        settings = ModbusLine(
            key="plc", host="127.0.0.1", port=port, framing=Framing.TCP, timeout=0.05, retries=0, devices=(device,)
        )
        connector = ModbusConnector(settings, lambda: NOW)
        try:
            for delivery in connector.poll({}):
                assert len(delivery.samples.value) == len(delivery.samples.quality)
        except ConnectorError:
            pass
        finally:
            connector.close()

    try:
        yield read
    finally:
        listener.close()


@contextmanager
def target(name: str) -> Iterator[Target]:
    """The target of that name."""
    match name:
        case "csv":
            yield read_csv
        case "archive":
            yield read_archive
        case "names":
            yield read_names
        case "answer":
            yield read_answer
        case "image":
            yield read_image
        case "http":
            yield read_http
        case "modbus":
            with modbus() as read:
                yield read
        case _:
            raise SystemExit(f"there is no target {name!r}; there are: {', '.join(TARGETS)}")


TARGETS = ("csv", "archive", "names", "answer", "image", "modbus", "http")


class _Bytes:
    def __init__(self, data: bytes) -> None:
        self._left = data

    def read(self, size: int = -1, /) -> bytes:
        size = len(self._left) if size < 0 else size
        taken, self._left = self._left[:size], self._left[size:]
        return taken
