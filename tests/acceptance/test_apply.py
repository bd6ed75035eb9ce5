"""What is watched changes by ``underweir run`` and ``underweir apply`` alone, and a running service goes by it at once."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.demo.mail_sink import MailSink
from service.storage.database.session import transaction
from tests.acceptance.test_service import SITE
from tests.support.plant_servers import free_port
from tests.support.service_process import PATIENCE_S, ServiceProcess

TANK, SIGNAL = (SITE[SITE.index(f"[[{name}]]") : SITE.index(f"[[{after}]]")] for name, after in (("tank", "signal"), ("signal", "connector")))  # fmt: skip


def site(*keys: str, more: str = "") -> str:
    """The plant with these tanks, all alike."""
    plant = "".join(
        part.replace("EAST", key.upper()).replace('"east"', f'"{key}"').replace("East", key.title())
        for key in keys
        for part in (TANK, SIGNAL)
    )
    return SITE.replace(TANK + SIGNAL, plant) + more


class Plant:
    """A running service, its site file, and the commands people type beside it."""

    def __init__(self, folder: Path, database_url: str, mails: MailSink) -> None:
        self.folder, self.mails = folder, mails
        self.file = folder / "site.toml"
        self.file.write_text(site("east", "west"), "utf-8")
        (folder / "drop").mkdir()
        self.node = ServiceProcess(
            "north", folder, site_file=self.file, database_url=database_url, smtp_port=mails.port
        )
        self.port = free_port()
        self.node.environment |= {"UNDERWEIR_HTTP_PORT": str(self.port), "UNDERWEIR_NOT_WATCHED_MINUTES": "0.3"}
        self.start = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=230)

    def __call__(self, *words: str, status: int = 0) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "service", *words]
        done = subprocess.run(
            command, env=self.node.environment, capture_output=True, text=True, timeout=300, check=False
        )
        assert done.returncode == status, done.stdout + done.stderr
        return done

    def write(self, name: str, content: str) -> str:
        path = self.folder / name
        path.write_text(content, "utf-8")
        return str(path)

    def watching(self) -> list[dict[str, object]]:
        return [line for line in self.node.log() if line["event"] == "watching"]

    def until(self, done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 2 * PATIENCE_S
        while not done():
            if time.monotonic() > deadline:
                pytest.fail(f"it did not happen; the service said:\n{self.node.log_file.read_text('utf-8')[-6000:]}")
            time.sleep(0.2)

    def calm(self, *keys: str) -> None:
        """Thirty minutes of a low blanket in these tanks, long enough ago, and the estimates of it."""
        for key in keys:
            self._export(f"calm-{key}", key, 0, [4.0 + i / 100 for i in range(30)])
        self.until(lambda: {line.get("tank") for line in self.node.log()} >= set(keys))

    def storm(self, *keys: str) -> None:
        """The hours since: the blanket rises to less than three feet under the weir."""
        for key in keys:
            self._export(f"storm-{key}", key, 30, [4.3 + 0.04 * i for i in range(200)])

    def called(self, words: str, to: str = "night@example.org") -> bool:
        return any(words in str(mail["Subject"]) and mail["To"] == to for mail in self.mails.mails)

    def ready(self) -> int:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/readyz/alarms", timeout=30) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return error.code
        except OSError:
            return 0

    def _export(self, name: str, key: str, after: int, heights: list[float]) -> None:
        rows = [
            f"{self.start + timedelta(minutes=after + i):%Y-%m-%dT%H:%M:%SZ},{key.upper()}_BLANKET,{height:.2f}"
            for i, height in enumerate(heights)
        ]
        unfinished = self.folder / "drop" / f"{name}.part"
        unfinished.write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
        unfinished.rename(self.folder / "drop" / f"{name}.csv")


@pytest.fixture
def mails() -> Iterator[MailSink]:
    with MailSink() as sink:
        yield sink


@pytest.fixture
def plant(tmp_path: Path, database_url: str, mails: MailSink) -> Iterator[Plant]:
    made = Plant(tmp_path, database_url, mails)
    made.node.start()
    made.until(lambda: bool(made.watching()))
    yield made
    if made.node.running:
        made.node.end(signal.SIGKILL)


def test_looking_with_other_site_files_leaves_every_call_as_it_was(plant: Plant) -> None:
    plant.calm("east", "west")
    looked = plant("duty", "--site", plant.write("b.toml", site("east")))
    assert "b.toml is not the site file in force" in looked.stderr
    # Another key for the danger alarm, in the file the settings name, and somebody asks how the tanks are.
    plant.file.write_text(site("east", "west").replace('kind = "high-high"\n', 'kind = "high-high"\nkey = "flood"\n'))
    shown = plant("status")
    assert "site.toml is not the site file in force" in shown.stderr
    assert "by underweir run on north" in shown.stdout
    assert all(name in shown.stdout for name in ("East clarifier", "West clarifier"))
    assert "site.toml is another one" in plant("examine", "--no-probe").stdout
    plant.storm("east", "west")
    plant.until(lambda: all(any(f"DANGER {name}" in str(m["Subject"]) for m in plant.mails.mails) for name in ("East", "West")))  # fmt: skip
    assert "flood" not in plant("journal").stdout
    assert len(plant.watching()) == 1


@pytest.mark.slow
def test_a_running_service_goes_by_what_is_applied(plant: Plant) -> None:
    plant.calm("east", "west")
    process = plant.node.process
    more = '\n[[contact]]\nname = "Day operator (invented)"\nemail = "day@example.org"\n'
    wanted = plant.write("wanted.toml", site("east", "north", more=more))

    shown = plant("apply", "--site", wanted).stdout
    for line in ("!! tank west", "!! signal WEST_BLANKET", "!! alarm west.high-high", "tank, new: north", "contact, new: Day operator"):  # fmt: skip
        assert line in shown
    assert "Nothing was changed" in shown
    refused = plant(
        "apply", "--yes", "--site", plant.write("broken.toml", site("east").replace("diameter", "dia")), status=2
    )
    assert "broken.toml:" in refused.stderr
    assert {t["tank"] for t in plant_status(plant)} == {"east", "west"}
    assert len(plant.watching()) == 1

    done = plant("apply", "--site", wanted, "--yes").stdout
    assert "the service on north uses it" in done
    plant.until(lambda: len(plant.watching()) == 2)
    assert plant.watching()[1]["tanks"] == ["east", "north"]
    assert plant.node.process is process
    assert plant.node.running
    plant.until(lambda: plant.ready() == 200)
    assert {t["tank"] for t in plant_status(plant)} == {"east", "north"}

    plant.calm("north")
    plant.storm("north", "east")
    plant.until(lambda: all(plant.called(f"DANGER {name}", to) for name in ("East", "North") for to in ("night@example.org", "day@example.org")))  # fmt: skip
    assert plant.node.end() == 0
    # A look between the change of the database and the service's own says that the two do not fit, as it must; nothing else does.
    log = plant.node.log()
    changed_over = log.index(plant.watching()[1])
    wrong = [(n, line["event"]) for n, line in enumerate(log) if line["level"] in ("error", "critical")]
    assert [
        told for told in wrong if told[0] > changed_over or told[1] != "alarms and site file do not fit each other"
    ] == []


@pytest.mark.slow
def test_an_alarm_that_is_defined_but_not_active_calls_people(plant: Plant, engine: Engine) -> None:
    plant.until(lambda: plant.ready() == 200)
    with transaction(engine) as conn:
        conn.execute(text("UPDATE alarm SET described = false WHERE key = 'west.high-high'"))
    plant.until(lambda: plant.ready() == 503)
    plant.until(lambda: plant.called("NOT WATCHED"))
    examined = plant("examine", "--no-probe", status=1).stdout
    assert "alarms of west: not all are looked at: the alarm west.high-high is defined, but not active" in examined
    assert "west: the alarm west.high-high is defined, but not active" in plant("apply").stdout
    plant("apply", "--yes")
    plant.until(lambda: plant.ready() == 200)
    plant.until(lambda: plant.called("WATCHED AGAIN"))
    assert len(plant.watching()) == 1


def plant_status(plant: Plant) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(plant("status", "--json").stdout)["tanks"]
    return found
