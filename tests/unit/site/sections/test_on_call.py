"""Shifts, escalations, gateways and modems in the site file: what is right comes through, what is wrong is found with its line."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from service.alarms.definition import Priority, SystemWatch
from service.calls.duty import on_duty
from service.calls.escalation import Whom
from service.errors import ConfigError
from service.site import check_site, parse_site
from service.site.site import Site

BASE = """
[site]
name = "Alder Creek"
units = "us"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East"
kind = "secondary"
shape = "circular"
diameter = "100 ft"
side_water_depth = "14 ft"

[[signal]]
tag = "LT-1"
kind = "blanket"
tank = "east"
unit = "ft"
measures = "height"
low = 0
high = 14

[[connector]]
key = "drop"
kind = "csv"
folder = "/var/lib/drop"

[[contact]]
name = "Ann"
email = "ann@example.org"
phone = "+15550100101"

[[contact]]
name = "Ben"
email = "ben@example.org"
"""
DUTY = """
[[shift]]
name = "nights"
people = ["Ann", "Ben"]
first_day = 2026-01-12
start = "19:00"
end = 07:00:00
turn_days = 1
weekdays = ["mon", "Tuesday", "wed"]

[[stand_in]]
person = "Ben"
start = "2026-01-12 22:00"
end = "2026-01-12 23:00"
why = "errand"

[[holiday]]
name = "A day off"
day = 2026-01-13

[[escalation]]
key = "danger"
priorities = ["high"]
steps = [
  { after = "30 min", everybody = true, again_every = "10 min", again_times = 3 },
  { after = "0 min", duty = "duty", channels = ["sms"] },
  { after = "15 min", contact = "Ben" },
]
"""


def site(more: str = DUTY, path: Path | None = None) -> Site:
    return parse_site(BASE + more, path)


def findings(more: str) -> list[tuple[str, str, str]]:
    return [(f.severity.value, f.field, f"{f.problem}; {f.remedy}") for f in check_site(BASE + more)]


def test_it_is_sound() -> None:
    assert findings("") == []
    assert findings(DUTY) == []


def test_rotas_and_escalations_come_through() -> None:
    (rota,) = site().rotas()
    (shift,) = rota.shifts
    assert (rota.key, shift.start, shift.end, shift.first_day) == ("duty", time(19), time(7), date(2026, 1, 12))
    assert shift.weekdays == {0, 1, 2}
    assert rota.holidays == {date(2026, 1, 13)}
    # 22:30 on Monday in New York is 03:30 on Tuesday in UTC.
    assert on_duty(rota, datetime(2026, 1, 13, 3, 30, tzinfo=UTC)).person == "Ben"
    assert on_duty(rota, datetime(2026, 1, 13, 4, 30, tzinfo=UTC)).person == "Ann"
    (escalation,) = site().escalations()
    assert escalation.priorities == {Priority.HIGH}
    assert [(r.after, r.whom, r.name, r.again_times, r.channels) for r in escalation.steps] == [
        (timedelta(0), Whom.DUTY, "duty", 0, ("sms",)),
        (timedelta(minutes=15), Whom.CONTACT, "Ben", 0, ()),
        (timedelta(minutes=30), Whom.EVERYBODY, "", 3, ()),
    ]


def test_a_hole_in_the_rota_is_watched_where_there_is_one() -> None:
    assert SystemWatch.DUTY in {d.watch for d in site().alarm_definitions()}
    assert SystemWatch.DUTY not in {d.watch for d in site("").alarm_definitions()}


SHIFT = '[[shift]]\nname = "s"\npeople = ["Ann"]\nfirst_day = 2026-01-12\n'


@pytest.mark.parametrize(
    ("text", "field", "words"),
    [
        (SHIFT.replace("Ann", "Anne"), "shift[s].people", 'no contact "Anne" is known; did you mean "Ann"?'),
        (SHIFT + 'start = "25:00"', "shift[s].start", "is no time of day"),
        (SHIFT + 'weekdays = ["mon", "tuseday"]', "shift[s].weekdays", 'did you mean "tuesday"?'),
        (SHIFT + "weekdays = []", "shift[s].weekdays", "is empty: the shift is never worked"),
        (SHIFT + "turn_days = 0", "shift[s].turn_days", ""),
        (SHIFT.replace("2026-01-12", '"soon"'), "shift[s].first_day", "is no day"),
        (SHIFT.replace('["Ann"]', "[]"), "shift[s].people", ""),
        (SHIFT + SHIFT, "shift[s].name", "is taken already"),
        (
            SHIFT + '[[stand_in]]\nperson = "Ben"\nstart = "2026-01-13 07:00"\nend = "2026-01-13 07:00"\n',
            "stand_in[Ben].end",
            "is not after start",
        ),
        (
            SHIFT
            + '[[stand_in]]\nperson = "Ben"\nrota = "dutty"\nstart = "2026-01-13 07:00"\nend = "2026-01-14 07:00"\n',
            "stand_in[Ben].rota",
            'did you mean "duty"?',
        ),
        (
            '[[escalation]]\nkey = "l"\nsteps = [{ after = "0 min", contact = "Bem" }]',
            "escalation[l].steps",
            'did you mean "Ben"?',
        ),
        (
            '[[escalation]]\nkey = "l"\nsteps = [{ after = "0 min", duty = "duty" }]',
            "escalation[l].steps",
            'no rota "duty"',
        ),
        ('[[escalation]]\nkey = "l"\nsteps = [{ after = "0 min" }]', "escalation[l].steps", "a step names nobody"),
        (
            '[[escalation]]\nkey = "l"\nsteps = [{ after = "0 min", contact = "Ann", everybody = true }]',
            "escalation[l].steps",
            "a step names contact and everybody",
        ),
        (
            '[[escalation]]\nkey = "l"\nsteps = [{ after = "5 min", contact = "Ann" }]',
            "escalation[l].steps",
            "nobody is called at once",
        ),
        (
            '[[escalation]]\nkey = "l"\nstart = "19:00"\nsteps = [{ after = "0 min", contact = "Ann" }]',
            "escalation[l].end",
            "write both or neither",
        ),
        ('[[escalation]]\nkey = "l"\nsteps = []', "escalation[l].steps", ""),
        ('[[gateway]]\nkey = "g"\nurl = "https://x.example.org/${token}"', "gateway[g]", "url asks for token"),
        ('[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nbody = "costs 5 $"', "gateway[g]", "body has a $"),
        ('[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nsuccess = "("', "gateway[g]", "no regular expression"),
        (
            '[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nreplies = { id = "i", sender = "f", text = "t" }',
            "gateway[g].hook_secret",
            "anybody could post",
        ),
        (
            '[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nhook_secret = "s"\n'
            'receipts = { id = "i", status = "s", delivered = ["d"], failed = ["f"] }',
            "gateway[g].message_id",
            "could not be matched",
        ),
        ('[[webhook]]\nkey = "w"\nurl = "ftp://x.example.org"', "webhook[w].url", "is no web address"),
        ('[[webhook]]\nkey = "w"\nurl = "https://u:p@x.example.org"', "webhook[w].url", "is no web address"),
        ('[[webhook]]\nkey = "w"\nurl = "https://x.example.org/${token}"', "webhook[w]", "url asks for token"),
        ('[[contact]]\nname = "Cy"\nwebhook = "w"', "contact[Cy].webhook", 'no webhook "w"'),
        (
            '[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\n[[modem]]\nport = "/dev/ttyUSB0"',
            "modem[/dev/ttyUSB0]",
            "is a second way for text messages",
        ),
    ],
)
def test_what_is_wrong_is_found(text: str, field: str, words: str) -> None:
    found = findings(text)
    assert next(f for severity, f, _ in found if severity == "error").startswith(field)
    assert any(words in sentence for _, _, sentence in found)


def test_text_messages_without_a_way_out_are_warned_of() -> None:
    wants = BASE.replace('phone = "+15550100101"', 'phone = "+15550100101"\nchannels = ["sms", "email"]')
    assert ["has no way out" in f.problem for f in check_site(wants)] == [True]
    assert check_site(wants + '[[modem]]\nport = "/dev/ttyUSB0"') == []


def test_secrets_are_read_from_their_files(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("s3cret\n")
    (tmp_path / "empty").write_text("\n")
    gateway = (
        '[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nheaders = { Authorization = "Bearer ${token}" }\n'
        'secrets = { token = "FILE" }\ntimeout = "7 s"\n'
    )
    (found,) = site(gateway.replace("FILE", "token"), tmp_path / "site.toml").gateways()
    assert (found.channel, found.secrets, found.timeout) == ("sms", {"token": "s3cret"}, 7.0)
    for file, why in (("empty", "is empty"), ("missing", "cannot be read")):
        with pytest.raises(ConfigError, match=why):
            site(gateway.replace("FILE", file), tmp_path / "site.toml").gateways()


def test_a_webhook_comes_through(tmp_path: Path) -> None:
    (tmp_path / "sign").write_text("s3cret\n")
    hook = (
        '[[webhook]]\nkey = "pager"\nurl = "http://10.0.0.7/x"\nsigning_secret = "sign"\nprivate_addresses = true\n'
        '[[contact]]\nname = "Pager"\nwebhook = "pager"\n'
    )
    found = site(hook, tmp_path / "site.toml")
    (pager,) = found.webhooks().values()
    assert (pager.gateway.channel, pager.signing_secret, pager.private) == ("webhook", "s3cret", True)
    assert "s3cret" not in repr(pager)
    assert next(c for c in found.contacts() if c.name == "Pager").channels == ("webhook",)


def test_what_a_gateway_may_post_comes_through(tmp_path: Path) -> None:
    (tmp_path / "hook").write_text("a secret long enough to keep\n")
    (tmp_path / "short").write_text("short\n")
    gateway = (
        '[[gateway]]\nkey = "g"\nurl = "https://x.example.org"\nmessage_id = "(.*)"\nhook_secret = "FILE"\n'
        'receipts = { id = "i", status = "s", delivered = ["d"], failed = ["f"] }\n'
        'replies = { id = "i", sender = "f", text = "t" }\n'
    )
    hook = site(gateway.replace("FILE", "hook"), tmp_path / "site.toml").gateway_hooks()["g"]
    assert hook.knows("a secret long enough to keep")
    assert hook.receipts is not None
    assert hook.receipts.delivered == {"d"}
    with pytest.raises(ConfigError, match="shorter than"):
        site(gateway.replace("FILE", "short"), tmp_path / "site.toml").gateway_hooks()


def test_a_modem_comes_through(tmp_path: Path) -> None:
    (tmp_path / "pin").write_text("1234")
    text = f'[[modem]]\nport = "/dev/ttyUSB0"\nbaud = 9600\npin_file = "{tmp_path / "pin"}"\n'
    (modem,) = site(text).modems()
    assert (modem.port, modem.baud, modem.pin) == ("/dev/ttyUSB0", 9600, "1234")
