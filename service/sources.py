"""From the site file's ``[[connector]]`` sections to connectors that can be polled."""

from __future__ import annotations

import platform
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from connectors.base import Connector, ProbeRow, SourceReason
from connectors.csv_cell import QualityCode
from connectors.csv_drop import CsvDrop, CsvDropConfig, CsvFiles
from connectors.csv_format import CsvFormat, Layout
from connectors.errors import ConnectorError
from connectors.modbus import ModbusConnector
from connectors.modbus_points import (
    ByteOrder,
    Framing,
    ModbusDevice,
    ModbusLine,
    ModbusPoint,
    StatusBit,
    Table,
    ValueType,
)
from connectors.opcua import OpcuaConnector
from connectors.opcua_items import OpcuaItem, OpcuaSource, Watch
from connectors.opcua_security import Identity, Mode, Policy, Security, make_certificate
from connectors.scaling import CurrentLoop, Linear, Scaling, Span
from service.errors import ConfigError
from service.jobs.ingest.forward import ForwardingSource
from service.site.csv_drop import CsvSection
from service.site.modbus import ModbusPointSection, ModbusSection
from service.site.opcua import OpcuaSection
from service.site.site import Site
from service.site.source import SourceSection
from service.storage import ledger
from service.storage.session import transaction
from service.storage.spool import Spool

#: What the roles of a cores sheet are called by the reader.
_CORE_ROLES = {"distance_from_wall": "distance", "arm_position": "arm", "taken_by": "by"}


#: What one live source may hold on disk while the database is away; at 10 values a second that is about two months.
SPOOL_BYTES = 256 << 20


def sources_of(
    site: Site,
    engine: Engine,
    clock: Callable[[], datetime],
    *,
    spools: Path | None = None,
    without: Collection[str] = (),
) -> list[Connector]:
    """Every source of the site, ready to be polled.

    Parameters
    ----------
    spools : the folder in which live sources keep what cannot be stored; None leaves them without.
    without : keys of sources to leave out.
    """
    return [
        _forwarding(section, site, clock, spools)
        if spools is not None and isinstance(section, ModbusSection | OpcuaSection)
        else _source(section, site, engine, clock)
        for section in site.connectors()
        if section.key not in without
    ]


def held_sources_of(site: Site, clock: Callable[[], datetime], spools: Path) -> list[ForwardingSource]:
    """The live sources of the site, to be held only: there is no database that knows how far they were read."""
    return [
        _forwarding(section, site, clock, spools, place_known=False)
        for section in site.connectors()
        if isinstance(section, ModbusSection | OpcuaSection)
    ]


def files_source(
    site: Site, key: str, paths: Sequence[Path], engine: Engine, clock: Callable[[], datetime], *, move: bool
) -> Connector:
    """The named files, read as that connector of the site would read them.

    Raises
    ------
    ConfigError
        when the site has no such connector, or it reads no files.
    """
    section = next((s for s in site.connectors() if s.key == key), None)
    if not isinstance(section, CsvSection):
        known = ", ".join(s.key for s in site.connectors() if isinstance(s, CsvSection))
        raise ConfigError(f"no connector {key!r} that reads files; there are: {known or 'none'}")
    return CsvFiles(
        _drop(section, site), paths, now=clock, already_taken=_already_taken(engine, section.key), move=move
    )


@dataclass(frozen=True, slots=True)
class Point:
    """One configured point of a live source, read once. ``age`` is our time minus the source's [s]."""

    address: str
    place: str
    raw: str
    value: float
    quality: str
    reason: str
    age: float | None
    remark: str


@dataclass(frozen=True, slots=True)
class ProbedSource:
    """A live source as it answered, or why it did not."""

    key: str
    points: tuple[Point, ...] = ()
    problem: str = ""


def probe_points(site: Site, key: str | None, clock: Callable[[], datetime]) -> list[ProbedSource]:
    """Read every configured point of the live sources (or of the one named) once, without storing anything."""
    answered: list[ProbedSource] = []
    for section in site.connectors():
        if not isinstance(section, ModbusSection | OpcuaSection) or key not in (None, section.key):
            continue
        source = _live(section, site, clock)
        try:
            rows = source.probe()
        except ConnectorError as exc:
            answered.append(ProbedSource(section.key, problem=str(exc)))
        else:
            answered.append(ProbedSource(section.key, tuple(_probed(row) for row in rows)))
        finally:
            source.close()
    return answered


def client_certificate(folder: Path, now: datetime) -> tuple[Path, Path, str]:
    """Make the service's own OPC UA certificate and key in a folder; returns both paths and the thumbprint.

    Raises
    ------
    FileExistsError
        when there is one already.
    """
    certificate, key = folder / "client.der", folder / "client.pem"
    return (
        certificate,
        key,
        make_certificate(certificate, key, application_uri=f"urn:{platform.node() or 'localhost'}:underweir", now=now),
    )


def _probed(row: ProbeRow) -> Point:
    reason = "" if row.reason is SourceReason.NONE else row.reason.name.lower().replace("_", " ")
    return Point(row.address, row.place, row.raw, row.value, row.quality.name.lower(), reason, row.age, row.remark)


def _source(section: SourceSection, site: Site, engine: Engine, clock: Callable[[], datetime]) -> Connector:
    if isinstance(section, CsvSection):
        return CsvDrop(_drop(section, site), now=clock, already_taken=_already_taken(engine, section.key))
    if isinstance(section, ModbusSection | OpcuaSection):
        return _live(section, site, clock)
    raise ConfigError(f"connector {section.key!r}: kind {section.kind!r} is not known to this version")


def _forwarding(
    section: ModbusSection | OpcuaSection,
    site: Site,
    clock: Callable[[], datetime],
    spools: Path,
    *,
    place_known: bool = True,
) -> ForwardingSource:
    source = _live(section, site, clock)
    spool = Spool(spools / section.key, max_bytes=SPOOL_BYTES)
    return ForwardingSource(source, spool, section.every, clock, place_known=place_known)


def _live(
    section: ModbusSection | OpcuaSection, site: Site, clock: Callable[[], datetime]
) -> ModbusConnector | OpcuaConnector:
    try:
        if isinstance(section, ModbusSection):
            return ModbusConnector(_line(section), clock)
        return OpcuaConnector(_server(section, site), clock)
    except ValueError as exc:
        raise ConfigError(f"connector {section.key!r}: {exc}") from exc


def _line(section: ModbusSection) -> ModbusLine:
    return ModbusLine(
        key=section.key,
        host=section.host,
        port=section.port,
        framing=Framing(section.framing),
        timeout=section.timeout.total_seconds(),
        retries=section.retries,
        devices=tuple(
            ModbusDevice(
                name=device.name or f"unit {device.unit}",
                unit=device.unit,
                gap=device.gap,
                max_registers=device.max_registers,
                points=tuple(_point(point) for point in device.point),
            )
            for device in section.device
        ),
    )


def _point(point: ModbusPointSection) -> ModbusPoint:
    fault = point.fault
    return ModbusPoint(
        name=point.name,
        table=Table(point.table),
        address=point.address,
        type=ValueType(point.type or ("bit" if point.is_bit else "uint16")),
        order=ByteOrder(point.order),
        scaling=_scaling(point),
        fault=None if fault is None else StatusBit(Table(fault.table), fault.address, fault.bit, fault.when),
        low=point.expect_low,
        high=point.expect_high,
    )


def _scaling(point: ModbusPointSection) -> Scaling:
    if point.value_low is not None and point.value_high is not None:
        if point.loop:
            raw_4ma = 4.0 if point.raw_low is None else point.raw_low
            raw_20ma = 20.0 if point.raw_high is None else point.raw_high
            return CurrentLoop(point.value_low, point.value_high, raw_4ma, raw_20ma)
        if point.raw_low is not None and point.raw_high is not None:
            return Span(point.raw_low, point.raw_high, point.value_low, point.value_high)
    return Linear(1.0 if point.scale is None else point.scale, point.offset or 0.0)


def _server(section: OpcuaSection, site: Site) -> OpcuaSource:
    named = {item.name: item for item in section.item}
    items = [
        OpcuaItem(
            name=item.name,
            node=item.node,
            scaling=Linear(item.scale, item.offset),
            deadband=item.deadband,
            low=item.expect_low,
            high=item.expect_high,
        )
        for item in section.item
    ]
    # A signal may simply say the node id as its address.
    items += [OpcuaItem(name=address, node=address) for address in site.addresses(section.key) if address not in named]
    return OpcuaSource(
        key=section.key,
        endpoint=section.endpoint,
        items=tuple(items),
        security=_security(section, site),
        identity=_identity(section, site),
        allow_plain_password=section.allow_plain_password,
        watch=Watch(section.watch),
        sampling_interval=section.sampling.total_seconds(),
        publishing_interval=section.publishing.total_seconds(),
        queue_size=section.queue_size,
        deadband=section.deadband,
        refresh=section.refresh.total_seconds(),
        trust_silence=section.trust_silence,
        timeout=section.timeout.total_seconds(),
        buffer=section.buffer,
        history=section.history,
        history_limit=section.history_limit.total_seconds(),
    )


def _security(section: OpcuaSection, site: Site) -> Security | None:
    if section.policy == "None" or not (section.certificate and section.private_key and section.trusted_folder):
        return None
    return Security(
        policy=Policy(section.policy),
        mode=Mode(section.mode),
        certificate=site.folder(section.certificate),
        private_key=site.folder(section.private_key),
        key_password=_secret(section.key, section.private_key_password_file, site),
        trusted=site.folder(section.trusted_folder),
    )


def _identity(section: OpcuaSection, site: Site) -> Identity | None:
    if section.user is not None:
        return Identity(user=section.user, password=_secret(section.key, section.password_file, site))
    if section.user_certificate is not None and section.user_private_key is not None:
        return Identity(
            certificate=site.folder(section.user_certificate), private_key=site.folder(section.user_private_key)
        )
    return None


def _secret(key: str, written: str | None, site: Site) -> str | None:
    if written is None:
        return None
    path = site.folder(written)
    try:
        return path.read_text("utf-8").strip()
    except (OSError, ValueError) as exc:
        raise ConfigError(f"connector {key!r}: {path} cannot be read: {exc}") from exc


def _already_taken(engine: Engine, key: str) -> Callable[[str], bool]:
    def asked(content_hash: str) -> bool:
        with transaction(engine) as conn:
            return ledger.find(conn, key, content_hash) is not None

    return asked


def _drop(section: CsvSection, site: Site) -> CsvDropConfig:
    written = section.columns.model_dump(exclude_none=True)
    addresses = site.addresses(section.key)
    form = CsvFormat(
        layout=Layout(section.layout),
        columns={_CORE_ROLES.get(role, role): column for role, column in written.items()},
        tag_of_column={address: signal.tag for address, signal in addresses.items()},
        ignored=frozenset(section.ignored_columns),
        tag=section.tag,
        quality_code=QualityCode(section.quality_code),
        tags=frozenset(signal.tag for signal in addresses.values()),
        tanks=frozenset(site.tanks()) | frozenset(tank.label for tank in site.tanks().values()),
        delimiter=section.delimiter,
        decimal=section.decimal,
        encoding=section.encoding,
        header=section.header,
        time_format=section.time_format,
        zone=section.time_zone or site.time_zone.key,
        core_unit=section.unit or ("ft" if site.units == "us" else "m"),
    )
    folder = site.folder(section.folder)
    return CsvDropConfig(
        key=section.key,
        folder=folder,
        format=form,
        patterns=(section.pattern,),
        settle=section.settle,
        processed=site.folder(section.processed_folder) if section.processed_folder else None,
        processed_for=section.keep_processed,
        quarantine=site.folder(section.quarantine_folder) if section.quarantine_folder else None,
        keep=section.leave_files,
    )
