"""The service as a process: it serves its pages, lets in whom a command let in, and ends although somebody is looking."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from service.web.base.access import SESSION_COOKIE
from tests.support.command_line import run_command
from tests.support.mail_server import Mailbox, mail_server
from tests.support.plant_servers import free_port

PASSWORD = "six heron marsh lantern"
SITE = """\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "EAST_BLANKET"
kind = "blanket"
tank = "east"
unit = "ft"
measures = "height"
zero_height = 0
distance_from_wall = 20

[[connector]]
key = "export"
kind = "csv"
folder = "drop"

[[contact]]
name = "Night operator (invented)"
email = "night@example.org"
"""


def command(environment: dict[str, str], *words: str, given: str = "") -> subprocess.CompletedProcess[str]:
    return run_command(environment, *words, given=given)


def answering(url: str) -> None:
    with httpx.Client(verify=False) as client:
        for _ in range(3000):
            try:
                if client.get(f"{url}/readyz").status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
    raise AssertionError("the pages never came up")


@pytest.mark.slow
def test_pages_are_served_to_whom_a_command_let_in(tmp_path: Path, database_url: str) -> None:
    port = free_port()
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    (tmp_path / "drop").mkdir()
    environment = {
        **os.environ,
        "UNDERWEIR_DATABASE_URL": database_url,
        "UNDERWEIR_DATA_DIR": str(tmp_path / "data"),
        "UNDERWEIR_SITE_FILE": str(tmp_path / "site.toml"),
        "UNDERWEIR_HTTP_PORT": str(port),
    }
    url = f"http://127.0.0.1:{port}"
    made = command(
        environment, "people", "add", "boss", "--role", "administrator", "--password-stdin", given=PASSWORD + "\n"
    )
    assert made.returncode == 0, made.stderr
    weak = command(environment, "people", "add", "x", "--role", "viewer", "--password-stdin", given="short\n")
    assert weak.returncode == 1
    assert "at least 12 characters" in weak.stderr
    common = command(environment, "people", "password", "boss", "--password-stdin", given="Password1234\n")
    assert common.returncode == 1
    assert "one that many people use" in common.stderr
    assert "boss" in command(environment, "people", "list").stdout
    without = command(environment, "people", "second-factor-off", "boss")
    assert without.returncode == 1
    assert "boss has no second factor" in without.stderr

    with (tmp_path / "log").open("wb") as log:
        service = subprocess.Popen([sys.executable, "-m", "service", "run"], env=environment, stdout=log, stderr=log)
    try:
        answering(url)
        key = tmp_path / "data" / "secret.key"
        assert key.stat().st_mode & 0o777 == 0o600
        with httpx.Client(base_url=url, headers={"Accept": "text/html"}, verify=False) as client:
            assert client.get("/").headers["location"] == "/sign-in"
            found = re.search(r'name="form_token" value="([^"]+)"', client.get("/sign-in").text)
            assert found is not None
            answer = client.post("/sign-in", data={"form_token": found[1], "name": "Boss ", "password": PASSWORD})
            assert answer.status_code == 303
            assert SESSION_COOKIE in client.cookies
            # An administrator sets up a second step before anything else; whoever only runs the plant need not.
            assert client.get("/").headers["location"] == "/account/second-factor"
            client.cookies.clear()
            command(
                environment, "people", "add", "lead", "--role", "supervisor", "--password-stdin", given=f"{PASSWORD}\n"
            )
            found = re.search(r'name="form_token" value="([^"]+)"', client.get("/sign-in").text)
            assert found is not None
            client.post("/sign-in", data={"form_token": found[1], "name": "lead", "password": PASSWORD})
            assert "East clarifier" in client.get("/").text
            with client.stream("GET", "/live") as live:
                assert next(live.iter_lines()).startswith("retry")
                began = time.monotonic()
                service.send_signal(signal.SIGTERM)
                assert service.wait(300) == 0
                assert time.monotonic() - began < 60
    finally:
        service.kill()
        service.wait()
    assert PASSWORD not in (tmp_path / "log").read_text("utf-8")


@pytest.mark.slow
def test_whoever_a_command_changed_something_for_is_mailed(tmp_path: Path, database_url: str) -> None:
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    (tmp_path / "drop").mkdir()
    mailbox = Mailbox()
    with mail_server(mailbox) as smtp_port:
        environment = {
            **os.environ,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(tmp_path / "data"),
            "UNDERWEIR_SITE_FILE": str(tmp_path / "site.toml"),
            "UNDERWEIR_HTTP_PORT": str(free_port()),
            "UNDERWEIR_SMTP_HOST": "127.0.0.1",
            "UNDERWEIR_SMTP_PORT": str(smtp_port),
            "UNDERWEIR_SMTP_SECURITY": "none",
            "UNDERWEIR_SMTP_FROM": "underweir@example.org",
        }
        command(
            environment, "people", "add", "boss", "--role", "administrator", "--password-stdin", given=f"{PASSWORD}\n"
        )
        refused = command(environment, "people", "email", "boss", "boss@example")
        assert refused.returncode == 1
        assert "is not an e-mail address" in refused.stderr
        assert "told of changes" in command(environment, "people", "email", "boss", "boss@example.org").stdout
        with (tmp_path / "log").open("wb") as log:
            service = subprocess.Popen(
                [sys.executable, "-m", "service", "run"], env=environment, stdout=log, stderr=log
            )
        try:
            for _ in range(3000):
                if any(mail["To"] == "boss@example.org" for mail in mailbox.mails):
                    break
                time.sleep(0.1)
        finally:
            service.send_signal(signal.SIGTERM)
            service.wait(300)
    [subject] = [mail["Subject"] for mail in mailbox.mails if mail["To"] == "boss@example.org"]
    assert subject == "Your account: the e-mail address for notices like this one was changed, Invented Creek Works"


def test_a_taken_port_keeps_nobody_from_being_called(tmp_path: Path, database_url: str) -> None:
    """Without pages the watch goes on: calling people comes first."""
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    (tmp_path / "drop").mkdir()
    log_file = tmp_path / "log"
    with socket.socket() as taken, log_file.open("wb") as log:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        environment = {
            **os.environ,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(tmp_path / "data"),
            "UNDERWEIR_SITE_FILE": str(tmp_path / "site.toml"),
            "UNDERWEIR_HTTP_PORT": str(taken.getsockname()[1]),
        }
        service = subprocess.Popen([sys.executable, "-m", "service", "run"], env=environment, stdout=log, stderr=log)
        try:
            for _ in range(3000):
                if '"watching"' in log_file.read_text("utf-8"):
                    break
                time.sleep(0.1)
            service.send_signal(signal.SIGTERM)
            assert service.wait(300) == 0
        finally:
            service.kill()
            service.wait()
    said = log_file.read_text("utf-8")
    assert "another program listens there" in said
    assert '"watching"' in said
