"""What somebody can do who may write the drop folder, has an account of a viewer or operator, or a phone."""

from __future__ import annotations

import gzip
import os
import pwd
import signal
import socket
import struct
import threading
import zipfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

import httpx
import psutil

from tests.attacks.stand import PASSWORD, Stand
from tests.faults.plant import ADDRESSES, FIRST_CALLED, HOOK_SECRET
from tests.support.photographs import endless_photo
from tests.support.web_plant import form_token

#: A file with one row that cannot be taken, so that rejects are written.
MIXED = "time,tag,value\n2026-01-01T00:00:00Z,NOBODYS_TAG,abc\n"
ALL_TIME = "start=1970-01-01T00:00:00Z&end=2200-01-01T00:00:00Z"


@dataclass(frozen=True)
class Attack:
    """One attack; it goes on until it is told that it is over."""

    name: str
    by: str
    run: Callable[[Stand, threading.Event], None]


def at_once(attacks: Sequence[Attack]) -> Attack:
    """Several attacks as one: they begin together and go on together."""

    def run(stand: Stand, over: threading.Event) -> None:
        with ThreadPoolExecutor(len(attacks)) as pool:
            for made in [pool.submit(attack.run, stand, over) for attack in attacks]:
                made.result()

    return Attack(" + ".join(attack.name for attack in attacks), " + ".join(attack.by for attack in attacks), run)


# --- whoever may write the drop folder -----------------------------------------------------------------------------------


def _put(stand: Stand, name: str | bytes, content: bytes | str = MIXED) -> None:
    """Drop a file as another system does."""
    drop = os.fsencode(stand.plant.drop)
    target = os.path.join(drop, os.fsencode(name))
    unfinished = os.path.join(drop, b".putting")
    with open(unfinished, "wb") as file:
        file.write(content.encode() if isinstance(content, str) else content)
    _as_attacker(unfinished)
    os.rename(unfinished, target)


def _as_attacker(path: str | bytes | Path) -> None:
    """Whoever drops files is somebody else than the service."""
    if os.geteuid() == 0:
        other = pwd.getpwnam("games")
        os.chown(path, other.pw_uid, other.pw_gid, follow_symlinks=False)


def _link(stand: Stand, name: str, target: Path) -> None:
    path = stand.plant.drop / name
    with suppress(FileExistsError, FileNotFoundError):
        path.symlink_to(target)
        _as_attacker(path)


def _own_files(stand: Stand) -> list[Path]:
    database = stand.data / "database"
    return [stand.folder / "key", stand.plant.folder / "gateway-secret", database / "hba.conf", database / "cluster/postgresql.conf"]  # fmt: skip


def links(stand: Stand, over: threading.Event) -> None:
    """Links to the service's own files wherever it reads or writes."""
    number = 0
    while not over.wait(1.0):
        for target in _own_files(stand):
            number += 1
            name = f"evil{number}.csv"
            beside = (
                f".{name}.rejected.csv.tmp",
                f"{name}.rejected.csv",
                f"processed/.{name}.rejected.csv.tmp",
                f"processed/{name}.rejected.csv",
                f"processed/{name}",
                f"quarantine/{name}.reason.txt",
                f"quarantine/.{name}.reason.txt.tmp",
            )
            for place in beside:
                _link(stand, place, target)
            _put(stand, name)
            _link(stand, f"link{number}.csv", target)


def folder_links(stand: Stand, over: threading.Event) -> None:
    """Our folders are somebody else's links."""
    drop = stand.plant.drop
    for name in ("processed", "quarantine"):
        with suppress(OSError):
            (drop / name).rename(drop / f"{name}.away")
        _link(stand, name, stand.data)
    _put(stand, "through.csv")
    _put(stand, "secret.key")
    over.wait(10.0)
    for name in ("processed", "quarantine"):
        with suppress(OSError):
            if (drop / name).is_symlink():
                (drop / name).unlink()
            (drop / f"{name}.away").rename(drop / name)


def race(stand: Stand, over: threading.Event) -> None:
    """A file that turns into a link to a secret between being looked at and being opened, and back."""
    drop, target = stand.plant.drop, stand.plant.folder / "gateway-secret"
    number = 0
    while not over.wait(0.002):
        number += 1
        path, link = drop / f"race{number % 7}.csv", drop / ".link"
        with suppress(OSError):
            _put(stand, path.name)
            link.unlink(missing_ok=True)
            link.symlink_to(target)
            os.rename(link, path)


def hard_links(stand: Stand, over: threading.Event) -> None:
    """Second names of the service's files."""
    number = 0
    while not over.wait(1.0):
        for target in _own_files(stand):
            number += 1
            with suppress(OSError):
                os.link(target, stand.plant.drop / f"second{number}.csv")
                os.link(target, stand.plant.drop / f"second{number}.csv.rejected.csv")
                _put(stand, f"second{number + 1000}.csv")


def pipes(stand: Stand, over: threading.Event) -> None:
    """Pipes and sockets where files are expected."""
    number, open_sockets = 0, []
    while not over.wait(1.0):
        number += 1
        name = f"pipe{number}.csv"
        for place in (f"p{name}", f"processed/{name}", f"processed/{name}.rejected.csv", f"quarantine/{name}"):
            with suppress(OSError):
                os.mkfifo(stand.plant.drop / place)
                (stand.plant.drop / place).chmod(0o666)
        _put(stand, name)
        made = socket.socket(socket.AF_UNIX)
        with suppress(OSError):
            made.bind(str(stand.plant.drop / f"s{name}"))
        open_sockets.append(made)
    for made in open_sockets:
        made.close()


def names(stand: Stand, over: threading.Event) -> None:
    """Names as long as the file system takes, and names that are no text."""
    number = 0
    while not over.wait(0.5):
        number += 1
        for length in (230, 244, 251):
            _put(stand, f"{number:06d}" + "x" * (length - 10) + ".csv")
        _put(stand, b"\xff\xfe\n%d.csv" % number)
        _put(stand, f"\u202e{number}\x1b[2J.csv")
        with suppress(FileExistsError):
            (stand.plant.drop / f"folder{number}.csv").mkdir()


def bombs(stand: Stand, over: threading.Event) -> None:
    """A few kilobytes that unfold to a machine full."""
    letters = gzip.compress(b"a\n" * 8_000_000)
    rejects = gzip.compress(b"time,tag,value\n" + b"2025-03-01T00:00:00Z,NOBODYS_TAG,x\n" * 4_000_000)
    quotes = gzip.compress(b'time,tag,value\n"' + b"a\n" * 8_000_000)
    commas = gzip.compress(b"time,tag,value\n" + b"," * 200_000_000)
    number = 0
    while not over.wait(2.0):
        number += 1
        for name, content in (("letters", letters), ("rejects", rejects), ("quotes", quotes), ("commas", commas)):
            _put(stand, f"{name}{number}.csv.gz", content)


def archives(stand: Stand, over: threading.Event) -> None:
    """Archives that claim, or hold, more members than anybody lists."""
    one = struct.pack("<4s6H3L5H2L", b"PK\x01\x02", 20, 20, 0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0) + b"a"
    count = 65_000
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, count, count, len(one) * count, 30, 0)
    many = b"PK\x03\x04" + b"\0" * 26 + one * count + end
    drop = stand.plant.drop
    number = 0
    while not over.wait(2.0):
        number += 1
        _put(stand, f"many{number}.zip", many)
        with (drop / ".sparse").open("wb") as file:  # claims a list of 4 GB, and is nothing but a hole
            file.write(b"PK\x03\x04")
            file.seek(0xFFFFFFE0)
            file.write(struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, 0xFFFFFF00, 0, 0))
        (drop / ".sparse").rename(drop / f"endless{number}.zip")
        with zipfile.ZipFile(drop / ".deep", "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("../../../../key", MIXED)
            archive.writestr("deep.csv", b"a\n" * 20_000_000)
        (drop / ".deep").rename(drop / f"deep{number}.zip")


def giants(stand: Stand, over: threading.Event) -> None:
    """Files of 400 GB that are nothing but a hole."""
    number = 0
    while not over.wait(1.0):
        number += 1
        for place in (f"giant{number}.csv", f"processed/mixed{number}.csv"):
            path = stand.plant.drop / place
            with suppress(OSError):
                path.touch()
                os.truncate(path, 400 << 30)
        _put(stand, f"mixed{number}.csv")


def crowds(stand: Stand, over: threading.Event) -> None:
    """Thousands of files."""
    number = 0
    while not over.wait(0.2):
        for _ in range(50):
            number += 1
            _put(stand, f"crowd{number}.csv", f"{MIXED}# {number}\n")


# --- whoever has an account -----------------------------------------------------------------------------------------------


def _crowd(count: int, ask: Callable[[httpx.Client], object], over: threading.Event, base: str) -> None:
    """So many clients, each asking again and again."""

    def one(_: int) -> None:
        with httpx.Client(base_url=base, timeout=60, verify=False) as client:
            while not over.is_set():
                with suppress(httpx.HTTPError, AssertionError):
                    ask(client)

    with ThreadPoolExecutor(count) as pool:
        list(pool.map(one, range(count)))


def _bearer(stand: Stand, role: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {stand.tokens[role]}"}


def wide_ranges(stand: Stand, over: threading.Event) -> None:
    """Centuries, on sixty connections."""
    tank = stand.plant.tanks[0]
    paths = (f"/api/v1/tanks/{tank}/estimates", "/api/v1/signals/COUNTER/readings", "/api/v1/exports/estimates.csv", "/api/v1/exports/journal.csv")  # fmt: skip
    head = _bearer(stand, "viewer")
    turn = iter(range(1 << 40))
    _crowd(60, lambda client: client.get(f"{paths[next(turn) % len(paths)]}?{ALL_TIME}", headers=head), over, stand.url)


def downloads(stand: Stand, over: threading.Event) -> None:
    """Downloads that are held in the midst of COPY, then given up."""
    head = (
        "GET /api/v1/exports/readings.csv?start=2025-01-01T00:00:00Z&end=2025-02-01T00:00:00Z HTTP/1.1\r\nHost: x\r\n"
        f"Authorization: Bearer {stand.tokens['viewer']}\r\n\r\n"
    )
    held = 0
    while not over.is_set():
        with ExitStack() as lines:
            for _ in range(10):
                with suppress(OSError):
                    line = lines.enter_context(socket.create_connection(("127.0.0.1", stand.port), timeout=10))
                    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                    line.sendall(head.encode())
                    line.recv(500)
            over.wait(5.0)
            held = max(held, _in_the_midst_of_copy(stand))
    assert held, "no download was held in the midst of COPY"


def _in_the_midst_of_copy(stand: Stand) -> int:
    """How many connections of the database have rows to send that nobody takes."""
    with stand.connect() as conn:
        [count] = conn.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE state = 'active' AND query LIKE 'COPY %' AND wait_event = 'ClientWrite'"
        ).fetchone() or (0,)
    return int(count)


def photos(stand: Stand, over: threading.Event) -> None:
    """Photos that keep a decoder busy for more than a minute each."""
    sent = endless_photo(1000)
    head = _bearer(stand, "operator") | {"Content-Type": "application/octet-stream"}
    core = _core(stand)
    _crowd(45, lambda client: client.post(f"/api/v1/cores/{core}/photo", content=sent, headers=head), over, stand.url)


def _core(stand: Stand) -> str:
    """A core to hang photos on: a tank's that no storm is about."""
    with stand.connect() as conn:
        found = conn.execute("SELECT id FROM hand_core ORDER BY id LIMIT 1").fetchone()
    if found is not None:
        return str(found[0])
    told = stand.command("core", "add", stand.plant.tanks[-1], "4 ft", "--yes", "--json")
    assert told
    return _core(stand)


def reports(stand: Stand, over: threading.Event) -> None:
    """Every report in every form, all at once."""
    paths = [f"/reports/{span}/{form}" for span in ("daily", "monthly") for form in ("pdf", "xlsx")]
    turn = iter(range(1 << 40))
    with httpx.Client(base_url=stand.url, timeout=60, verify=False) as client:
        _sign_in(client, "viewer", PASSWORD)
        head = {"Cookie": "; ".join(f"{name}={value}" for name, value in client.cookies.items())}
    _crowd(30, lambda client: client.get(paths[next(turn) % len(paths)], headers=head), over, stand.url)


def _sign_in(client: httpx.Client, name: str, password: str) -> httpx.Response:
    page = client.get("/sign-in", headers={"Accept": "text/html"})
    return client.post("/sign-in", data={"form_token": form_token(page.text), "name": name, "password": password})


def guesses(stand: Stand, over: threading.Event) -> None:
    """A hundred guesses at a password at once."""
    turn = iter(range(1 << 40))
    _crowd(100, lambda client: _sign_in(client, "operator", f"a wrong password {next(turn)}"), over, stand.url)


def odd_paths(stand: Stand, over: threading.Event) -> None:
    """Addresses that no page has, with NUL, with thousands of letters, with links that answer alarms."""
    paths = (
        "/tanks/%00",
        "/api/v1/tanks/a%00b",
        "/cores?tank=%00",
        f"/tanks/{'x' * 6000}",
        "/a/" + "x" * 40,
        "/%ff%fe",
    )
    turn = iter(range(1 << 40))
    head = _bearer(stand, "viewer")
    _crowd(20, lambda client: client.get(paths[next(turn) % len(paths)], headers=head), over, stand.url)


def slow_clients(stand: Stand, over: threading.Event) -> None:
    """Connections that say nothing, or say it letter by letter."""
    lines: list[socket.socket] = []
    while not over.wait(0.05):
        with suppress(OSError):
            line = socket.create_connection(("127.0.0.1", stand.port), timeout=5)
            line.sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
            lines.append(line)
        for line in lines[-50:]:
            with suppress(OSError):
                line.sendall(b"x")
        if len(lines) > 600:
            lines.pop(0).close()
    for line in lines:
        line.close()


# --- whoever has a phone ----------------------------------------------------------------------------------------------------


def replies(stand: Stand, over: threading.Event) -> None:
    """Text messages by the thousand, from strangers with codes and from somebody known with chatter."""
    turn = iter(range(1 << 40))

    def post(client: httpx.Client) -> None:
        number = next(turn)
        stranger = number % 4 != 0
        sender = f"+1555{number % 1000:07d}" if stranger else ADDRESSES[FIRST_CALLED, "sms"]
        text = f"OK {number % 10_000:04d}" if stranger else "who is this?"
        client.post(
            "/gateway/phones/reply",
            json={"id": f"flood {number}", "from": sender, "text": text},
            headers={"X-Gateway-Secret": HOOK_SECRET},
        )

    _crowd(40, post, over, stand.url)


# --- the pages themselves ---------------------------------------------------------------------------------------------------


def pages_hang(stand: Stand, over: threading.Event) -> None:
    """The pages' process stands still, as where one thread never lets go of the interpreter."""
    pages = stand.pages()
    if pages is not None:
        pages.send_signal(signal.SIGSTOP)
    over.wait()


def pages_killed(stand: Stand, over: threading.Event) -> None:
    """The pages' process ends again and again."""
    while not over.wait(3.0):
        pages = stand.pages()
        if pages is not None:
            with suppress(psutil.Error):
                pages.kill()


def nothing(stand: Stand, over: threading.Event) -> None:
    """What a call takes while nobody attacks."""
    over.wait()


DROPPER, ACCOUNT, PHONE, ITSELF = "the drop folder", "an account", "a phone", "the pages themselves"

ATTACKS = (
    Attack("links", DROPPER, links),
    Attack("folder links", DROPPER, folder_links),
    Attack("race", DROPPER, race),
    Attack("hard links", DROPPER, hard_links),
    Attack("pipes", DROPPER, pipes),
    Attack("names", DROPPER, names),
    Attack("bombs", DROPPER, bombs),
    Attack("archives", DROPPER, archives),
    Attack("giants", DROPPER, giants),
    Attack("crowds", DROPPER, crowds),
    Attack("wide ranges", ACCOUNT, wide_ranges),
    Attack("downloads", ACCOUNT, downloads),
    Attack("photos", ACCOUNT, photos),
    Attack("reports", ACCOUNT, reports),
    Attack("guesses", ACCOUNT, guesses),
    Attack("odd paths", ACCOUNT, odd_paths),
    Attack("slow clients", ACCOUNT, slow_clients),
    Attack("replies", PHONE, replies),
    Attack("pages hang", ITSELF, pages_hang),
    Attack("pages killed", ITSELF, pages_killed),
)
