"""``[[connector]]``: where signals come from.

Every kind of source has its section class in its own file. A new kind is one file beside ``csv_drop.py`` and one line in
``SECTION_OF_KIND``; its section says whether signals come through it and what an address looks like.
"""

from __future__ import annotations

from service.site.sections.csv_drop import CsvSection
from service.site.sections.modbus import ModbusSection
from service.site.sections.opcua import OpcuaSection
from service.site.sections.source import SourceSection

SECTION_OF_KIND: dict[str, type[SourceSection]] = {
    "csv": CsvSection,
    "modbus": ModbusSection,
    "opcua": OpcuaSection,
}
