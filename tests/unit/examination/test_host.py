"""What is said of folders, secrets and time zones."""

from __future__ import annotations

import os
import shutil
from collections import namedtuple
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.confinement import Confinement
from service.examination import Grade, host
from service.reader import Reader
from service.settings import Settings
from service.site.site import parse_site

NOW = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
EXAMPLE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
Usage = namedtuple("Usage", "total used free")


@pytest.mark.parametrize(
    ("free", "grade"), [(499e6, Grade.WRONG), (500e6, Grade.LOOK), (1.99e9, Grade.LOOK), (2e9, Grade.FINE)]
)
def test_a_disk_that_fills(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: float, grade: Grade) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: Usage(100e9, 100e9 - free, free))
    found = host.room("room", tmp_path)
    assert found.grade is grade
    assert str(tmp_path) in found.found
    assert bool(found.remedy) == (grade is not Grade.FINE)


def test_a_disk_that_can_only_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = Settings(data_dir=tmp_path)
    assert [found.about for found in host.data_folder(settings)] == ["room in the data folder"]
    seen = os.statvfs(tmp_path)
    read_only = os.statvfs_result((*seen[:8], seen.f_flag | os.ST_RDONLY, *seen[9:]))
    monkeypatch.setattr("service.examination.host.os.statvfs", lambda folder: read_only)
    [told] = host.data_folder(settings)
    assert told.grade is Grade.WRONG
    assert "can only be read" in told.found
    assert "chown" not in told.remedy


def test_a_secret_others_can_read_is_named_and_its_content_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in reversed(tmp_path.parents[:-1]):  # the way to it is open, whatever the test's runner made
        monkeypatch.setattr(host, "_others_can_read", lambda path: bool(path.stat().st_mode & 0o004))
        assert folder.is_dir()
    open_file, closed = tmp_path / "open", tmp_path / "closed"
    for path, mode in ((open_file, 0o644), (closed, 0o600)):
        path.write_text("swordfish")
        path.chmod(mode)
    environ = {"UNDERWEIR_SMTP_PASSWORD_FILE": str(open_file), "UNDERWEIR_SECRET_KEY_FILE": str(closed)}
    found = list(host.secrets(Settings(data_dir=tmp_path), environ, None))
    assert [verdict.grade for verdict in found] == [Grade.LOOK]
    assert str(open_file) in found[0].found
    assert f"chmod 600 {open_file}" in found[0].remedy
    assert "swordfish" not in found[0].found + found[0].remedy


def test_a_closed_folder_on_the_way_keeps_others_out(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir(mode=0o700)
    secret = kept / "secret"
    secret.write_text("x")
    secret.chmod(0o644)
    assert not host._others_can_read(secret)


def test_a_secret_in_the_environment_is_pointed_out(tmp_path: Path) -> None:
    environ = {"UNDERWEIR_SMTP_PASSWORD": "swordfish"}
    [found] = host.secrets(Settings(data_dir=tmp_path), environ, None)
    assert found.grade is Grade.LOOK
    assert "UNDERWEIR_SMTP_PASSWORD_FILE" in found.remedy
    assert "swordfish" not in found.found


def test_the_zone_is_told_with_the_time_there() -> None:
    site = parse_site(EXAMPLE.read_text("utf-8"))
    found = host.time_zone(site, NOW)
    assert found.grade is Grade.FINE
    assert f"{NOW.astimezone(site.time_zone):%H:%M}" in found.found


def test_old_zone_rules_are_pointed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(host, "version", lambda package: "2021.1")
    assert host.time_zone(parse_site(EXAMPLE.read_text("utf-8")), NOW).grade is Grade.LOOK


def test_a_drop_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    site = parse_site(EXAMPLE.read_text("utf-8"), path)
    settings = Settings(data_dir=tmp_path / "data")
    assert {verdict.grade for verdict in host.drop_folders(site, settings)} == {Grade.WRONG}
    for name in ("drop/readings", "drop/cores"):
        (tmp_path / name).mkdir(parents=True)
    assert {verdict.grade for verdict in host.drop_folders(site, settings)} == {Grade.FINE}
    within = list(host.drop_folders(site, Settings(data_dir=tmp_path / "drop")))
    assert {verdict.grade for verdict in within} == {Grade.LOOK}
    assert "lies in the data folder" in within[0].found


@pytest.mark.parametrize(
    ("got", "grade"),
    [
        (Confinement(7, True, "nobody"), Grade.FINE),
        (Confinement(0, False, ""), Grade.LOOK),
        (OSError("no"), Grade.WRONG),
    ],
)
def test_what_the_reader_of_files_is_denied_here_is_told(
    monkeypatch: pytest.MonkeyPatch, got: Confinement | OSError, grade: Grade
) -> None:
    def confinement(_: Reader) -> Confinement:
        if isinstance(got, OSError):
            raise got
        return got

    monkeypatch.setattr(Reader, "confinement", confinement)
    [told] = host.reader(parse_site(EXAMPLE.read_text("utf-8")))
    assert told.grade is grade
