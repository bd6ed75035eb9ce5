"""Doors × effects: whichever door a core, a round, a laboratory value or an alarm command comes through, the same follows, all of it or nothing.

A door is a place in the service that calls the one way in. Each has its rows here; one without a row fails.
"""

from __future__ import annotations

import ast
import getpass
import html
import socket
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from sqlalchemy import text
from typer.testing import CliRunner, Result

from connectors.base import Delivery, HandCore, LaboratoryValue, block_of
from service.alarms.machine import AlarmState
from service.bootstrap import Installation, apply_and_open, load_configuration, wall_clock
from service.cli.app import program
from service.domain.cores.core import Core
from service.domain.cores.round import Round
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.plant.role import Role, Scope
from service.jobs.accounts import people
from service.jobs.accounts.actor import Door
from service.jobs.alarms.evaluate import evaluate
from service.jobs.blanket.estimate import update_estimates
from service.jobs.calls.incoming import take_reply
from service.jobs.calls.reply import Answered
from service.jobs.cores.core import CoreDraft, submit_core
from service.jobs.cores.round import submit_round
from service.jobs.ingest import ingest
from service.jobs.laboratory.result import LaboratoryDraft, submit_result
from service.notify.channels import gsm7
from service.notify.channels.gateway_hook import GatewayReply
from service.storage.alarms.alarms import alarms, save_alarms
from service.storage.blanket.recompute import claim_due
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from service.web.app import create_app
from service.web.server import WebServer, bind_socket
from tests.support.alarm_plant import AlarmPlant, by
from tests.support.web_plant import PASSWORD, Clock, WebSite, form_token

SERVICE = Path(__file__).parents[3] / "service"
ZONE = ZoneInfo("America/New_York")
PHONE = "+15550100199"
ALARM = "east.high-high"
CODE = "K7QXHM"
#: Sludge in a tank of 4 m: far from the weir, and under it. [m]
LOW, HIGH = 1.0, 3.7
SITE = f"""\
[site]
name = "Alder Creek (invented)"
units = "si"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 30
side_water_depth = 4
floor_slope = 0
core_distance_from_wall = 5

[[alarm]]
tank = "east"
kind = "high-high"
clearance = 0.9
deadband = 0.1
on_delay = "0 min"
latching = true

[[contact]]
name = "Anna"
email = "anna@example.org"
phone = "{PHONE}"

[[contact]]
name = "Ben"
email = "ben@example.org"

[reports]
to = ["Ben"]
cores = "at once"
"""
AUDITED = "action ~ '^(core|alarm|round|laboratory result) '"
#: Callers of the one way in that no person comes through.
NO_DOOR = {"demo/teller.py: Teller.answer": "the invented operator of the demo"}


@dataclass
class House:
    """An installation with its pages."""

    plant: Installation
    site: WebSite
    prepared: uuid.UUID | None = None

    def look(self) -> None:
        """Estimate what changed, and look at the alarms."""
        now = wall_clock()
        update_estimates(self.plant.engine, self.plant.setups, self.plant.ids, now)
        evaluate(self.plant.engine, self.plant.model, projected={}, now=now)

    def cores(self) -> list[float]:
        with transaction(self.plant.engine) as conn:
            return [record.core.thickness for record in current_cores(conn, [self.plant.ids.tanks["east"]])]

    def state(self) -> AlarmState:
        with transaction(self.plant.engine) as conn:
            return next(record.machine.state for record in alarms(conn) if record.key == ALARM)

    def kept(self) -> dict[str, list[Any]]:
        """All that a door may change. The answer to a text message is no effect but part of the conversation."""
        asked = {
            "cores": "SELECT id FROM hand_core ORDER BY id",
            "rounds": "SELECT id FROM surface_round ORDER BY id",
            "laboratory": "SELECT id FROM laboratory_result ORDER BY id",
            "messages": "SELECT key FROM outbox WHERE payload->>'kind' <> 'reply' ORDER BY id",
            "audit": f"SELECT action, actor, via, address, subject FROM audit_event WHERE {AUDITED} ORDER BY id",
            "alarms": "SELECT key, state, machine FROM alarm ORDER BY id",
            "journal": "SELECT event, actor FROM alarm_event ORDER BY id",
        }
        with transaction(self.plant.engine) as conn:
            found: dict[str, list[Any]] = {
                name: [tuple(row) for row in conn.execute(text(query))] for name, query in asked.items()
            }
            return found | {"marks": claim_due(conn)}

    def refuse_audit(self, refuse: bool) -> None:
        """Have the database refuse lines of the audit log about cores and alarms, or take them again."""
        with transaction(self.plant.engine) as conn:
            if refuse:
                conn.execute(
                    text(
                        "CREATE FUNCTION no_audit() RETURNS trigger LANGUAGE plpgsql"
                        " AS $$ BEGIN RAISE EXCEPTION 'no audit today'; END $$"
                    )
                )
                conn.execute(
                    text(
                        "CREATE TRIGGER no_audit BEFORE INSERT ON audit_event FOR EACH ROW"
                        f" WHEN ({AUDITED.replace('action', 'NEW.action')}) EXECUTE FUNCTION no_audit()"
                    )
                )
            else:
                conn.execute(text("DROP TRIGGER no_audit ON audit_event"))
                conn.execute(text("DROP FUNCTION no_audit()"))

    def prepare(self, thickness: float) -> None:
        """A core that is there already, from yesterday's sheet or this morning's round."""
        now, tank = wall_clock(), self.plant.tanks["east"]
        core = Core(
            id=uuid.uuid4(), tank="east", taken_at=AT, recorded_at=now, thickness=thickness, distance_from_wall=5.0
        )
        with transaction(self.plant.engine) as conn:
            draft = CoreDraft(core=core, typed_value=thickness, typed_unit="m", confirmed=True)
            submit_core(conn, self.plant.model, tank, draft, by("Ben"), now=now)
        self.prepared = core.id

    def prepare_record(self, kind: str) -> None:
        """A round or a laboratory value that is there already."""
        now, number = wall_clock(), uuid.uuid4()
        with transaction(self.plant.engine) as conn:
            if kind == "round":
                seen = Round(id=number, tank="east", taken_at=AT, recorded_at=now, words=("scum",))
                submit_round(conn, self.plant.model, seen, by("Ben"), now=now)
            else:
                solids = LaboratoryKind.MIXED_LIQUOR_SOLIDS
                result = LaboratoryResult(id=number, kind=solids, tank=None, taken_at=AT, recorded_at=now, value=2.4)
                draft = LaboratoryDraft(result=result, typed_value=2400.0, typed_unit="mg/L", confirmed=True)
                submit_result(conn, self.plant.model, draft, by("Ben"), now=now)
        self.prepared = number

    def stand(self, state: AlarmState) -> None:
        """Have the alarm stand there."""
        now = wall_clock()
        with transaction(self.plant.engine) as conn:
            record = next(record for record in alarms(conn) if record.key == ALARM)
            machine = replace(record.machine, state=state, since=now, occurred_at=now, code=CODE, actor="Anna")
            if state is AlarmState.SHELVED:
                machine = replace(machine, shelved_until=now + timedelta(hours=1))
            save_alarms(conn, [(record.id, machine)])


#: When the cores were taken: sheets tell it, so it is the same for all.
AT = wall_clock().replace(microsecond=0) - timedelta(minutes=10)


@pytest.fixture
def house(tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    for name, value in {
        "DATABASE_URL": database_url,
        "DATA_DIR": str(tmp_path / "data"),
        "SITE_FILE": str(tmp_path / "site.toml"),
        "SMTP_HOST": "127.0.0.1",
        "SMTP_FROM": "underweir@example.org",
    }.items():
        monkeypatch.setenv(f"UNDERWEIR_{name}", value)
    with apply_and_open(load_configuration(), by="test") as plant:
        clock = Clock(wall_clock())
        for role in (Role.OPERATOR, Role.SUPERVISOR):
            people.add(
                plant.engine, name=role, label=f"{role.title()} Person", role=role, password=PASSWORD,
                now=clock.now, actor="test",
            )  # fmt: skip
        web = plant.pages(clock)
        app = create_app(web)
        server = WebServer(app, bind_socket("127.0.0.1", 0))
        server.start()
        site = WebSite(app, web, AlarmPlant(plant.engine, plant.alarms, plant.ids), clock, server.address)
        found = House(plant, site)
        found.look()
        assert found.state() is AlarmState.NORMAL
        try:
            yield found
        finally:
            for client in site.clients:
                client.close()
            server.stop()


Go = Callable[[], object]
Make = Callable[[House], Go]


def page(role: Role, at: str, to: str, **data: Any) -> Make:
    """Somebody of that role sends a form of a page; ``{core}`` stands for the prepared core."""

    def make(house: House) -> Go:
        client = house.site.client(role)
        form = client.get(at.format(core=house.prepared))
        sent = {"form_token": form_token(form.text), **data}
        return lambda: client.post(to.format(core=house.prepared), data=sent)

    return make


def api(to: str, **body: Any) -> Make:
    """A program posts JSON; the id of a core is made once."""

    def make(house: House) -> Go:
        client = house.site.client()
        client.headers.update(
            house.site.token(Role.OPERATOR, Scope.CORES, Scope.ALARMS) | {"Accept": "application/json"}
        )
        sent = {key: str(uuid.uuid4()) if value is uuid.uuid4 else value for key, value in body.items()}
        return lambda: client.post(to, json=sent)

    return make


def command(*words: str) -> Make:
    """Somebody types a command."""

    def make(house: House) -> Go:
        said = [word.format(core=house.prepared) for word in words]
        return lambda: CliRunner().invoke(program(), said)

    return make


def texts(*said: str) -> Make:
    """Anna writes text messages; all but the last are said before."""

    def make(house: House) -> Go:
        def say(words: str) -> object:
            reply = GatewayReply(message_id=str(uuid.uuid4()), sender=PHONE, text=words)
            plant = house.plant
            return take_reply(plant.engine, plant.model, reply, wall_clock())

        for words in said[:-1]:
            say(words)
        return lambda: say(said[-1])

    return make


class OneSheet:
    """A connector that brings one sheet."""

    key = "sheets"

    def __init__(self, name: str, thickness: float) -> None:
        core = HandCore(tank="east", time=AT, thickness=thickness, unit="m", line=2)
        self.delivery = Delivery(origin=name, samples=block_of([]), cores=(core,))

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        yield self.delivery

    def committed(self, delivery: Delivery) -> None: ...

    def close(self) -> None: ...


def sheet(*thicknesses: float) -> Make:
    """Sheets with one core each; all but the last came before."""

    def make(house: House) -> Go:
        def bring(number: int, thickness: float) -> object:
            return ingest(OneSheet(f"round {number}.csv", thickness), house.plant.model, house.plant.engine, wall_clock)

        for number, thickness in enumerate(thicknesses[:-1]):
            bring(number, thickness)
        return lambda: bring(len(thicknesses) - 1, thicknesses[-1])

    return make


def bench_sheet(house: House) -> Go:
    """A laboratory's sheet is dropped."""
    one = OneSheet("day.csv", LOW)
    value = LaboratoryValue(kind="MLSS", time=AT, value=2400.0, unit="mg/L", line=2)
    one.delivery = Delivery(origin="day.csv", samples=block_of([]), laboratory=(value,))
    return lambda: ingest(one, house.plant.model, house.plant.engine, wall_clock)


def link(house: House) -> Go:
    """Anna presses the button of the message's link."""
    client, token = house.site.client(), house.site.web.links.token(ALARM, CODE, house.site.clock())
    return lambda: client.post(f"/a/{token}", data={"who": "Anna"})


@dataclass(frozen=True, kw_only=True)
class CoreRow:
    """A way for a core to come in. ``before`` is the core that is there already [m]."""

    door: str
    make: Make
    action: str = "core logged"
    account: str
    via: Door
    address: str
    before: float | None = None
    after: Sequence[float] = (HIGH,)
    notice: str = "CORE East clarifier"


@dataclass(frozen=True, kw_only=True)
class RecordRow:
    """A way for a round or a laboratory value to come in; ``action`` begins with the kind, as does what is there already."""

    door: str
    make: Make
    action: str
    account: str
    via: Door
    address: str
    before: bool = False


@dataclass(frozen=True, kw_only=True)
class CommandRow:
    """A way for a command to an alarm to come in."""

    door: str
    make: Make
    action: str
    account: str
    name: str
    via: Door
    address: str
    before: AlarmState = AlarmState.UNACKNOWLEDGED


HERE, LOGIN = socket.gethostname(), getpass.getuser()
ENTRY: dict[str, Any] = {"tank": "east", "value": f"{HIGH}", "unit": "m", "confirmed": True}
PAGE: dict[str, Any] = {"account": "operator", "via": Door.PAGE, "address": "127.0.0.1"}
BOSS: dict[str, Any] = PAGE | {"account": "supervisor"}
TYPED: dict[str, Any] = {"account": LOGIN, "via": Door.COMMAND, "address": HERE}
SMS: dict[str, Any] = {"account": "Anna", "via": Door.SMS, "address": PHONE}
CORRECTED: dict[str, Any] = {
    "action": "core corrected", "before": LOW, "notice": "CORRECTED CORE East clarifier",
}  # fmt: skip
WITHDRAWN: dict[str, Any] = {
    "action": "core withdrawn", "before": HIGH, "after": (), "notice": "WITHDRAWN CORE East clarifier",
}  # fmt: skip

CORES = {
    "page": CoreRow(
        door="web/cores/entry.py: store_entry",
        make=page(Role.OPERATOR, "/round", "/round", **ENTRY | {"confirmed": "yes"}),
        **PAGE,
    ),
    "API": CoreRow(
        door="web/cores/entry.py: store_entry",
        make=api("/api/v1/cores", id=uuid.uuid4, taken_at=AT.isoformat(), **ENTRY),
        **PAGE | {"via": Door.API},
    ),
    "page, corrected": CoreRow(
        door="web/cores/entry.py: store_entry",
        make=page(
            Role.OPERATOR, "/cores/{core}", "/cores/{core}/correct", value=f"{HIGH}", unit="m", reason="misread",
            confirmed="yes",
        ),
        **PAGE | CORRECTED,
    ),
    "page, withdrawn": CoreRow(
        door="web/cores/round_page.py: withdraw",
        make=page(Role.SUPERVISOR, "/cores/{core}", "/cores/{core}/withdraw", reason="never was"),
        **BOSS | WITHDRAWN,
    ),
    "command": CoreRow(
        door="cli/cores/core.py: _add", make=command("core", "add", "east", f"{HIGH} m", "--by", "Sam", "--yes"), **TYPED
    ),
    "command, corrected": CoreRow(
        door="cli/cores/core.py: _correct",
        make=command("core", "correct", "{core}", f"{HIGH} m", "--reason", "misread", "--yes"),
        **TYPED | CORRECTED,
    ),
    "command, withdrawn": CoreRow(
        door="cli/cores/core.py: _withdraw",
        make=command("core", "withdraw", "{core}", "--reason", "never was"),
        **TYPED | WITHDRAWN,
    ),
    "sheet": CoreRow(
        door="jobs/ingest/hand_cores.py: store_cores",
        make=sheet(HIGH), account="sheets", via=Door.SHEET, address="round 0.csv",
    ),
    "sheet, corrected": CoreRow(
        door="jobs/ingest/hand_cores.py: store_cores",
        make=sheet(LOW, HIGH), account="sheets", via=Door.SHEET, address="round 1.csv",
        **{**CORRECTED, "before": None},
    ),
    "SMS": CoreRow(
        door="jobs/calls/reply.py: _ReplyHandler.confirm", make=texts(f"core east {HIGH} m", "yes"), **SMS
    ),
}  # fmt: skip

ROUND, VALUE = {"tank": "east", "words": ["foam"]}, {"kind": "mixed_liquor_solids", "value": "2400", "unit": "mg/L"}
RECORDS = {
    "round, page": RecordRow(
        door="web/cores/walk_page.py: log", make=page(Role.OPERATOR, "/rounds", "/rounds", **ROUND),
        action="round logged", **PAGE,
    ),
    "round, page, corrected": RecordRow(
        door="web/cores/walk_page.py: correct", before=True, action="round corrected",
        make=page(Role.OPERATOR, "/rounds/{core}", "/rounds/{core}/correct", reason="misread", **ROUND), **PAGE,
    ),
    "round, page, withdrawn": RecordRow(
        door="web/cores/walk_page.py: withdraw", before=True, action="round withdrawn",
        make=page(Role.SUPERVISOR, "/rounds/{core}", "/rounds/{core}/withdraw", reason="never was"), **BOSS,
    ),
    "round, API": RecordRow(
        door="web/cores/api.py: log",
        make=api("/api/v1/rounds", id=uuid.uuid4, taken_at=AT.isoformat(), **ROUND),
        action="round logged", **PAGE | {"via": Door.API},
    ),
    "round, command": RecordRow(
        door="cli/cores/round.py: _add", make=command("round", "add", "east", "--word", "foam"), action="round logged",
        **TYPED,
    ),
    "round, command, corrected": RecordRow(
        door="cli/cores/round.py: _correct", before=True, action="round corrected",
        make=command("round", "correct", "{core}", "--word", "foam", "--reason", "misread"), **TYPED,
    ),
    "round, command, withdrawn": RecordRow(
        door="cli/cores/round.py: _withdraw", before=True, action="round withdrawn",
        make=command("round", "withdraw", "{core}", "--reason", "never was"), **TYPED,
    ),
    "laboratory, page": RecordRow(
        door="web/laboratory/page.py: _enter",
        make=page(Role.OPERATOR, "/laboratory", "/laboratory", mixed_liquor_solids="2400"),
        action="laboratory result entered", **PAGE,
    ),
    "laboratory, page, corrected": RecordRow(
        door="web/laboratory/page.py: correct", before=True, action="laboratory result corrected",
        make=page(
            Role.OPERATOR, "/laboratory/{core}", "/laboratory/{core}/correct", value="2500", unit="mg/L",
            reason="misread",
        ),
        **PAGE,
    ),
    "laboratory, page, withdrawn": RecordRow(
        door="web/laboratory/page.py: withdraw", before=True, action="laboratory result withdrawn",
        make=page(Role.SUPERVISOR, "/laboratory/{core}", "/laboratory/{core}/withdraw", reason="never was"), **BOSS,
    ),
    "laboratory, API": RecordRow(
        door="web/laboratory/api.py: enter",
        make=api("/api/v1/laboratory", id=uuid.uuid4, taken_at=AT.isoformat(), **VALUE),
        action="laboratory result entered", **PAGE | {"via": Door.API},
    ),
    "laboratory, sheet": RecordRow(
        door="jobs/ingest/laboratory_values.py: store_laboratory", make=bench_sheet,
        action="laboratory result entered", account="sheets", via=Door.SHEET, address="day.csv",
    ),
}  # fmt: skip

ACK, SHELVE, UNSHELVE = "alarm acknowledged", "alarm shelved", "alarm unshelved"
RESET, OUT, BACK = "alarm reset", "alarm removed from service", "alarm returned to service"
BEFORE = {
    UNSHELVE: AlarmState.SHELVED,
    RESET: AlarmState.LATCHED_ACKNOWLEDGED,
    BACK: AlarmState.OUT_OF_SERVICE,
}


def pressed(action: str, verb: str, role: Role = Role.OPERATOR, **data: Any) -> CommandRow:
    who: dict[str, Any] = PAGE if role is Role.OPERATOR else BOSS
    return CommandRow(
        door="web/alarms/page.py: _do",
        make=page(role, f"/alarms/{ALARM}", f"/alarms/{ALARM}/{verb}", **data),
        action=action,
        name=f"{role.title()} Person",
        before=BEFORE.get(action, AlarmState.UNACKNOWLEDGED),
        **who,
    )


def typed(action: str, function: str, *words: str) -> CommandRow:
    return CommandRow(
        door=function,
        make=command(words[0], ALARM, "--who", "Sam", *words[1:]),
        action=action,
        name="Sam",
        before=BEFORE.get(action, AlarmState.UNACKNOWLEDGED),
        **TYPED,
    )


COMMANDS = {
    "page, acknowledge": pressed(ACK, "acknowledge", note="going"),
    "page, shelve": pressed(SHELVE, "shelve", hours="1", why="divers"),
    "page, unshelve": pressed(UNSHELVE, "unshelve"),
    "page, reset": pressed(RESET, "reset"),
    "page, out of service": pressed(OUT, "remove", Role.SUPERVISOR, why="repair"),
    "page, back": pressed(BACK, "restore", Role.SUPERVISOR),
    "link": CommandRow(
        door="web/alarms/page.py: answer_by_link", make=link, action=ACK, account="Anna", name="Anna", via=Door.LINK,
        address="127.0.0.1",
    ),
    "API": CommandRow(
        door="web/api/routes.py: acknowledge",
        make=api(f"/api/v1/alarms/{ALARM}/acknowledge", note="going"),
        action=ACK, name="Operator Person", **PAGE | {"via": Door.API},
    ),
    "command, acknowledge": typed(ACK, "cli/alarms/alarms.py: _ack", "ack"),
    "command, shelve": typed(SHELVE, "cli/alarms/alarms.py: _shelve", "shelve", "--until", "1 h", "--why", "divers"),
    "command, unshelve": typed(UNSHELVE, "cli/alarms/alarms.py: _unshelve", "unshelve"),
    "command, reset": typed(RESET, "cli/calls/calls.py: _reset", "reset"),
    "command, out of service": typed(OUT, "cli/calls/calls.py: _out", "out-of-service", "--why", "repair"),
    "command, back": typed(BACK, "cli/calls/calls.py: _back", "in-service"),
    "SMS": CommandRow(
        door="jobs/calls/reply.py: _ReplyHandler.submit", make=texts(CODE), action=ACK, name="Anna", **SMS
    ),
    "SMS, given back": CommandRow(
        door="jobs/calls/reply.py: _ReplyHandler.submit", make=texts(f"no {CODE}"), action="alarm declined", name="Anna",
        before=AlarmState.ACKNOWLEDGED, **SMS,
    ),
}  # fmt: skip


def tried_without_audit(house: House, go: Go) -> dict[str, list[Any]]:
    """Go through the door while the audit log takes nothing: nothing of it may be left. Gives back what is kept."""
    before = house.kept()
    house.refuse_audit(True)
    with suppress(Exception):  # a page answers with 500, a command ends with its status, a job raises: each as it does
        go()
    house.refuse_audit(False)
    assert house.kept() == before
    return before


@pytest.mark.parametrize("row", CORES.values(), ids=CORES)
def test_a_core_has_the_same_effects_through_every_door(house: House, row: CoreRow) -> None:
    if row.before is not None:
        house.prepare(row.before)
    go = row.make(house)
    update_estimates(house.plant.engine, house.plant.setups, house.plant.ids, wall_clock())
    before = tried_without_audit(house, go)
    assert before["marks"] == []
    done = go()
    after = house.kept()
    assert house.cores() == pytest.approx(list(row.after)), done
    [line] = after["audit"][len(before["audit"]) :]
    assert line[:4] == (row.action, row.account, row.via, row.address)
    [message] = [key for (key,) in after["messages"][len(before["messages"]) :]]
    assert message.startswith("core|")
    assert message.endswith("|Ben|email")
    with transaction(house.plant.engine) as conn:
        words = conn.execute(text("SELECT payload->>'subject' FROM outbox WHERE key = :key"), {"key": message}).scalar()
    assert str(words).startswith(row.notice)
    # A command estimates by itself where no service runs: what it marked is done already.
    marked = [] if row.via == "command" else ["east"]
    assert [house.plant.ids.tank_key(mark.tank_id) for mark in after["marks"]] == marked
    house.look()
    assert house.state() is (AlarmState.UNACKNOWLEDGED if row.after else AlarmState.NORMAL)


@pytest.mark.parametrize("row", RECORDS.values(), ids=RECORDS)
def test_a_round_or_value_is_kept_with_its_line_through_every_door(house: House, row: RecordRow) -> None:
    kind = row.action.split()[0]
    if row.before:
        house.prepare_record(kind)
    go = row.make(house)
    before = tried_without_audit(house, go)
    done = go()
    after = house.kept()
    table = "rounds" if kind == "round" else "laboratory"
    assert len(after[table]) == len(before[table]) + 1, done
    [line] = after["audit"][len(before["audit"]) :]
    assert line[:4] == (row.action, row.account, row.via, row.address)


def test_a_doubtful_core_is_asked_about_in_the_same_words_at_every_door(house: House) -> None:
    house.prepare(LOW)
    doubtful = {key: value for key, value in ENTRY.items() if key != "confirmed"}
    asked = api("/api/v1/cores", id=uuid.uuid4, taken_at=AT.isoformat(), **doubtful)(house)()
    assert isinstance(asked, httpx.Response)
    [doubt] = [finding["sentence"] for finding in asked.json()["findings"]]
    # How far it may lie from the rest grows with the minutes since the last core; all else is the same.
    doubts = ("3.70 m is far from the rest, about 1.00 m (± 0.4", "3.7 ft (1.13 m) would fit. Confirm the unit.")
    assert all(words in doubt for words in doubts)
    form = page(Role.OPERATOR, "/round", "/round", **doubtful)(house)()
    assert isinstance(form, httpx.Response)
    assert (asked.status_code, form.status_code) == (409, 409)
    assert all(words in html.unescape(form.text) for words in doubts)
    said = command("core", "add", "east", f"{HIGH} m")(house)()
    assert isinstance(said, Result)
    assert all(words in said.output for words in doubts)
    assert said.exit_code == 1
    answer = texts(f"core east {HIGH} m", "yes")(house)()
    assert isinstance(answer, Answered)
    assert answer.text.startswith(f"Store it all the same? Send YES or NO. {gsm7.plain(doubts[0])}")
    assert house.cores() == [LOW]
    # Each has its own way to confirm; nobody can be asked about a sheet, which says its doubt in the report.
    texts("yes")(house)()
    assert house.cores() == [LOW, HIGH]
    [report] = sheet(HIGH - 0.1)(house)().deliveries  # type: ignore[attr-defined]
    assert report.warnings[0].startswith("line 2: 3.60 m is far from the rest")


@pytest.mark.parametrize("row", COMMANDS.values(), ids=COMMANDS)
def test_a_command_has_the_same_effects_through_every_door(house: House, row: CommandRow) -> None:
    house.stand(row.before)
    go = row.make(house)
    before = tried_without_audit(house, go)
    done = go()
    after = house.kept()
    assert house.state() is not row.before, done
    assert after["audit"][len(before["audit"]) :] == [(row.action, row.account, row.via, row.address, ALARM)]
    assert [actor for _, actor in after["journal"][len(before["journal"]) :]][:1] == [row.name]


def callers(*names: str) -> set[str]:
    """Where in the service a function of that name is called, as ``file: function``."""
    found = set()
    for path in SERVICE.rglob("*.py"):
        for place, call in _calls(ast.parse(path.read_text("utf-8"))):
            called = call.func
            name = (
                called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
            )
            if name in names:
                found.add(f"{path.relative_to(SERVICE).as_posix()}: {place}")
    return found


def _calls(node: ast.AST, place: str = "") -> Iterator[tuple[str, ast.Call]]:
    for child in ast.iter_child_nodes(node):
        inner = place
        if isinstance(child, ast.FunctionDef | ast.ClassDef):
            inner = f"{place}.{child.name}" if place else child.name
        if isinstance(child, ast.Call):
            yield place, child
        yield from _calls(child, inner)


def test_every_door_has_its_row() -> None:
    doors = {at for at in callers("submit_core", "withdraw_core") if not at.startswith("jobs/cores/core.py")}
    assert doors == {row.door for row in CORES.values()}
    doors = callers("submit_round", "withdraw_round", "submit_result", "withdraw_result") - set(NO_DOOR)
    assert {at for at in doors if not at.startswith("jobs/cores/round.py") and not at.startswith("jobs/laboratory/result.py")} == {
        row.door for row in RECORDS.values()
    }  # fmt: skip
    assert callers("submit_command") - set(NO_DOOR) == {row.door for row in COMMANDS.values()}


def test_there_is_no_way_past_the_doors() -> None:
    """Only the one way in writes cores; besides it only looking at the alarms, which nobody commands, moves them."""
    writers = {at.partition(":")[0] for at in callers("insert_core", "correct_core")}
    assert writers == {"jobs/cores/core.py"}
    writers = {at.partition(":")[0] for at in callers("add_round", "correct_round", "insert_result", "correct_result")}
    assert writers - {"storage/cores/rounds.py", "storage/laboratory/results.py"} == {"jobs/cores/round.py", "jobs/laboratory/result.py"}  # fmt: skip
    movers = {at.partition(":")[0] for at in callers("save_alarms")}
    assert movers == {"jobs/alarms/command.py", "jobs/alarms/evaluate.py"}


#: The same core through another door.
AGAIN: dict[str, Make] = {
    "API": api("/api/v1/cores", id=uuid.uuid4, taken_at=AT.isoformat(), **ENTRY),
    "page": page(
        Role.OPERATOR,
        "/round",
        "/round",
        **ENTRY | {"confirmed": "yes", "when": f"{AT.astimezone(ZONE):%Y-%m-%dT%H:%M}"},
    ),
    "command": command("core", "add", "east", f"{HIGH} m", "--at", AT.isoformat(), "--by", "Sam", "--yes"),
    "sheet": sheet(HIGH),
}


@pytest.mark.parametrize(
    ("first", "then"), [(one, other) for one in ("command", "sheet") for other in AGAIN if one != other]
)
def test_a_core_that_comes_through_another_door_again_is_kept_once(house: House, first: str, then: str) -> None:
    AGAIN[first](house)()
    before = house.kept()
    done = AGAIN[then](house)()
    assert house.cores() == [HIGH]
    after = house.kept()
    assert (after["cores"], after["messages"], after["audit"]) == (before["cores"], before["messages"], before["audit"])
    said = " ".join(done.deliveries[0].warnings) if then == "sheet" else getattr(done, "output", "") or done.text  # type: ignore[attr-defined]
    assert "came before" in html.unescape(said)


def test_what_says_more_is_another_observation(house: House) -> None:
    """Nothing a person saw gets lost because the rest of it was known."""
    AGAIN["command"](house)()
    sheet(HIGH - 0.1)(house)()
    assert sorted(house.cores()) == pytest.approx([HIGH - 0.1, HIGH])
    fluffy = api("/api/v1/cores", id=uuid.uuid4, taken_at=AT.isoformat(), fluff="3.9", **ENTRY)
    fluffy(house)()
    assert len(house.cores()) == 3
