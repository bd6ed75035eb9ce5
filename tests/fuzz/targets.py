"""What is fuzzed: everything that reads bytes from somebody else. Whatever comes, it answers, or refuses in its own words."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fastapi import HTTPException
from hypothesis import strategies as st
from pydantic import ValidationError

from connectors.csv_format import CsvFormat
from connectors.csv_reader import Reading
from connectors.errors import ConnectorError, Malformed
from connectors.modbus import ModbusConnector
from connectors.modbus_points import Framing, ModbusDevice, ModbusLine, ModbusPoint, Table, ValueType
from service.jobs.ingest import push as pushed
from service.jobs.ingest.plant import Plant
from service.notify.links import AlarmLinks
from service.site.check import check_bytes
from service.storage.site_tables import SiteIds
from service.web import push
from service.web.api import Note
from service.web.core_entry import CoreEntry
from service.web.signing import Signer
from tests.alarm_plant import alarm_setup
from tests.plant import SIGNALS, TANKS

CORPUS = Path(__file__).parents[1] / "data" / "fuzz"
NOW = datetime(2026, 1, 1, tzinfo=UTC)

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
        for chunk in Reading(CsvFormat(), NOW, "any.csv", block_bytes=64).chunks(_Bytes(data)):
            assert len(chunk.samples) == chunk.samples.value.size
            assert all(reject.reason and reject.line >= 1 for reject in chunk.rejects)
    check_bytes(data)


def read_http(data: bytes) -> None:
    """What is posted, and what stands in links and cookies."""
    plant = Plant(
        tanks={tank.key: tank for tank in TANKS},
        signals={signal.tag: signal for signal in SIGNALS},
        ids=SiteIds(tanks={}, signals={}),
        alarms=alarm_setup(),
    )
    for parse in (push._from_json, push._from_csv):
        with contextlib.suppress(HTTPException):
            for row in parse(data):
                with contextlib.suppress(pushed._Unfit):
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
        ModbusPoint(name="level", table=Table.HOLDING_REGISTER, address=0, type=ValueType.FLOAT32),
        ModbusPoint(name="flow", table=Table.HOLDING_REGISTER, address=4, type=ValueType.UINT16),
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
        case "http":
            yield read_http
        case "modbus":
            with modbus() as read:
                yield read
        case _:
            raise SystemExit(f"there is no target {name!r}; there are: {', '.join(TARGETS)}")


TARGETS = ("csv", "modbus", "http")


class _Bytes:
    def __init__(self, data: bytes) -> None:
        self._left = data

    def read(self, size: int = -1, /) -> bytes:
        size = len(self._left) if size < 0 else size
        taken, self._left = self._left[:size], self._left[size:]
        return taken
