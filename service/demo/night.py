"""Runs one simulated night through the real service at high speed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.bootstrap import Configuration, Installation, apply_and_open
from service.demo.album import nights_of
from service.demo.devices import Devices
from service.demo.exports import Exporter, described
from service.demo.mail_sink import MailSink
from service.demo.pages import serve_until_stopped
from service.demo.picture import draw_night
from service.demo.plant import SITE
from service.demo.teller import Teller
from service.runtime import Runtime
from service.settings import Settings
from service.simulator.scenario import run
from service.simulator.storm_night import storm_night
from service.site.site import load_site
from service.sources import sources_of

SEED = 1
TICK = timedelta(minutes=5)
REPORT_EVERY = timedelta(minutes=30)


class Clock:
    """The demo's time, moved by hand."""

    def __init__(self, start: datetime) -> None:
        self.now = start

    def __call__(self) -> datetime:
        return self.now


def show(folder: Path, say: Callable[[str], None], *, pages: bool = False) -> Path:
    """Run the night and return the picture's path.

    Parameters
    ----------
    folder : where files, mails and picture go.
    say : told every line for the person watching.
    pages : serve the pages afterwards, on this machine only, until Ctrl-C.
    """
    say("An invented plant with two clarifiers, on a storm night. One sensor fouls and reads low; hand cores tell.")
    recording = run(storm_night(), SEED)
    start = datetime.fromtimestamp(int(recording.truth.seconds[0]), UTC)
    end = datetime.fromtimestamp(int(recording.truth.seconds[-1]), UTC)
    clock = Clock(start)
    with Devices() as devices, _stage(folder, clock, devices) as (plant, mails):
        sources = sources_of(plant.site, plant.engine, clock)
        watch = Runtime(plant, sources, clock)
        exporter = Exporter(recording, plant.site.folder("drop/readings"), plant.site.folder("drop/cores"))
        exporter.drop_laboratory(plant.site.folder("drop/laboratory"))
        told = Teller(plant, mails, folder / "mails", say)
        say(
            f"files are dropped into {plant.site.folder('drop')}; a Modbus panel and an OPC UA server run beside it;"
            " mail goes to a server on 127.0.0.1 only\n"
        )
        while clock.now < end:
            before, clock.now = clock.now, min(clock.now + TICK, end)
            exporter.drop_readings(before, clock.now)
            devices.show(*exporter.live(clock.now), clock.now)
            if cores := exporter.drop_cores(clock.now):
                told.line(clock.now, f"hand cores typed in: {described(cores)}")
            # A folder takes a file it has seen twice unchanged; the night's clock does not wait for the second look.
            for _ in range(2):
                for report in watch.read_all():
                    for warning in (w for delivery in report.deliveries for w in delivery.warnings):
                        told.line(clock.now, f"    doubted: {warning}")
            watch.evaluate_alarms(clock.now)
            watch.deliver_all(clock.now)
            told.news(clock.now)
            told.answer(clock.now)
            if (clock.now - start) % REPORT_EVERY < TICK:
                told.standing(clock.now)
        watch.close()
        picture = folder / "night.png"
        draw_night(
            nights_of(plant, recording),
            picture,
            units=plant.site.units,
            zone=plant.site.time_zone,
            title=f"{plant.site.name}: the storm night",
        )
        told.sum_up()
        if pages:
            serve_until_stopped(plant, clock.now, say)
    say(f"\nThe picture of the night: {picture}")
    say(f"The mails as they were sent: {folder / 'mails'}")
    return picture


@contextmanager
def _stage(folder: Path, clock: Clock, devices: Devices) -> Iterator[tuple[Installation, MailSink]]:
    (folder / "drop" / "readings").mkdir(parents=True, exist_ok=True)
    (folder / "drop" / "cores").mkdir(exist_ok=True)
    (folder / "drop" / "laboratory").mkdir(exist_ok=True)
    (folder / "mails").mkdir(exist_ok=True)
    site_file = folder / "site.toml"
    site = SITE.format(modbus_port=devices.modbus_port, opcua_port=devices.opcua_port)
    site_file.write_text(site, encoding="utf-8")
    # The database is thrown away afterwards; in /tmp it can be reached by the account the server runs as.
    with tempfile.TemporaryDirectory(prefix="underweir-demo-") as data, MailSink() as mails:
        Path(data).chmod(0o711)
        settings = Settings(
            database_url=None,
            data_dir=Path(data),
            smtp_host="127.0.0.1",
            smtp_port=mails.port,
            smtp_security="none",
            smtp_user=None,
            smtp_password=None,
            smtp_from="underweir@example.org",
        )
        with apply_and_open(Configuration(settings, load_site(site_file)), clock, by="demo") as plant:
            yield plant, mails
