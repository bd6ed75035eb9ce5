"""The instance that is attacked: ``underweir run`` with its embedded database, under an account without rights."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import httpx
import psutil
import psycopg
from sqlalchemy import text

from service.storage.database.file_locks import wait_until
from service.storage.database.partitions import ensure_months
from service.storage.database.session import make_engine, transaction
from service.storage.embedded.cluster import OWNER, ROLE
from service.storage.embedded.server import DATABASE
from tests.attacks.limits import Account, MemoryLimit, environment
from tests.faults.plant import HOOK_SECRET, Plant
from tests.faults.slow_sink import SlowSink
from tests.support.http_gateway import Gateway, http_gateway
from tests.support.plant_servers import ModbusPlant, free_port

PASSWORD = "six heron marsh lantern"
KEY = "an invented key that signs cookies and links, long enough"
#: Rows that a download hands out: far more than fit between database, service and client.
ROWS = 150_000
PATIENCE_S = 300.0


class Stand:
    """One running instance, its plant and its people."""

    def __init__(
        self, folder: Path, plant: Plant, mails: SlowSink, gateway: Gateway, account: Account, site: Path
    ) -> None:
        self.folder, self.plant, self.mails, self.gateway, self.account = folder, plant, mails, gateway, account
        self.data = folder / "data"
        self.log_file = folder / "service.log"
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.disturbed: list[tuple[float, float]] = []
        # The register is in this process, and as slow as the attacks that come from it: its line is bad all the time.
        self.excused: list[tuple[float, float]] = [(0.0, math.inf)]
        self.limit = MemoryLimit()
        self.tokens: dict[str, str] = {}
        self.process: subprocess.Popen[bytes] | None = None
        (folder / "key").write_text(KEY, "ascii")
        self._own = [folder / "key", site, plant.folder / "gateway-secret"]
        for path in self._own:
            os.chown(path, account.uid, account.gid)
            path.chmod(0o400)
        self.environment = {
            **environment(),
            "UNDERWEIR_NODE_NAME": "attacked",
            "UNDERWEIR_DATA_DIR": str(self.data),
            "UNDERWEIR_SITE_FILE": str(site),
            "UNDERWEIR_HTTP_PORT": str(self.port),
            "UNDERWEIR_SECRET_KEY_FILE": str(folder / "key"),
            "UNDERWEIR_SMTP_HOST": "127.0.0.1",
            "UNDERWEIR_SMTP_PORT": str(mails.port),
            "UNDERWEIR_SMTP_SECURITY": "none",
            "UNDERWEIR_SMTP_FROM": "underweir@example.org",
            "UNDERWEIR_SMTP_TIMEOUT": "5",
        }

    # --- the service ------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start it, wait until it serves, and let people in."""
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [self.account.python, "-m", "service", "run"],
                env=self.environment,
                cwd="/",
                stdout=log,
                stderr=log,
                **self.account.become(),
            )
        self.limit.hold(self.process.pid)
        # Whether people see the overview within a second says more about what else this machine does.
        assert wait_until(lambda: self.answers("/livez"), PATIENCE_S), self.log_file.read_text("utf-8")[-3000:]
        for role in ("viewer", "operator"):
            self.command("people", "add", role, "--role", role, "--password-stdin", given=f"{PASSWORD}\n")
            scopes = ("--scope", "read") if role == "viewer" else ("--scope", "read", "--scope", "cores")
            told = self.command("people", "token", role, "--for", "an attack", *scopes)
            found = re.search(r"\buw_[A-Za-z0-9_-]+", told)
            assert found is not None, told
            self.tokens[role] = str(found[0])
        self._before = self._hashes()
        self._database = self._postmaster()

    def stop(self) -> None:
        """End it, and the database that a killed service leaves behind."""
        assert self.process is not None
        left = [*psutil.Process(self.process.pid).children(recursive=True)] if self.process.poll() is None else []
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        for process in left:
            with suppress(psutil.Error):
                process.kill()
        self.limit.end()

    def command(self, *words: str, given: str = "") -> str:
        """Run a command beside the service, as its account."""
        done = subprocess.run(
            [self.account.python, "-m", "service", *words],
            env=self.environment,
            cwd="/",
            input=given,
            capture_output=True,
            text=True,
            check=False,
            **self.account.become(),
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return str(done.stdout)

    def answers(self, path: str) -> bool:
        """Whether a page answers."""
        try:
            return httpx.get(f"{self.url}{path}", timeout=10, verify=False).status_code == 200
        except httpx.HTTPError:
            return False

    def pages(self) -> psutil.Process | None:
        """The process that serves the pages."""
        assert self.process is not None
        with suppress(psutil.Error):
            for child in psutil.Process(self.process.pid).children():
                with suppress(psutil.Error):
                    if "service.pages" in child.cmdline():
                        return child
        return None

    def log(self) -> list[dict[str, object]]:
        """What it said."""
        found = []
        for line in self.log_file.read_text("utf-8", "replace").splitlines():
            with suppress(ValueError):
                found.append(json.loads(line))
        return found

    # --- for the accountant -----------------------------------------------------------------------------------------

    def connect(self) -> psycopg.Connection:
        """A connection to the database."""
        with self.account.acting():
            return psycopg.connect(self._database_url, connect_timeout=30)

    def records(self) -> list[Path]:
        """The records that were set aside, and those that wait to be tried again."""
        return list(self.data.rglob("*.record"))

    def page_ports(self) -> list[int]:
        """Where the pages answer."""
        return [self.port]

    def changed(self) -> list[str]:
        """Files of the service that are not what they were."""
        now = self._hashes()
        return sorted(str(path) for path in {*self._before, *now} if self._before.get(path) != now.get(path))

    def shown(self) -> list[str]:
        """Files that others may read and that hold one of the service's secrets."""
        found = []
        for path in self.plant.drop.rglob("*"):
            if path.is_file() and not path.is_symlink() and path.stat().st_size < 1 << 28 and path.stat().st_nlink == 1:
                content = path.read_bytes()
                if KEY.encode() in content or HOOK_SECRET.encode() in content:
                    found.append(str(path))
        return found

    def restarted(self) -> list[str]:
        """What of the watch ended: the service, or its database."""
        assert self.process is not None
        wrong = []
        if self.process.poll() is not None:
            wrong.append(f"the service ended with status {self.process.returncode}")
        if self._postmaster() != self._database:
            wrong.append("the database was started again")
        return wrong

    def pages_down(self) -> int:
        """How often the pages ended and were started again; that delays nobody."""
        return sum(line["event"] == "the pages are down; the watch goes on" for line in self.log())

    def clean(self) -> None:
        """Take what an attack left out of the drop folder: what was not touched must not be counted as not taken."""
        kept = set(self.plant.files)
        for path in self.plant.drop.iterdir():
            if path.name in kept or path.name.removesuffix(".part") in {name.removesuffix(".csv") for name in kept}:
                continue
            if path.is_dir() and not path.is_symlink():
                if path.name not in ("processed", "quarantine"):
                    shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)

    @property
    def _database_url(self) -> str:
        sockets = self.data / "database" / "run"
        note = self.data / "database" / "socket-folder"
        if note.is_file():
            sockets = Path(note.read_text("utf-8"))
        return f"postgresql://{ROLE}@/{DATABASE}?host={sockets}&port=5432"

    def _postmaster(self) -> str:
        with suppress(OSError):
            return (self.data / "database" / "cluster" / "postmaster.pid").read_text("ascii").splitlines()[0]
        return ""

    def _hashes(self) -> dict[Path, str]:
        database = self.data / "database"
        paths = [*self._own, *self.data.glob("*.id"), *self.data.glob("*.key"), *database.glob("*.conf")]
        paths += [*(database / "cluster").glob("*.conf"), database / "cluster" / "PG_VERSION"]
        return {path: f"{path.lstat().st_mode:o} {hashlib.sha256(path.read_bytes()).hexdigest()}" for path in paths}

    def estimated(self) -> bool:
        """Whether something is believed of every tank."""
        with self.connect() as conn:
            [known] = conn.execute("SELECT count(DISTINCT tank_id) FROM estimate WHERE height <> 'NaN'").fetchone() or (
                0,
            )
        return bool(known == len(self.plant.tanks))

    def fill(self) -> None:
        """Give downloads something to hand out: what was read and believed of a tank in another year, from which nothing follows."""
        with self.account.acting():
            owner = self._database_url.replace(
                f"//{ROLE}@", f"//{OWNER}@"
            )  # a month's table is made by whoever owns them
            engine = make_engine(owner.replace("postgresql://", "postgresql+psycopg://"))
            try:
                with transaction(engine) as conn:
                    first, last = conn.execute(
                        text(
                            "SELECT timestamptz '2025-01-01 00:00Z', timestamptz '2025-01-01 00:00Z' + :n * interval '1 second'"
                        ),
                        {"n": ROWS},
                    ).one()
                    for table in ("estimate", "reading"):
                        ensure_months(conn, table, first, last)
                    conn.execute(
                        text(
                            "WITH filled AS (INSERT INTO batch (connector, origin, received_at) VALUES ('export', 'filled', :first) RETURNING id)"
                            " INSERT INTO reading (signal_id, time, value, quality, reason, batch_id)"
                            " SELECT signal.id, :first + n * interval '1 second', 1.0, 0, 0, filled.id"
                            " FROM (SELECT min(id) AS id FROM signal WHERE tag <> 'COUNTER') AS signal, generate_series(0, :rows - 1) AS n, filled"
                        ),
                        {"first": first, "rows": ROWS},
                    )
                    conn.execute(
                        text(
                            "INSERT INTO estimate (tank_id, time, height, sd, rate, trust, reason)"
                            " SELECT tank.id, :first + n * interval '1 second', 1.0, 0.1, 0.0, known.trust, known.reason"
                            " FROM (SELECT min(id) AS id FROM tank) AS tank, generate_series(0, :rows - 1) AS n,"
                            " (SELECT trust, reason FROM estimate LIMIT 1) AS known"
                        ),
                        {"first": first, "rows": ROWS},
                    )
            finally:
                engine.dispose()


@contextmanager
def stand(folder: Path, plant: Plant, account: Account) -> Iterator[Stand]:
    """Build everything, start it, and take it all down afterwards."""
    with ExitStack() as stack:
        device = stack.enter_context(ModbusPlant(plant.register))
        mails = stack.enter_context(SlowSink())
        gateway = stack.enter_context(http_gateway())
        site = plant.write_site(device.port, gateway.url)
        folder.chmod(0o755)
        data = folder / "data"
        data.mkdir(mode=0o700)
        os.chown(data, account.uid, account.gid)
        os.chown(plant.drop, account.uid, account.gid)
        plant.drop.chmod(0o777)  # as others drop files there
        made = Stand(folder, plant, mails, gateway, account, site)
        try:
            made.start()
            yield made
        finally:
            made.stop()
