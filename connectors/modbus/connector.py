"""Modbus TCP and RTU over TCP: one connector per line, reading every point of every unit on it at each poll.

A unit that does not answer does not affect the others: its points are bad (no communication), and it is polled with exponential
backoff. A request that a device refuses because of one address is split until only that address is missing. When no unit answers
at all, the poll raises, and the service backs off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from connectors.base import Delivery, ProbeRow, Sample, SourceHealth, SourceQuality, SourceReason, block_of
from connectors.errors import ConnectorError, Refused, Unreachable
from connectors.modbus.connection import ExceptionCode, ReadOnlyLine
from connectors.modbus.points import ModbusDevice, ModbusLine, ModbusPoint, StatusBit
from connectors.modbus.registers import ReadRequest, RegisterRange, decode, likely_order, plan_requests, ranges_of
from connectors.scaling import Scaled

#: A unit that does not answer is skipped for 1, 2, 4, … polls, at most for this many.
_MAX_SKIPPED_POLLS = 32


#: The value of a point whose unit does not answer.
_UNREAD = Scaled(math.nan, SourceQuality.BAD, SourceReason.NO_COMMUNICATION)


@dataclass(frozen=True, slots=True)
class _Answer:
    """The registers or bits of one range and when they were read, or why not."""

    at: datetime
    values: tuple[int, ...] = ()
    failure_reason: SourceReason = SourceReason.NONE


@dataclass(slots=True)
class _Unit:
    """A device and the state of polling it."""

    device: ModbusDevice
    requests: list[ReadRequest]
    failures: int = 0
    skip_polls: int = 0
    problems: list[str] = field(default_factory=list)


class ModbusConnector:
    """Reads one Modbus line. ``clock`` gives our time: Modbus has none, so a sample has the time of its response."""

    def __init__(self, line: ModbusLine, clock: Callable[[], datetime]) -> None:
        self.key = line.key
        self._line = line
        self._clock = clock
        self._connection = ReadOnlyLine(line)
        self._units = [
            _Unit(d, plan_requests(ranges_of(d), gap=d.gap, max_registers=d.max_registers))
            for d in line.devices
            if d.points
        ]
        self._problem = ""

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """One delivery per unit that is due; *state* is unused, as a register has no history."""
        answered = False
        failure: ConnectorError | None = None
        for unit in self._units:
            if unit.skip_polls > 0:
                unit.skip_polls -= 1
                continue
            try:
                answers = self._read_unit(unit)
            except ConnectorError as exc:
                failure = exc
                unit.failures += 1
                unit.problems = [str(exc)]
                if len(self._units) == 1 or not self._can_connect():
                    self._problem = str(exc)
                    raise
                unit.skip_polls = min(2 ** (unit.failures - 1), _MAX_SKIPPED_POLLS)
                yield self._delivery(unit.device, self._no_communication(unit.device))
            else:
                answered = True
                unit.failures = 0
                yield self._delivery(unit.device, [_sample(p, answers) for p in unit.device.points])
        if failure is not None and not answered and all(u.failures for u in self._units):
            self._problem = str(failure)
            raise Unreachable(self.key, f"none of {len(self._units)} units answers; the last said: {failure.problem}")
        self._problem = ""

    def committed(self, delivery: Delivery) -> None:
        """Do nothing: a register has no place to commit."""

    def rest(self) -> None:
        """Close the connection until the next poll."""
        self._connection.close()

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def health(self) -> SourceHealth:
        """Connection, units that do not answer and refused addresses."""
        problems = [p for u in self._units for p in u.problems]
        if self._problem and self._problem not in problems:
            problems.insert(0, self._problem)
        return SourceHealth(connected=self._connection.connected, problems=tuple(problems))

    def probe(self) -> tuple[ProbeRow, ...]:
        """Read every point once, with its raw registers and a suggestion where the byte order looks wrong."""
        rows: list[ProbeRow] = []
        failures: list[ConnectorError] = []
        for unit in self._units:
            place = f"{self._line.host}:{self._line.port} unit {unit.device.unit}"
            try:
                answers = self._read_unit(unit)
            except ConnectorError as exc:
                failures.append(exc)
                rows.extend(_probe_row(point, place, _UNREAD, str(exc)) for point in unit.device.points)
            else:
                remarks = " ".join(unit.problems)
                rows.extend(_row(point, place, answers, remarks) for point in unit.device.points)
        if failures and len(failures) == len(self._units):
            raise failures[-1]
        return tuple(rows)

    def _can_connect(self) -> bool:
        try:
            self._connection.connect()
        except Unreachable:
            return False
        return True

    def _read_unit(self, unit: _Unit) -> dict[RegisterRange, _Answer]:
        ranges = ranges_of(unit.device)
        answers: dict[RegisterRange, _Answer] = {}
        problems: list[str] = []
        queue = list(unit.requests)
        answered_requests: list[ReadRequest] = []
        failure: ConnectorError | None = None
        while queue:
            request = queue.pop(0)
            covered = [n for n in ranges if request.covers(n) and n not in answers]
            try:
                values = self._connection.read(unit.device.unit, request)
            except Refused as exc:
                parts = _split(request, covered) if exc.code in _ADDRESS_CODES else []
                if parts:
                    queue = parts + queue
                    continue
                problems.append(str(exc))
                answers.update(dict.fromkeys(covered, _Answer(self._clock(), failure_reason=_reason(exc.code))))
            except ConnectorError as exc:
                # Some devices do not answer instead of refusing an address: one timeout is accepted, a second means that
                # the unit is gone, and each further request would cost a timeout.
                if failure is not None or not (queue or answers):
                    raise
                failure = exc
                problems.append(str(exc))
                answers.update(
                    dict.fromkeys(covered, _Answer(self._clock(), failure_reason=SourceReason.NO_COMMUNICATION))
                )
            else:
                now = self._clock()
                for registers in covered:
                    start = registers[1] - request.address
                    answers[registers] = _Answer(now, tuple(values[start : start + registers[2]]))
            answered_requests.append(request)
        unit.requests = answered_requests
        unit.problems = problems
        return answers

    def _no_communication(self, device: ModbusDevice) -> list[Sample]:
        now = self._clock()
        return [Sample(point.name, now, *_UNREAD) for point in device.points]

    def _delivery(self, device: ModbusDevice, samples: list[Sample]) -> Delivery:
        return Delivery(origin=f"{self.key}/{device.name}", samples=block_of(samples))


_ADDRESS_CODES = (ExceptionCode.ILLEGAL_DATA_ADDRESS, ExceptionCode.ILLEGAL_DATA_VALUE)


def _split(request: ReadRequest, covered: list[RegisterRange]) -> list[ReadRequest]:
    """Smaller requests for the same ranges: first without gaps, then one by one; empty when there is nothing smaller."""
    tight = plan_requests(covered, gap=0)
    if len(tight) > 1 or (tight and tight[0] != request):
        return tight
    single = [ReadRequest(*registers) for registers in covered]
    return single if len(single) > 1 else []


def _reason(code: int) -> SourceReason:
    match code:
        case ExceptionCode.GATEWAY_PATH_UNAVAILABLE | ExceptionCode.GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND:
            return SourceReason.NO_COMMUNICATION
        case ExceptionCode.SERVER_DEVICE_FAILURE | ExceptionCode.MEMORY_PARITY_ERROR:
            return SourceReason.INSTRUMENT_FAULT
        case _:
            return SourceReason.SOURCE_BAD


def _scaled(point: ModbusPoint, answers: Mapping[RegisterRange, _Answer]) -> Scaled:
    answer = answers[_range_of(point)]
    if answer.failure_reason is not SourceReason.NONE:
        return Scaled(math.nan, SourceQuality.BAD, answer.failure_reason)
    scaled = point.scaling.apply(decode(answer.values, point.type, point.order))
    if point.fault is None or scaled.quality is SourceQuality.BAD:
        return scaled
    flag = answers[(point.fault.table, point.fault.address, 1)]
    if flag.failure_reason is not SourceReason.NONE:
        # The value was read, but not whether the instrument is faulty.
        return Scaled(scaled.value, SourceQuality.UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)
    if _flag_is_set(point.fault, flag.values[0]):
        return Scaled(scaled.value, SourceQuality.BAD, SourceReason.INSTRUMENT_FAULT)
    return scaled


def _flag_is_set(flag: StatusBit, raw: int) -> bool:
    return bool(raw >> flag.bit & 1) == flag.fault_when


def _range_of(point: ModbusPoint) -> RegisterRange:
    return point.table, point.address, point.type.registers


def _sample(point: ModbusPoint, answers: Mapping[RegisterRange, _Answer]) -> Sample:
    return Sample(point.name, answers[_range_of(point)].at, *_scaled(point, answers))


def _row(point: ModbusPoint, place: str, answers: Mapping[RegisterRange, _Answer], problems: str) -> ProbeRow:
    answer = answers[_range_of(point)]
    scaled = _scaled(point, answers)
    remark = problems if answer.failure_reason is not SourceReason.NONE else ""
    if answer.values:
        order = likely_order(point, answer.values)
        if order is not None:
            would_be = point.scaling.apply(decode(answer.values, point.type, order)).value
            remark = f"{scaled.value:.6g} is absurd; with byte order {order} it would read {would_be:.6g}."
    raw = " ".join(str(v) if point.table.is_bits else f"{v:04X}" for v in answer.values)
    return _probe_row(point, place, scaled, remark, raw)


def _probe_row(point: ModbusPoint, place: str, scaled: Scaled, remark: str, raw: str = "") -> ProbeRow:
    return ProbeRow(
        address=point.name,
        place=f"{place} {point.table} {point.address}",
        raw=raw,
        value=scaled.value,
        quality=scaled.quality,
        reason=scaled.reason,
        remark=remark,
    )
