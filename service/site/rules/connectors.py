"""Checks connectors, and that every signal has its address on one."""

from __future__ import annotations

from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known, check_unique
from service.site.sections.csv_drop import CsvSection
from service.site.sections.plant import SignalSection
from service.site.sections.section import SourceSection


def check_connectors(draft: Draft, report: Report) -> None:
    """Check that every signal has a source, every source a signal, every address one signal, and folders are distinct."""
    check_unique(draft.connectors, "key", report)
    carrying = [c for c in draft.connectors if c.section.carries_signals]
    served = _check_addresses(draft, carrying, report)
    for entry in carrying:
        if entry.section.key not in served and "signal" not in draft.incomplete:
            report.warning(
                entry, None, "no signal comes through it", "name it in a [[signal]] as connector, or remove it"
            )
    folders: dict[tuple[str, str], ReadSection[SourceSection]] = {}
    for entry in draft.connectors:
        if isinstance(entry.section, CsvSection):
            _check_csv(entry, entry.section, report)
            place = (entry.section.folder.rstrip("/\\"), entry.section.pattern)
            earlier = folders.setdefault(place, entry)
            if earlier is not entry:
                report.error(
                    entry,
                    "folder",
                    f"is watched already, by {earlier.section.key} on line {report.line(earlier, 'folder')}",
                    "give each its own folder, or its own pattern",
                )


def _check_addresses(draft: Draft, carrying: list[ReadSection[SourceSection]], report: Report) -> set[str]:
    """Report signals without a source; returns the keys of the connectors with signals."""
    unknown = "connector" in draft.incomplete
    served: set[str] = set()
    taken: dict[tuple[str, str], ReadSection[SignalSection]] = {}
    if draft.signals and not carrying and not unknown:
        report.warning(
            None,
            None,
            "no [[connector]] delivers the signals",
            "write one, or give files to the ingest command by hand",
        )
    for entry in draft.signals:
        signal = entry.section
        key = signal.connector
        if key is not None:
            if not check_known(entry, "connector", key, "connector", draft, report):
                continue
            source = next((c for c in draft.connectors if c.section.key == key), None)
            if source is not None and not source.section.carries_signals:
                report.error(entry, "connector", f"{key} brings hand cores, not readings", "name another connector")
                continue
        elif "connector" in entry.unread or unknown:
            continue
        elif len(carrying) == 1:
            source = carrying[0]
            key = source.section.key
        elif carrying:
            keys = " or ".join(f'"{c.section.key}"' for c in carrying)
            report.error(entry, "connector", "is missing: there are several", f"write connector = {keys}")
            continue
        else:
            continue
        served.add(key)
        address = signal.address or signal.tag
        name = "address" if signal.address else "tag"
        # The address may refer to an unreadable part of the source.
        if source is not None and not source.unread and (wrong := source.section.address_problem(address)):
            report.error(entry, name, *wrong)
        earlier = taken.setdefault((key, address), entry)
        if earlier is not entry and earlier.section.tag.casefold() != signal.tag.casefold():
            line = report.line(earlier, "address" if earlier.section.address else "tag")
            problem = f'address "{address}" of {key} is taken already, on line {line}'
            report.error(entry, name, problem, "give each signal its own")
    return served


def _check_left_files(entry: ReadSection[SourceSection], section: CsvSection, report: Report) -> None:
    """Check a section with leave_files: nothing is moved, and rejects need a folder elsewhere."""
    for name in ("processed_folder", "keep_processed"):
        if getattr(section, name) is not None:
            report.error(entry, name, "means nothing with leave_files: read files are not moved", "keep one of the two")
    if section.quarantine_folder is None and "quarantine_folder" not in entry.unread:
        report.error(
            entry,
            "quarantine_folder",
            "is missing: rows and files that cannot be taken need a place outside the watched folder",
            'write quarantine_folder = "/var/lib/underweir/rejected"',
        )


def _check_csv(entry: ReadSection[SourceSection], section: CsvSection, report: Report) -> None:
    given = {name for name in type(section.columns).model_fields if getattr(section.columns, name) is not None}
    needed = {
        "long": ("time", "tag", "value"),
        "cores": ("tank", "time", "thickness"),
        "laboratory": ("time", "test", "value"),
    }.get(section.layout, ())
    if given:
        for name in needed:
            if name not in given and "columns" not in entry.unread:
                report.error(
                    entry, "columns", f"{name} is missing for layout {section.layout}", f'write {name} = "…" too'
                )
    if section.tag is not None and "tag" in given:
        report.error(entry, "tag", "says the same as the column of tags", "keep one of the two")
    if section.header is False:
        headed = [name for name in sorted(given) if isinstance(getattr(section.columns, name), str)]
        if headed:
            report.error(
                entry,
                "columns",
                f"{headed[0]} is a heading, but header is false",
                "write column numbers, counted from 1",
            )
    if section.delimiter is not None and section.delimiter == section.decimal:
        report.error(entry, "decimal", "is the delimiter, too", 'write delimiter = ";" or decimal = "."')
    for name, remedy in (
        ("processed_folder", "name another; read files are moved there"),
        ("quarantine_folder", "name another, or files set aside are read again"),
    ):
        folder = getattr(section, name)
        if folder is not None and folder.rstrip("/\\") == section.folder.rstrip("/\\"):
            report.error(entry, name, "is the watched folder itself", remedy)
    if section.leave_files:
        _check_left_files(entry, section, report)
    if "/" in section.pattern or "\\" in section.pattern:
        report.error(
            entry,
            "pattern",
            f'"{section.pattern}" names a folder',
            'write the folder as folder, and a pattern such as "*.csv"',
        )
