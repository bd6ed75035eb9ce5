"""What every connector must hold to, held by a dropped file and by a file named by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from connectors.csv.drop import CsvDrop, CsvDropConfig, CsvFiles
from tests.support.connector_contract import ConnectorContract
from tests.support.inline_reader import InlineReader

TEXT = (
    "time,tag,value,quality\n2025-11-02T05:30:00Z,CL1,2.5,192\n2025-11-02T05:31:00Z,CL1,,24\n"
    "2025-11-02T05:32:00Z,CL1,NaN,64\n2025-11-02T05:33:00Z,CL2,2.6,64\nx,CL1,1,192\n"
)


def now() -> datetime:
    return datetime(2026, 1, 1, tzinfo=UTC)


class TestDroppedFile(ConnectorContract):
    redelivers = True

    @pytest.fixture
    def connector(self, tmp_path: Path) -> CsvDrop:
        (tmp_path / "a.csv").write_text(TEXT)
        drop = CsvDrop(CsvDropConfig(key="drop", folder=tmp_path, settle=timedelta(0)), reader=InlineReader(), now=now)
        assert list(drop.poll({})) == [], "the first look only remembers"
        return drop

    @pytest.fixture
    def dead_connector(self, tmp_path: Path) -> CsvDrop:
        return CsvDrop(CsvDropConfig(key="drop", folder=tmp_path / "unmounted"), reader=InlineReader(), now=now)


class TestNamedFile(ConnectorContract):
    redelivers = True

    @pytest.fixture
    def connector(self, tmp_path: Path) -> CsvFiles:
        (tmp_path / "a.csv").write_text(TEXT)
        return CsvFiles(
            CsvDropConfig(key="files", folder=tmp_path), [tmp_path / "a.csv"], reader=InlineReader(), now=now
        )

    @pytest.fixture
    def dead_connector(self, tmp_path: Path) -> CsvFiles:
        return CsvFiles(
            CsvDropConfig(key="files", folder=tmp_path), [tmp_path / "missing.csv"], reader=InlineReader(), now=now
        )
