"""``underweir alarms``, ``ack``, ``shelve``, ``unshelve`` and ``journal``: alarms listed, answered, and who was called and why."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, NoReturn
from zoneinfo import ZoneInfo

import typer

from service.alarms.definition import AlarmDefinition
from service.alarms.machine import Acknowledge, AlarmState, Machine, Shelve, Unshelve, calls_again_at
from service.bootstrap import open_installation, wall_clock
from service.cli.base.actor import login_name, typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json, say_table
from service.cli.base.plant import reading
from service.cli.base.times import future_moment, moment
from service.domain.plant.display import format_clock, format_duration, format_local_time
from service.jobs.alarms.command import Done, submit_command
from service.jobs.calls.journal import told_journal
from service.storage.alarms import alarms as store
from service.storage.database.session import transaction

Name = Annotated[
    str, typer.Argument(help="The six-character code of the message, or the alarm's key.", show_default=False)
]
Who = Annotated[
    str, typer.Option("--who", help="Who you are.", default_factory=login_name, show_default="your login name")
]
Note = Annotated[str, typer.Option("--note", help="What you found or are about to do.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("alarms")(_alarms)
    app.command("ack")(_ack)
    app.command("shelve")(_shelve)
    app.command("unshelve")(_unshelve)
    app.command("journal")(_journal)


def _alarms(
    all: Annotated[bool, typer.Option("--all", help="Also those that are normal.")] = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show the alarms that are not normal, and whether somebody has them. Exit status 1 when there are any."""
    now = wall_clock()
    with reading(site) as plant:
        with transaction(plant.engine) as conn:
            records = store.alarms(conn)
        active = [record for record in records if record.machine.state.value != "normal"]
        shown = records if all else active
        if json:
            say_json([_row(record, plant.alarms.definition(record.key)) for record in shown])
        elif not shown:
            say("no alarms")
        else:
            say_table(
                ("alarm", "state", "for", "code", "who has it"),
                [
                    (
                        r.key,
                        r.machine.state.value,
                        format_duration(now - r.machine.since) if r.machine.since else "",
                        r.machine.code,
                        _who_has_it(plant.alarms.definition(r.key), r.machine, plant.site.time_zone),
                    )
                    for r in shown
                ],
            )
    exit_with(PROBLEMS if active else DONE)


def _ack(name: Name, who: Who, note: Note = "", site: SiteFile = None, json: Json = False) -> None:
    """Say that you have an alarm: nobody else is called, and those who were called are told who has it."""
    command = Acknowledge(note=note)
    with open_installation(site) as plant, transaction(plant.engine) as conn:
        done = submit_command(conn, plant.model, name, command, typed_by(who), now=wall_clock())
    tell_done(done, json)


def _shelve(
    name: Name,
    until: Annotated[
        str, typer.Option(help="How long ('2 h') or until when ('06:00', plant time).", show_default=False)
    ],
    why: Annotated[str, typer.Option(help="Why; kept in the journal.", show_default=False)],
    who: Who,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Shelve an alarm for a while; it returns by itself."""
    now = wall_clock()
    with open_installation(site) as plant:
        command = Shelve(why=why, until=future_moment(until, plant.site.time_zone, now))
        with transaction(plant.engine) as conn:
            done = submit_command(conn, plant.model, name, command, typed_by(who), now=now)
    tell_done(done, json)


def _unshelve(name: Name, who: Who, site: SiteFile = None, json: Json = False) -> None:
    """Unshelve an alarm before its time."""
    with open_installation(site) as plant, transaction(plant.engine) as conn:
        done = submit_command(conn, plant.model, name, Unshelve(), typed_by(who), now=wall_clock())
    tell_done(done, json)


def _journal(
    alarm: Annotated[str | None, typer.Option(help="Only this alarm (its key).", show_default=False)] = None,
    since: Annotated[str, typer.Option(help="From when: '12 h', '2026-03-14 20:00' (plant time).")] = "24 h",
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show what happened to the alarms and why, and who was told or not told for which reason."""
    now = wall_clock()
    with reading(site) as plant:
        with transaction(plant.engine) as conn:
            entries = told_journal(conn, key=alarm, start=moment(since, plant.site.time_zone, now))
        if json:
            say_json([asdict(entry) for entry in entries])
            return
        for entry in reversed(entries):
            say(f"{format_local_time(entry.at, plant.site.time_zone)}  {_sentence(entry)}")


def _who_has_it(definition: AlarmDefinition | None, machine: Machine, zone: ZoneInfo) -> str:
    if machine.state is not AlarmState.ACKNOWLEDGED:
        return ""
    again = None if definition is None else calls_again_at(definition, machine)
    unless = "" if definition is None or definition.improve_within is None else " unless it improves"
    return machine.actor + ("" if again is None else f"; calls again {format_clock(again, zone)}{unless}")


def _row(record: store.AlarmRecord, definition: AlarmDefinition | None) -> dict[str, object]:
    machine = record.machine
    again = None if definition is None else calls_again_at(definition, machine)
    return {
        "alarm": record.key,
        "kind": record.kind,
        "tank": record.tank,
        "state": machine.state,
        "since": machine.since,
        "code": machine.code or None,
        "occurred_at": machine.occurred_at,
        "who_has_it": machine.actor if machine.state is AlarmState.ACKNOWLEDGED else None,
        "calls_again_at": again,
        "value": machine.value,
        "reason": machine.rule_reason or None,
    }


def tell_done(done: Done, json: bool) -> NoReturn:
    """Say what came of a command to an alarm, and end with the exit status for it."""
    if json:
        say_json(asdict(done))
    else:
        heard = "" if not done.told else f"; {done.told} told"
        say(f"{done.key}: {done.reason.value}; now {done.state.value}{heard}")
    exit_with(DONE if done.changed else PROBLEMS)


def _sentence(line: store.JournalLine) -> str:
    who = f" by {line.actor}" if line.actor else ""
    told = ", ".join(
        f"{t['contact']} ({t['channel']}{', ' + t['fate'] if t.get('fate') else ''})"
        for t in line.detail.get("told", [])
    )
    silent = ", ".join(f"{s['contact'] or 'nobody'}: {s['reason']}" for s in line.detail.get("silent", []))
    parts = [f"{line.key}: {line.event}{who}, {line.from_state} → {line.to_state} ({line.reason})"]
    parts += [f"told {told}"] if told else []
    parts += [f"not told {silent}"] if silent else []
    return "; ".join(parts)
