"""The key that cookies, links and backups are signed with: made by every installation for itself, and kept from others."""

from __future__ import annotations

from pathlib import Path

from service.bootstrap import signing_secret
from service.settings import Settings


def test_every_installation_makes_a_key_of_its_own(tmp_path: Path) -> None:
    keys = set()
    for number in range(5):
        settings = Settings(data_dir=tmp_path / f"{number}", secret_key=None)
        keys.add(signing_secret(settings))
        assert signing_secret(settings) in keys  # kept
        assert (tmp_path / f"{number}" / "secret.key").stat().st_mode & 0o777 == 0o600
    assert len(keys) == 5
    assert min(map(len, keys)) >= 48
