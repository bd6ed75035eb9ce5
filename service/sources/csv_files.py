"""Makes connectors for files from a CSV section of the site file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from connectors.base import Connector
from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.drop import CsvDrop, CsvDropConfig, CsvFiles
from service.reader import Reader
from service.site.sections.csv_drop import CsvSection
from service.site.site import Site
from service.storage.database.session import transaction
from service.storage.readings import processed_files

#: The decoder's names of roles of a sheet of cores or laboratory values.
_SHEET_ROLES = {"distance_from_wall": "distance", "arm_position": "arm", "taken_by": "by", "test": "kind"}


def drop_folder(
    section: CsvSection,
    site: Site,
    engine: Engine,
    clock: Callable[[], datetime],
    reader: Reader,
    spools: Path | None,
) -> Connector:
    """The connector for the drop folder of a section."""
    config = _drop_config(section, site)
    if spools is not None:
        config = replace(config, attempts=spools / f"{section.key}.reading")
    return CsvDrop(config, reader=reader, now=clock, is_stored=_is_stored(engine, section.key))


def named_files(
    section: CsvSection, site: Site, paths: Sequence[Path], engine: Engine, clock: Callable[[], datetime], *, move: bool
) -> Connector:
    """The connector for named files, decoded as those of the section's drop folder."""
    return CsvFiles(
        _drop_config(section, site),
        paths,
        reader=Reader(),
        now=clock,
        is_stored=_is_stored(engine, section.key),
        move=move,
    )


def _is_stored(engine: Engine, key: str) -> Callable[[str], bool]:
    def find(content_hash: str) -> bool:
        with transaction(engine) as conn:
            return processed_files.find(conn, key, content_hash) is not None

    return find


def _drop_config(section: CsvSection, site: Site) -> CsvDropConfig:
    written = section.columns.model_dump(exclude_none=True)
    addresses = site.addresses(section.key)
    csv_format = CsvFormat(
        layout=Layout(section.layout),
        columns={_SHEET_ROLES.get(role, role): column for role, column in written.items()},
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
        format=csv_format,
        patterns=(section.pattern,),
        settle=section.settle,
        processed=site.folder(section.processed_folder) if section.processed_folder else None,
        processed_for=section.keep_processed,
        quarantine=site.folder(section.quarantine_folder) if section.quarantine_folder else None,
        keep=section.leave_files,
    )
