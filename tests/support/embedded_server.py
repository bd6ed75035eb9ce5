"""Other processes that use the embedded server, and the server's own processes as the system shows them."""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import psutil
import psycopg

from service.storage.database.roles import let_everyday_delete
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine
from service.storage.embedded.server import EmbeddedServer
from tests.support.database import FAST

#: Uses the server from a process of its own: says "ready", then does a line's bidding at a time.
OTHER_PROCESS = """
import sys
from pathlib import Path
import psycopg
from service.storage.embedded.server import EmbeddedServer

server = EmbeddedServer(Path(sys.argv[1]), settings=dict(pair.split("=") for pair in sys.argv[2:]))
server.start()
connection = psycopg.connect(server.owner_url, autocommit=True)  # may make tables
print("ready", flush=True)
for line in sys.stdin:
    if line == "leave\\n":
        connection.close()
        server.stop()
        break
    connection.execute(line)
    print("done", flush=True)
"""


class Other:
    """Another process that uses the same server."""

    def __init__(self, folder: Path, settings: dict[str, str] | None = None) -> None:
        options = [f"{name}={value}" for name, value in (FAST if settings is None else settings).items()]
        self.process = subprocess.Popen(
            [sys.executable, "-c", OTHER_PROCESS, str(folder), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ready(self) -> Other:
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"
        return self

    def run(self, sql: str) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(sql + "\n")
        self.process.stdin.flush()
        assert self.process.stdout.readline() == "done\n"

    def leave(self) -> None:
        self.process.communicate("leave\n", timeout=300)
        assert self.process.returncode == 0

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


def make_tables(server: EmbeddedServer) -> None:
    """Bring the tables up to date, and let in who works with them every day, as a service does at its start."""
    owner, everyday = make_engine(server.owner_url), make_engine(server.url)
    migrate(owner)
    let_everyday_delete(owner, everyday)
    owner.dispose()
    everyday.dispose()


def server_processes(folder: Path) -> list[psutil.Process]:
    """List every process of the folder's server: PostgreSQL works in its data folder."""
    found = []
    for process in psutil.process_iter():
        with suppress(psutil.Error):
            if process.name() == "postgres" and process.cwd() == str(folder / "cluster"):
                found.append(process)
    return found


def postmaster(folder: Path) -> psutil.Process:
    return psutil.Process(int((folder / "cluster" / "postmaster.pid").read_text().split()[0]))


def kill_all(folder: Path) -> None:
    """Kill every process of the folder's server; a session may end by itself meanwhile."""
    first = postmaster(folder)
    first.suspend()  # so that it starts no further process and ends in no orderly way
    processes = [first, *(process for process in server_processes(folder) if process != first)]
    for send in (psutil.Process.suspend, psutil.Process.kill):
        for process in processes:
            with suppress(psutil.NoSuchProcess):
                send(process)
    psutil.wait_procs(processes)


def value(url: str, sql: str) -> object:
    with psycopg.connect(url) as connection:
        row = connection.execute(sql).fetchone()
    return row[0] if row else None


def run(url: str, sql: str) -> None:
    with psycopg.connect(url) as connection:
        connection.execute(sql)
