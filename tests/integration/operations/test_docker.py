"""The image and the compose file stand and start, on whatever Docker engine answers."""

from __future__ import annotations

import json
import os
import re
import socket
import ssl
import subprocess
import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import psycopg
import pytest

from service.storage.database.file_locks import wait_until
from service.storage.database.schema import current_revision, head_revision
from tests.support.containers import REPOSITORY, TRUSTED, copy_checkout, run
from tests.support.database import TestServer
from tests.support.web_plant import form_token
from tests.support.written_steps import Step, steps_under

pytestmark = [pytest.mark.docker, pytest.mark.slow, pytest.mark.timeout(1500)]

PAGE = REPOSITORY / "deploy" / "INSTALL.md"


class Compose:
    """One compose project in a checkout of its own, so that nobody's secrets or volumes are touched."""

    def __init__(self, checkout: Path) -> None:
        self.checkout = checkout
        number = uuid.uuid4()
        self.project = f"underweir-test-{number.hex[:8]}"
        modern = subprocess.run(["docker", "compose", "version"], capture_output=True, check=False).returncode == 0
        self._command = ["docker", "compose"] if modern else ["docker-compose"]
        self.environment = {
            **os.environ,
            "DOCKER_BUILDKIT": "0",
            # Of its own as well: another worker's upgrade must not become this one's image.
            "UNDERWEIR_IMAGE": f"underweir:{self.project}",
            "UNDERWEIR_PROXY_IMAGE": "underweir-proxy:test",
            "UNDERWEIR_HTTPS_PORT": "127.0.0.1:0",
            "UNDERWEIR_HTTP_REDIRECT_PORT": "127.0.0.1:0",
            # One of 4,096: another worker may run other tests of this file at the same time.
            "UNDERWEIR_FRONT_NETWORK": f"172.31.{number.bytes[0]}.{number.bytes[1] & 0xF0}/28",
            "PIP_TRUSTED_HOST": TRUSTED,
        }

    @property
    def image(self) -> str:
        """What the image is called."""
        return self.environment["UNDERWEIR_IMAGE"]

    def command(self) -> list[str]:
        """The command, and which project it is about."""
        return [*self._command, "-p", self.project]

    def __call__(self, *arguments: str) -> str:
        return run(*self.command(), *arguments, cwd=self.checkout, env=self.environment)

    def address(self, port: int) -> str:
        """Where a port of the proxy is reached from this machine."""
        return self("port", "proxy", str(port)).splitlines()[0]

    def health(self, service: str) -> str:
        return run("docker", "inspect", "--format", "{{.State.Health.Status}}", self("ps", "-q", service))


@pytest.fixture(scope="module")
def compose(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Compose]:
    checkout = copy_checkout(tmp_path_factory.mktemp("checkout"))
    run(str(checkout / "deploy" / "make-secrets"))
    project = Compose(checkout)
    try:
        project("build")
        run("docker", "tag", project.image, "underweir:test")  # keeps what was built for the next build
        yield project
    finally:
        project("down", "-v", "--remove-orphans")
        names = [project.image, f"{project.image}-before"]
        subprocess.run(["docker", "rmi", *names], capture_output=True, check=False)


@pytest.fixture(scope="module")
def running(compose: Compose) -> Compose:
    """The project, started, and well by its own health checks."""
    compose("up", "-d")
    healthy = wait_until(lambda: compose.health("service") == "healthy", 300)
    assert healthy, compose("logs", "--tail", "50")
    return compose


def test_the_image_answers_and_runs_as_nobody_special(compose: Compose) -> None:
    image = ["docker", "run", "--rm", "--network", "none"]
    assert run(*image, compose.image, "--version").startswith("underweir ")
    assert run(*image, "--entrypoint", "id", compose.image, "-u") == "10001"


def test_the_image_holds_no_build_tools(compose: Compose) -> None:
    shell = ["docker", "run", "--rm", "--network", "none", "--entrypoint", "sh", compose.image, "-c"]
    assert run(*shell, "for tool in gcc cc make git; do command -v $tool || true; done") == ""
    listed = "import importlib.metadata as m; print(' '.join(sorted(d.name.lower() for d in m.distributions())))"
    packages = run(*shell, f'python -c "{listed}"').split()
    assert "underweir" in packages
    assert {"pip", "hatchling", "pytest"}.isdisjoint(packages)


def test_the_service_starts_on_the_database_beside_it(running: Compose) -> None:
    assert running.health("database") == "healthy"
    status = json.loads(running("exec", "-T", "service", "underweir", "status", "--json"))
    assert [tank["tank"] for tank in status["tanks"]]
    tables = "SELECT count(*) FROM tank"
    counted = running("exec", "-T", "database", "psql", "-U", "underweir", "-d", "underweir", "-Atc", tables)
    assert int(counted) == len(status["tanks"])


def test_no_password_stands_in_the_environment_of_a_container(running: Compose) -> None:
    for name in ("database_password", "database_owner_password", "database_everyday_password"):
        password = (running.checkout / "deploy" / "secrets" / name).read_text()
        assert len(password) == 48
        for service in ("service", "backup", "database"):
            assert password not in run("docker", "inspect", running("ps", "-q", service))


def test_the_service_works_as_a_role_that_owns_nothing(running: Compose) -> None:
    done = running("exec", "-T", "service", "sh", "-c", "underweir examine --json || true")
    [found] = [v["found"] for v in json.loads(done)["verdicts"] if v["about"] == "database role"]
    assert found == "underweir, which owns no table and is no superuser"


@pytest.fixture
def browser(running: Compose) -> Iterator[httpx.Client]:
    """Somebody on the plant's network, who trusts the certificate that was made for a start."""
    assert wait_until(lambda: running.health("proxy") == "healthy", 120)
    trust = ssl.create_default_context(cafile=running.checkout / "deploy" / "secrets" / "tls_certificate")
    with httpx.Client(base_url=f"https://{running.address(8443)}", verify=trust, timeout=30) as client:
        yield client


def test_the_pages_are_reached_through_the_proxy_over_tls_alone(running: Compose, browser: httpx.Client) -> None:
    assert browser.get("/readyz").text == "ready\n"
    answer = browser.get("/sign-in", headers={"Accept": "text/html"})
    assert answer.status_code == 200
    assert "max-age" in answer.headers["Strict-Transport-Security"]
    assert "secure" in answer.headers["Set-Cookie"].lower()
    assert "nginx/" not in answer.headers.get("Server", "")
    plain = httpx.get(f"http://{running.address(8080)}/alarms?x=1")
    assert plain.status_code == 308
    assert plain.headers["Location"] == "https://127.0.0.1/alarms?x=1"
    published = json.loads(
        run("docker", "inspect", "--format", "{{json .NetworkSettings.Ports}}", running("ps", "-q", "service"))
    )
    assert not any(published.values())


def test_somebody_can_be_let_in_and_sign_in(running: Compose, browser: httpx.Client) -> None:
    add = ["exec", "-T", "service", "underweir", "people", "add", "night", "--role", "operator", "--password-stdin"]
    fed = subprocess.run(
        [*running.command(), *add], input="six heron marsh lantern\n", text=True, capture_output=True, check=False,
        cwd=running.checkout, env=running.environment,
    )  # fmt: skip
    assert fed.returncode == 0, fed.stderr
    token = form_token(browser.get("/sign-in", headers={"Accept": "text/html"}).text)
    form = {"form_token": token, "name": "night", "password": "six heron marsh lantern", "to": "/"}
    # Nobody believes what a client says of its own address.
    answer = browser.post("/sign-in", data=form, headers={"X-Forwarded-For": "203.0.113.9"})
    assert answer.status_code == 303, answer.text[:500]
    asked = "SELECT address FROM audit_event WHERE action = 'signed in'"
    address = running("exec", "-T", "database", "psql", "-U", "underweir", "-d", "underweir", "-Atc", asked)
    assert address
    assert address != "203.0.113.9"
    assert not address.startswith("127.")


def test_too_much_is_refused_and_secrets_stay_out_of_the_log(running: Compose, browser: httpx.Client) -> None:
    assert browser.post("/api/v1/readings", content=b"x" * (9 << 20)).status_code == 413
    hidden = "a-secret-that-opens"
    assert browser.get(f"/a/{hidden}").status_code == 410
    assert browser.post(f"/a/{hidden}", content=b"x" * (9 << 20)).status_code == 413  # nginx has an error to tell
    assert (
        browser.get("/cautions", headers={"Referer": f"https://x/a/{hidden}"}, params={"x": hidden}).status_code == 200
    )
    assert browser.get("/sign-in/single/done", params={"code": hidden, "state": hidden}).status_code == 404
    # As a gateway does: by its headers; and as one does that was told wrong.
    assert browser.post("/gateway/provider/reply", auth=("any", hidden), json={}).status_code == 404
    assert browser.post("/gateway/provider/reply", headers={"X-Gateway-Secret": hidden}, json={}).status_code == 404
    assert browser.post(f"/gateway/provider/reply/{hidden}", content=b"x" * (9 << 20)).status_code == 413
    assert browser.get(f"/api/v1/tanks?token={hidden}").status_code == 401
    in_the_clear = httpx.get(f"http://{running.address(8080)}/a/{hidden}")
    assert in_the_clear.status_code == 308
    logged = running("logs", "proxy")
    assert "/a/(link)" in logged
    assert "/gateway/provider/reply/(left-out)" in logged
    assert hidden not in logged
    assert hidden not in running("logs", "service")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")  # versions this old are offered on purpose
def test_only_strong_ciphers_are_taken(running: Compose) -> None:
    """Each that OpenSSL knows is offered alone, as testing tools do (ASVS 9.1.2); strong are those with forward secrecy and authenticated encryption."""
    host, _, port = running.address(8443).rpartition(":")
    everything = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    everything.set_ciphers("ALL:COMPLEMENTOFALL:@SECLEVEL=0")
    old = [cipher["name"] for cipher in everything.get_ciphers() if not cipher["name"].startswith("TLS_")]
    assert len(old) > 50
    taken = []
    for name, version in [(one, ssl.TLSVersion.TLSv1_2) for one in old] + [
        ("ALL:@SECLEVEL=0", ssl.TLSVersion.TLSv1_1),
        ("ALL:@SECLEVEL=0", ssl.TLSVersion.TLSv1),
    ]:
        offered = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        offered.check_hostname, offered.verify_mode = False, ssl.CERT_NONE
        offered.set_ciphers(name if "SECLEVEL" in name else f"{name}:@SECLEVEL=0")
        offered.minimum_version = offered.maximum_version = version
        try:
            with (
                socket.create_connection((host, int(port)), timeout=60) as line,
                offered.wrap_socket(line, server_hostname="localhost") as encrypted,
            ):
                taken.append((encrypted.version(), encrypted.cipher()))
        except (ssl.SSLError, ConnectionError):
            continue
    assert taken
    for version_taken, cipher in taken:
        assert version_taken == "TLSv1.2"
        assert cipher is not None
        assert re.fullmatch(r"ECDHE-(ECDSA|RSA)-(AES(128|256)-GCM-SHA(256|384)|CHACHA20-POLY1305)", cipher[0]), cipher


@pytest.mark.parametrize("service", ["service", "proxy", "backup"])
def test_containers_can_write_only_where_they_must(running: Compose, service: str) -> None:
    container = running("ps", "-q", service)
    assert (
        run("docker", "inspect", "--format", "{{.HostConfig.ReadonlyRootfs}} {{.HostConfig.CapDrop}}", container)
        == "true [ALL]"
    )
    assert run("docker", "exec", container, "id", "-u") != "0"
    tried = "touch /usr/here /etc/here 2>/dev/null; ls /usr/here /etc/here 2>/dev/null; true"
    assert run("docker", "exec", container, "sh", "-c", tried) == ""


def test_the_backup_service_has_made_a_whole_backup(running: Compose) -> None:
    listed = ["exec", "-T", "backup", "sh", "-c", "ls /var/backups/underweir"]
    assert wait_until(lambda: running(*listed).endswith(".underweir-backup"), 120)
    [name] = running(*listed).splitlines()
    checked = running(
        "exec", "-T", "backup", "underweir", "restore", "--check", f"/var/backups/underweir/{name}", "--json"
    )
    assert json.loads(checked)["rows"]["tank"] > 0
    again = ["exec", "-T", "backup", "underweir", "backup", "/var/backups/underweir", "--unless-newer", "23.5"]
    assert "nothing to do" in running(*again)


def test_the_installation_finds_itself_well(running: Compose) -> None:
    done = subprocess.run(
        [*running.command(), "exec", "-T", "service", "underweir", "examine", "--json"],
        text=True, capture_output=True, check=False, cwd=running.checkout, env=running.environment,
    )  # fmt: skip
    wrong = {v["about"]: v["found"] for v in json.loads(done.stdout)["verdicts"] if v["grade"] == "wrong"}
    assert set(wrong) <= {"calling people"}, wrong  # no mail server is set here


def test_a_database_that_was_away_is_taken_up_again(running: Compose) -> None:
    running("stop", "database")
    running("start", "database")
    assert wait_until(lambda: running.health("database") == "healthy", 120)
    status = json.loads(running("exec", "-T", "service", "underweir", "status", "--json"))
    assert status["tanks"]
    assert run("docker", "inspect", "--format", "{{.RestartCount}}", running("ps", "-q", "service")) == "0"


def typed(step: Step, running: Compose, **named: str) -> str:
    """Type a box of the page, with this project and its image in the place of the ordinary ones."""
    command = " ".join(running.command())
    image = running.image
    lines = step.typed.replace("docker compose", command)
    lines = lines.replace("underweir:before", f"{image}-before").replace(
        "docker tag underweir ", f"docker tag {image} "
    )
    lines = re.sub(r"(docker tag \S+) underweir$", rf"\1 {image}", lines, flags=re.MULTILINE)
    for name, value in named.items():
        lines = lines.replace(name, value)
    return run("sh", "-euc", lines, cwd=running.checkout, env=running.environment)


def newest_backup(running: Compose) -> str:
    names = running("exec", "-T", "backup", "ls", "/var/backups/underweir").split()
    return names[-1].removesuffix(".underweir-backup")


def answers(running: Compose) -> bool:
    """Whether the service says that it is ready."""
    asked = "from urllib.request import urlopen as ask; ask('http://127.0.0.1:8391/readyz', timeout=8)"
    command = [*running.command(), "exec", "-T", "service", "python", "-c", asked]
    done = subprocess.run(command, cwd=running.checkout, env=running.environment, capture_output=True, check=False)
    return done.returncode == 0


def query(running: Compose, sql: str) -> str:
    return running("exec", "-T", "database", "psql", "-U", "underweir_owner", "-d", "underweir", "-Atc", sql)


def test_what_was_lost_comes_back_from_the_backup_services_file(running: Compose) -> None:
    assert wait_until(lambda: running("exec", "-T", "backup", "ls", "/var/backups/underweir") != "", 120)
    tanks = query(running, "SELECT count(*) FROM tank")
    file = newest_backup(running)
    query(running, "DROP TABLE tank CASCADE")
    [_, restoring] = steps_under(PAGE, "Backups")
    assert "restored" in typed(restoring, running, NEWEST=file)
    assert wait_until(lambda: answers(running), 120), running("logs", "--tail", "50", "service")
    assert query(running, "SELECT count(*) FROM tank") == tanks != "0"
    [drop] = re.findall(r"`docker compose (exec \S+ database dropdb .*?)`", PAGE.read_text("utf-8"))
    running(*drop.split())


def test_an_upgrade_is_made_and_gone_back_from_with_its_data(running: Compose) -> None:
    """A newer version whose tables are others; the older one is put back, and with it the data from before the upgrade."""
    add = ["exec", "-T", "service", "underweir", "core", "add", "east"]
    before, older = running(*add, "3.4 ft", "--json"), head_revision()
    [_, keep, upgrade] = steps_under(PAGE, "Upgrading")
    typed(keep, running)
    file = newest_backup(running)
    (running.checkout / "alembic" / "versions" / "9999_a_newer_version.py").write_text(
        f"""from alembic import op
revision, down_revision, branch_labels, depends_on = "9999", "{older}", None, None
def upgrade(): op.execute("ALTER TABLE tank ADD COLUMN newer text")
def downgrade(): op.execute("ALTER TABLE tank DROP COLUMN newer")
"""
    )
    up, _, examine = upgrade.typed.partition("\n")
    typed(replace(upgrade, typed=up), running)
    assert wait_until(lambda: answers(running), 180), running("logs", "--tail", "50", "service")
    command, _, _ = examine.partition("#")
    assert "tables: at revision 9999" in typed(
        replace(upgrade, typed=command + "|| true"), running
    )  # no way out is set here
    assert query(running, "SELECT version_num FROM alembic_version") == "9999"
    after = running(*add, "4.1 ft", "--json")

    [_, back] = steps_under(PAGE, "Going back")
    typed(back, running)
    assert wait_until(lambda: "a newer version has used it" in running("logs", "--tail", "20", "service"), 120)
    [_, restoring] = steps_under(PAGE, "Backups")
    assert "restored" in typed(restoring, running, NEWEST=file)
    assert wait_until(lambda: answers(running), 120), running("logs", "--tail", "50", "service")
    assert query(running, "SELECT version_num FROM alembic_version") == older
    stored = running("exec", "-T", "service", "underweir", "core", "list", "--json")
    assert json.loads(before)["id"] in stored
    assert json.loads(after)["id"] not in stored


def test_the_service_stops_when_told(running: Compose) -> None:
    container = running("ps", "-q", "service")
    running("stop", "service")
    assert run("docker", "inspect", "--format", "{{.State.ExitCode}}", container) == "0"
    assert '"stopped"' in running("logs", "service")


def test_tests_can_have_their_database_in_a_container(tmp_path: Path) -> None:
    server = TestServer("container", tmp_path)
    try:
        with server.database(migrated=True) as url:
            assert current_revision(url) == head_revision()
            with psycopg.connect(url) as connection:
                assert connection.execute("SELECT count(*) FROM tank").fetchone() == (0,)
        assert server.version()
    finally:
        server.close()
        server.remove()
