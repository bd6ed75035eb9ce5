"""From the site file's ``[[connector]]`` sections to connectors that can be polled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from connectors.base import Connector
from connectors.csv_cell import QualityCode
from connectors.csv_drop import CsvDrop, CsvDropConfig, CsvFiles
from connectors.csv_format import CsvFormat, Layout
from service.errors import ConfigError
from service.site.csv_drop import CsvSection
from service.site.site import Site
from service.site.source import SourceSection
from service.storage import ledger
from service.storage.session import transaction

#: What the roles of a cores sheet are called by the reader.
_CORE_ROLES = {"distance_from_wall": "distance", "arm_position": "arm", "taken_by": "by"}


def sources_of(site: Site, engine: Engine, clock: Callable[[], datetime]) -> list[Connector]:
    """Every source of the site, ready to be polled."""
    return [_source(section, site, engine, clock) for section in site.connectors()]


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


def _source(section: SourceSection, site: Site, engine: Engine, clock: Callable[[], datetime]) -> Connector:
    if isinstance(section, CsvSection):
        return CsvDrop(_drop(section, site), now=clock, already_taken=_already_taken(engine, section.key))
    raise ConfigError(f"connector {section.key!r}: kind {section.kind!r} is not known to this version")


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
    )
