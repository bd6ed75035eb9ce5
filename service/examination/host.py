"""Checks the machine: folders, disk space, permissions of secrets, time zones."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from service.examination.verdict import ExaminationResult, fine, look, wrong
from service.reader import Reader
from service.settings import PREFIX, Settings
from service.site.sections.csv_drop import CsvSection
from service.site.site import Site

#: Room on a disk: below the first it is wrong, below the second somebody should look [bytes].
LEAST_ROOM, GOOD_ROOM = 500e6, 2e9
#: Governments change their clocks at short notice; data older than this may be wrong for somebody.
OLDEST_ZONES = timedelta(days=3 * 365)


def data_folder(settings: Settings) -> Iterator[ExaminationResult]:
    """The data folder and the room on its disk."""
    folder = settings.data_dir
    if not folder.is_dir():
        yield look("data folder", f"{folder} is not there yet", "it is made at the first start: underweir run")
        return
    if _read_only(folder):
        yield room("data folder", folder)
        return
    if not os.access(folder, os.W_OK | os.X_OK):
        yield wrong(
            "data folder",
            f"{folder} cannot be written by this account",
            "give it to the account the service runs as (chown), or run this command as that account",
        )
    yield room("room in the data folder", folder)


def room(about: str, folder: Path) -> ExaminationResult:
    """How much room a folder's disk has left."""
    if _read_only(folder):
        return wrong(
            about,
            f"the disk where {folder} lies can only be read: nothing can be stored",
            "see why (dmesg; a disk that failed is often mounted so), mend it and mount it for writing",
        )
    usage = shutil.disk_usage(folder)
    left = f"{usage.free / 1e9:.1f} GB of {usage.total / 1e9:.1f} GB are free where {folder} lies"
    remedy = "free space or give it a larger disk; data come in all the time, and a full disk stops the service"
    if usage.free < LEAST_ROOM:
        return wrong(about, left, remedy)
    if usage.free < GOOD_ROOM:
        return look(about, left, remedy)
    return fine(about, left)


def _read_only(folder: Path) -> bool:
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def secrets(settings: Settings, environ: Mapping[str, str], site: Site | None) -> Iterator[ExaminationResult]:
    """Who may read the files with secrets in them."""
    named = [Path(path) for name, path in environ.items() if name.startswith(PREFIX) and name.endswith("_FILE")]
    named = [path for path in named if path != settings.site_file]
    if site is not None:
        named += site.secret_files()
    named.append(settings.data_dir / "secret.key")
    open_ones = [path for path in named if path.is_file() and _others_can_read(path)]
    for path in open_ones:
        yield look(
            "secrets",
            f"{path} can be read by every account of this machine",
            f"let its owner alone read it: chmod 600 {path}",
        )
    inline = [name for name in ("DATABASE_URL", "SMTP_PASSWORD", "SECRET_KEY") if environ.get(PREFIX + name)]
    for name in inline:
        yield look(
            "secrets",
            f"{PREFIX}{name} stands in the environment, which other programs of this account can read",
            f"put it into a file and name the file in {PREFIX}{name}_FILE",
        )
    if not open_ones and not inline:
        yield fine("secrets", "no secret is readable by other accounts")


def _others_can_read(path: Path) -> bool:
    """Whether any account may: by the file's own mode and the way to it."""
    if not path.stat().st_mode & stat.S_IROTH:
        return False
    return all(parent.stat().st_mode & stat.S_IXOTH for parent in path.absolute().parents)


def drop_folders(site: Site, settings: Settings) -> Iterator[ExaminationResult]:
    """The folders other systems drop files into."""
    for section in site.connectors():
        if not isinstance(section, CsvSection):
            continue
        about, folder = f"source {section.key}", site.folder(section.folder)
        if not folder.is_dir():
            yield wrong(
                about,
                f"its folder {folder} is not there",
                f"make it, and let the other system write there: mkdir -p {folder}",
            )
        elif not os.access(folder, os.R_OK | os.X_OK):
            yield wrong(
                about, f"its folder {folder} cannot be read by this account", "give this account the right to read it"
            )
        elif not os.access(folder, os.W_OK) and not section.leave_files:
            yield wrong(
                about,
                f"its folder {folder} cannot be written by this account, so files cannot be moved once they are stored",
                "give this account the right to write there, or set leave_files = true for a share that must stay as it is",
            )
        elif folder.resolve().is_relative_to(settings.data_dir.resolve()):
            yield look(
                about,
                f"its folder {folder} lies in the data folder, so whoever drops files is let in where the service keeps its own",
                "put it elsewhere, such as /srv/underweir/drop, and write that into the site file; deploy/INSTALL.md says with"
                " which rights",
            )
        else:
            yield fine(about, f"its folder {folder} can be read")


def reader(site: Site) -> Iterator[ExaminationResult]:
    """What the process that decodes dropped files is denied on this machine; nothing where no files are dropped."""
    if not any(isinstance(section, CsvSection) for section in site.connectors()):
        return
    made = Reader()
    try:
        got = made.confinement()
    except OSError as error:
        yield wrong("reader of files", str(error), "run this command as the account of the service, and see its log")
        return
    finally:
        made.stop()
    missing = got.words()
    if missing:
        yield look(
            "reader of files",
            f"less is kept from the process that decodes dropped files than could be: {'; '.join(missing)}",
            "a Linux kernel from 5.13 on with Landlock enabled keeps it from them; drop folders for trusted systems only until then",
        )
    else:
        yield fine(
            "reader of files", "dropped files are decoded by a process that can open no other file and reach no network"
        )


def time_zone(site: Site, now: datetime) -> ExaminationResult:
    """The rules of the site's time zone."""
    local = now.astimezone(site.time_zone)
    found = f"{site.time_zone.key}: it is {local:%Y-%m-%d %H:%M} there, UTC{local:%z}"
    try:
        release = version("tzdata")
    except PackageNotFoundError:
        return fine("time zone", f"{found}; rules of this machine")
    year = int(release.partition(".")[0])
    if now - datetime(year, 1, 1, tzinfo=now.tzinfo) > OLDEST_ZONES:
        return look(
            "time zone", f"{found}; the rules are of {release}", "install a newer version of Underweir or of tzdata"
        )
    return fine("time zone", f"{found}; rules of {release}")
