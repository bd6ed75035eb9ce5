"""``[[connector]]``: the section class of each kind of source.

A new kind is a module like ``csv_drop.py`` and a line in ``SECTION_OF_KIND``; its class says whether it carries signals and
checks their addresses.
"""

from __future__ import annotations

from service.site.sections.csv_drop import CsvSection
from service.site.sections.modbus import ModbusSection
from service.site.sections.opcua import OpcuaSection
from service.site.sections.section import SourceSection

SECTION_OF_KIND: dict[str, type[SourceSection]] = {
    "csv": CsvSection,
    "modbus": ModbusSection,
    "opcua": OpcuaSection,
}
