"""deploy/WALKTHROUGH.md, followed to the letter: a fresh Debian, an ordinary account, three windows, and a person who pastes the boxes.

What the page says is seen (its quoted lines) must be seen. Only packages come from outside.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator

import pytest

from tests.support.containers import REPOSITORY, TRUSTED, Machine, copy_checkout
from tests.support.terminal import Window
from tests.support.written_steps import Step, steps

pytestmark = [pytest.mark.docker, pytest.mark.slow, pytest.mark.timeout(1200)]

PAGE = REPOSITORY / "deploy" / "WALKTHROUGH.md"
PROMPT = r"bash-\S+\$ $"
PASSWORD = "six heron marsh lantern"

#: A browser's part, done from the machine itself, as the pages are reached from there alone: signs in and prints the page.
SIGN_IN = f"""
import re
from http.cookiejar import CookieJar
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, build_opener

here = "http://127.0.0.1:8391"
browser = build_opener(HTTPCookieProcessor(CookieJar()))
form = browser.open(here + "/sign-in").read().decode()
token = re.search('name="form_token" value="([^"]+)"', form)[1]
entered = {{"form_token": token, "name": "me", "password": "{PASSWORD}", "to": "/"}}
print(browser.open(here + "/sign-in", urlencode(entered).encode()).read().decode())
"""


@pytest.fixture
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A fresh Debian with an account, a clone of this repository in it, and the packages the page asks for."""
    clone = copy_checkout(tmp_path_factory.mktemp("clone"))
    fresh = Machine("debian:bookworm-slim", "--init", "--volume", f"{clone}:/clone:ro", command=("sleep", "infinity"))
    [packages] = re.findall(r"`sudo (apt-get install .*?)`", PAGE.read_text("utf-8"))
    try:
        fresh.sh(f"""
            useradd --create-home --shell /bin/bash newcomer
            cp -r /clone /home/newcomer/underweir
            chown -R newcomer: /home/newcomer/underweir
            apt-get update -qq
            DEBIAN_FRONTEND=noninteractive {packages} 2>&1
        """)
        yield fresh
    finally:
        fresh.remove()


@pytest.fixture
def windows(machine: Machine) -> Iterator[dict[str, Window]]:
    """Terminal windows by the names the page gives them; each is opened when the page first speaks of it."""
    shell = [
        *("docker", "exec", "--interactive", "--tty", "--user", "newcomer", "--workdir", "/home/newcomer/underweir"),
        *("--env", "HOME=/home/newcomer", "--env", "LANG=C.UTF-8", "--env", f"PIP_TRUSTED_HOST={TRUSTED}"),
        *(machine.id, "bash", "--noprofile", "--norc", "--noediting"),
    ]

    class Opened(defaultdict[str, Window]):
        def __missing__(self, name: str) -> Window:
            self[name] = Window(*shell)
            return self[name]

    opened = Opened()
    yield opened
    for window in opened.values():
        window.close()


def follow(step: Step, window: Window) -> None:
    """Do what the page says with one box."""
    if "asked for twice" in step.before:
        since = len(window.shown)
        window.type(step.typed)
        for asked in ("Password: ", "Again: "):
            window.shows(asked, since=since)
            since = len(window.shown)
            window.type(PASSWORD + "\n")
        window.shows(PROMPT, since=since)
    elif "Leave it" in step.seen:
        window.type(step.typed)
    else:
        window.run(step.typed)


def seen(words: str, window: Window, since: int) -> None:
    """Hold what the page quotes against a window: … stands for anything, a measured number may be a little off."""
    pattern = re.escape(words).replace("…", ".*").replace(r"\ ", r"\s+")
    numbers = re.findall(r"\d+\.\d(?= ft)", words)
    for number in numbers:
        pattern = pattern.replace(re.escape(number), r"(\d+\.\d)", 1)
    found = window.shows(pattern, since=since)
    for written, shown in zip(numbers, found.groups(), strict=True):
        assert abs(float(written) - float(shown)) <= 0.3, found[0]


def in_the_browser(machine: Machine) -> str:
    """The page somebody sees who has signed in."""
    return machine.sh(f"/home/newcomer/underweir/.venv/bin/python - <<'END'\n{SIGN_IN}\nEND")


def test_the_page_leads_from_nothing_to_an_alarm_mail(machine: Machine, windows: dict[str, Window]) -> None:
    name = "first"
    for step in steps(PAGE):
        name = [name, *re.findall(r"\*\*(\w+) window\*\*", step.before)][-1]
        window = windows[name]
        if "CODE" in step.typed:
            step.typed = step.typed.replace("CODE", windows["second"].shows(r"underweir ack ([A-Z0-9]{6})\b")[1])
        before = {opened: len(window.shown) for opened, window in windows.items()}
        follow(step, window)

        where = name
        for quoted, other in re.findall(r"`([^`]+)`|\*\*(\w+) window\*\*", step.seen):
            if other:
                where = other
            elif quoted.startswith("drop/"):
                machine.sh(f"ls /home/newcomer/underweir-try/{quoted} | grep csv")
            else:
                seen(quoted, windows[where], before[where])
        if "one mail" in step.seen:
            assert windows["second"].shown.count("Subject: ") == 1
            assert "danger" in in_the_browser(machine).lower()
        if "Misspell a word" in step.seen:
            window.run("sed 's/^diameter/diametre/' ~/underweir-try/site.toml >~/underweir-try/wrong.toml\n")
            told = window.run("deploy/run check ~/underweir-try/wrong.toml\n")
            assert re.search(r":11: .*diametre.*diameter", told), told
        if "Sign in at" in step.seen:
            assert "East clarifier" in in_the_browser(machine)

    for window in (windows["first"], windows["second"]):
        window.press_ctrl_c()
        window.run("")
    windows["first"].run("rm -r ~/underweir-try\n")
    machine.sh("test ! -e /home/newcomer/underweir-try")
    left = machine.sh("cat $(find /proc -maxdepth 1 -name '[0-9]*' -user newcomer -printf '/proc/%f/comm ')").split()
    assert set(left) == {"bash"}  # the windows themselves
