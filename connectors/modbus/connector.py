"""Modbus TCP and RTU-over-TCP: one connector per line, reading every point of every unit on it at each poll.

A unit that stays silent does not take the others down: its points are reported bad (no communication), and it is asked
again at growing distance. A request that the device refuses because of one address is taken apart until only that
address is missing. When no unit answers at all, the poll raises, and the service backs off.
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
from connectors.modbus.registers import better_order, decode
from connectors.modbus.requests import Need, ReadRequest, needs_of, plan
from connectors.scaling import Scaled

#: A silent unit sits out 1, 2, 4, … polls, never more than this many.
_LONGEST_PAUSE = 32


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one need brought: its registers or bits and when, or why not."""

    at: datetime
    values: tuple[int, ...] = ()
    refusal: SourceReason = SourceReason.NONE


@dataclass(slots=True)
class _Unit:
    """A device with what polling has taught about it."""

    device: ModbusDevice
    requests: list[ReadRequest]
    silences: int = 0
    pause: int = 0
    problems: list[str] = field(default_factory=list)


class ModbusConnector:
    """Reads one Modbus line. ``clock`` gives our time: Modbus carries none, so a sample bears the time of its answer."""

    def __init__(self, line: ModbusLine, clock: Callable[[], datetime]) -> None:
        self.key = line.key
        self._line = line
        self._clock = clock
        self._wire = ReadOnlyLine(line)
        self._units = [
            _Unit(d, plan(needs_of(d), gap=d.gap, max_registers=d.max_registers)) for d in line.devices if d.points
        ]
        self._problem = ""

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """One delivery per unit that is due; *state* is unused, for a register has no past to catch up on."""
        heard = False
        failure: ConnectorError | None = None
        for unit in self._units:
            if unit.pause > 0:
                unit.pause -= 1
                continue
            try:
                answers = self._ask(unit)
            except ConnectorError as exc:
                failure = exc
                unit.silences += 1
                unit.problems = [str(exc)]
                if len(self._units) == 1 or not self._wire_opens():
                    self._problem = str(exc)
                    raise
                unit.pause = min(2 ** (unit.silences - 1), _LONGEST_PAUSE)
                yield self._delivery(unit.device, self._silent(unit.device))
            else:
                heard = True
                unit.silences = 0
                yield self._delivery(unit.device, [_sample(p, answers) for p in unit.device.points])
        if failure is not None and not heard and all(u.silences for u in self._units):
            self._problem = str(failure)
            raise Unreachable(self.key, f"none of {len(self._units)} units answers; the last said: {failure.problem}")
        self._problem = ""

    def committed(self, delivery: Delivery) -> None:
        """Nothing to trim: what was read is gone from the wire already."""

    def rest(self) -> None:
        """Close the connection until the next poll."""
        self._wire.close()

    def close(self) -> None:
        """Close the connection."""
        self._wire.close()

    def health(self) -> SourceHealth:
        """Connection, silent units and refused addresses."""
        problems = [p for u in self._units for p in u.problems]
        if self._problem and self._problem not in problems:
            problems.insert(0, self._problem)
        return SourceHealth(connected=self._wire.connected, problems=tuple(problems))

    def probe(self) -> tuple[ProbeRow, ...]:
        """Every point once, with its raw registers and a suggestion where the byte order looks wrong."""
        rows: list[ProbeRow] = []
        failures: list[ConnectorError] = []
        for unit in self._units:
            place = f"{self._line.host}:{self._line.port} unit {unit.device.unit}"
            try:
                answers = self._ask(unit)
            except ConnectorError as exc:
                failures.append(exc)
                rows.extend(_silent_row(point, place, str(exc)) for point in unit.device.points)
            else:
                remarks = " ".join(unit.problems)
                rows.extend(_row(point, place, answers, remarks) for point in unit.device.points)
        if failures and len(failures) == len(self._units):
            raise failures[-1]
        return tuple(rows)

    def _wire_opens(self) -> bool:
        try:
            self._wire.connect()
        except Unreachable:
            return False
        return True

    def _ask(self, unit: _Unit) -> dict[Need, _Answer]:
        needs = needs_of(unit.device)
        answers: dict[Need, _Answer] = {}
        problems: list[str] = []
        waiting = list(unit.requests)
        kept: list[ReadRequest] = []
        failure: ConnectorError | None = None
        while waiting:
            request = waiting.pop(0)
            covered = [n for n in needs if request.covers(n) and n not in answers]
            try:
                values = self._wire.read(unit.device.unit, request)
            except Refused as exc:
                parts = _apart(request, covered) if exc.code in _ADDRESS_CODES else []
                if parts:
                    waiting = parts + waiting
                    continue
                problems.append(str(exc))
                answers.update(dict.fromkeys(covered, _Answer(self._clock(), refusal=_reason(exc.code))))
            except ConnectorError as exc:
                # Some devices keep silent about an address instead of refusing it: one silence is forgiven, a second
                # means that the unit is gone, and asking on would cost a timeout for each request.
                if failure is not None or not (waiting or answers):
                    raise
                failure = exc
                problems.append(str(exc))
                answers.update(dict.fromkeys(covered, _Answer(self._clock(), refusal=SourceReason.NO_COMMUNICATION)))
            else:
                now = self._clock()
                for need in covered:
                    start = need[1] - request.address
                    answers[need] = _Answer(now, tuple(values[start : start + need[2]]))
            kept.append(request)
        unit.requests = kept
        unit.problems = problems
        return answers

    def _silent(self, device: ModbusDevice) -> list[Sample]:
        now = self._clock()
        return [Sample(p.name, now, math.nan, SourceQuality.BAD, SourceReason.NO_COMMUNICATION) for p in device.points]

    def _delivery(self, device: ModbusDevice, samples: list[Sample]) -> Delivery:
        return Delivery(origin=f"{self.key}/{device.name}", samples=block_of(samples))


_ADDRESS_CODES = (ExceptionCode.ILLEGAL_DATA_ADDRESS, ExceptionCode.ILLEGAL_DATA_VALUE)


def _apart(request: ReadRequest, covered: list[Need]) -> list[ReadRequest]:
    """Smaller requests for the same needs: first without gaps, then one by one; empty when there is nothing smaller."""
    tight = plan(covered, gap=0)
    if len(tight) > 1 or (tight and tight[0] != request):
        return tight
    single = [ReadRequest(*need) for need in covered]
    return single if len(single) > 1 else []


def _reason(code: int) -> SourceReason:
    match code:
        case ExceptionCode.GATEWAY_PATH_UNAVAILABLE | ExceptionCode.GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND:
            return SourceReason.NO_COMMUNICATION
        case ExceptionCode.SERVER_DEVICE_FAILURE | ExceptionCode.MEMORY_PARITY_ERROR:
            return SourceReason.INSTRUMENT_FAULT
        case _:
            return SourceReason.SOURCE_BAD


def _scaled(point: ModbusPoint, answers: Mapping[Need, _Answer]) -> Scaled:
    answer = answers[_need(point)]
    if answer.refusal is not SourceReason.NONE:
        return Scaled(math.nan, SourceQuality.BAD, answer.refusal)
    scaled = point.scaling.apply(decode(answer.values, point.type, point.order))
    if point.fault is None or scaled.quality is SourceQuality.BAD:
        return scaled
    flag = answers[(point.fault.table, point.fault.address, 1)]
    if flag.refusal is not SourceReason.NONE:
        # The value came, but nothing says whether the instrument stands by it.
        return Scaled(scaled.value, SourceQuality.UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)
    if _flag_is_set(point.fault, flag.values[0]):
        return Scaled(scaled.value, SourceQuality.BAD, SourceReason.INSTRUMENT_FAULT)
    return scaled


def _flag_is_set(flag: StatusBit, raw: int) -> bool:
    return bool(raw >> flag.bit & 1) == flag.fault_when


def _need(point: ModbusPoint) -> Need:
    return point.table, point.address, point.type.registers


def _sample(point: ModbusPoint, answers: Mapping[Need, _Answer]) -> Sample:
    return Sample(point.name, answers[_need(point)].at, *_scaled(point, answers))


def _row(point: ModbusPoint, place: str, answers: Mapping[Need, _Answer], problems: str) -> ProbeRow:
    answer = answers[_need(point)]
    value, quality, reason = _scaled(point, answers)
    remark = problems if answer.refusal is not SourceReason.NONE else ""
    if answer.values:
        order = better_order(point, answer.values)
        if order is not None:
            would_be = point.scaling.apply(decode(answer.values, point.type, order)).value
            remark = f"{value:.6g} is absurd; with byte order {order} it would read {would_be:.6g}."
    return ProbeRow(
        address=point.name,
        place=f"{place} {point.table} {point.address}",
        raw=" ".join(str(v) if point.table.is_bits else f"{v:04X}" for v in answer.values),
        value=value,
        quality=quality,
        reason=reason,
        remark=remark,
    )


def _silent_row(point: ModbusPoint, place: str, remark: str) -> ProbeRow:
    return ProbeRow(
        address=point.name,
        place=f"{place} {point.table} {point.address}",
        raw="",
        value=math.nan,
        quality=SourceQuality.BAD,
        reason=SourceReason.NO_COMMUNICATION,
        remark=remark,
    )
