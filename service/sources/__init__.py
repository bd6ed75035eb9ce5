"""Makes connectors from the ``[[connector]]`` sections of the site file.

Libraries are imported with the first source of their kind: pandas and the OPC UA library take two seconds, too long for somebody who
types ``underweir ack`` at night.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from connectors.base import Connector, ProbeRow, SourceReason
from connectors.errors import ConnectorError
from service.errors import ConfigError
from service.jobs.ingest.forward import ForwardingSource
from service.site.sections.csv_drop import CsvSection
from service.site.sections.modbus import ModbusSection
from service.site.sections.opcua import OpcuaSection
from service.site.site import Site
from service.storage.readings.spool import Spool

if TYPE_CHECKING:
    from connectors.modbus.connector import ModbusConnector
    from connectors.opcua.connector import OpcuaConnector
    from service.reader import Reader

#: Limit of one live source's spool [byte]; at 10 values a second it lasts about two months.
SPOOL_BYTES = 256 << 20


def sources_of(
    site: Site,
    engine: Engine,
    clock: Callable[[], datetime],
    *,
    spools: Path | None = None,
    without: Collection[str] = (),
) -> list[Connector]:
    """The connectors of a site.

    Parameters
    ----------
    spools : the folder for the spools of live sources and the notes of drop folders; None: none of these.
    without : keys of sources to leave out.
    """
    sources: list[Connector] = []
    reader: Reader | None = None
    for section in site.connectors():
        if section.key in without:
            continue
        if isinstance(section, CsvSection):
            from service.reader import Reader
            from service.sources.csv_files import drop_folder

            reader = reader or Reader()  # one for all folders; its process starts with the first file
            sources.append(drop_folder(section, site, engine, clock, reader, spools))
        elif not isinstance(section, ModbusSection | OpcuaSection):
            raise ConfigError(f"connector {section.key!r}: kind {section.kind!r} is not known to this version")
        elif spools is not None:
            sources.append(_forwarding(section, site, clock, spools))
        else:
            sources.append(_live(section, site, clock))
    return sources


def spooling_sources(site: Site, clock: Callable[[], datetime], spools: Path) -> list[ForwardingSource]:
    """The live sources of a site, for reading into their spools only, as without a database their committed place is unknown."""
    return [
        _forwarding(section, site, clock, spools, place_known=False)
        for section in site.connectors()
        if isinstance(section, ModbusSection | OpcuaSection)
    ]


def files_source(
    site: Site, key: str, paths: Sequence[Path], engine: Engine, clock: Callable[[], datetime], *, move: bool
) -> Connector:
    """The connector for named files, decoded as those of the site's connector *key*.

    Raises
    ------
    ConfigError
        when the site has no such connector, or it reads no files.
    """
    section = next((s for s in site.connectors() if s.key == key), None)
    if not isinstance(section, CsvSection):
        known = ", ".join(s.key for s in site.connectors() if isinstance(s, CsvSection))
        raise ConfigError(f"no connector {key!r} that reads files; there are: {known or 'none'}")
    from service.sources.csv_files import named_files

    return named_files(section, site, paths, engine, clock, move=move)


@dataclass(frozen=True, slots=True)
class ProbedPoint:
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
    """The points of a live source, or why they could not be read."""

    key: str
    points: tuple[ProbedPoint, ...] = ()
    problem: str = ""


def probe_points(site: Site, key: str | None, clock: Callable[[], datetime]) -> list[ProbedSource]:
    """Read every configured point of the live sources (or of the one with *key*) once, without storing anything."""
    probed: list[ProbedSource] = []
    for section in site.connectors():
        if not isinstance(section, ModbusSection | OpcuaSection) or key not in (None, section.key):
            continue
        source = _live(section, site, clock)
        try:
            rows = source.probe()
        except ConnectorError as exc:
            probed.append(ProbedSource(section.key, problem=str(exc)))
        else:
            probed.append(ProbedSource(section.key, tuple(_probed(row) for row in rows)))
        finally:
            source.close()
    return probed


def _probed(row: ProbeRow) -> ProbedPoint:
    reason = "" if row.reason is SourceReason.NONE else row.reason.name.lower().replace("_", " ")
    return ProbedPoint(
        row.address, row.place, row.raw, row.value, row.quality.name.lower(), reason, row.age, row.remark
    )


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
            from service.sources import modbus

            return modbus.line(section, clock)
        from service.sources import opcua

        return opcua.server(section, site, clock)
    except ValueError as exc:
        raise ConfigError(f"connector {section.key!r}: {exc}") from exc
