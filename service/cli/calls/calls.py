"""``underweir why``, ``figures``, ``duty``, ``reset``, ``out-of-service`` and ``in-service``: calls explained, measured and managed."""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta
from typing import Annotated

import typer

from service.alarms.figures import TARGETS, Figures
from service.alarms.machine import RemoveFromService, Reset, ReturnToService
from service.bootstrap import open_installation, wall_clock
from service.calls.duty import stretches
from service.cli.alarms.alarms import Name, Who, tell_done
from service.cli.base.actor import typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json, say_table
from service.cli.base.plant import known_tank, reading
from service.cli.base.times import moment
from service.domain.loading.split import split_over
from service.domain.plant.display import format_local_time
from service.jobs.alarms.command import submit_command
from service.jobs.alarms.explain import explain
from service.jobs.alarms.performance import alarm_figures, monthly_figures
from service.jobs.plant.outage import put_back, take_out, tanks_out
from service.reports.alarm_figures import figure_lines
from service.storage.database.session import transaction

At = Annotated[str, typer.Option(help="The minute asked about: '03:10', '2 h ago', '2026-03-14 03:10' (plant time).")]
Why = Annotated[str, typer.Option("--why", help="Why; kept in the journal.", show_default=False)]

AlarmOrTank = Annotated[str, typer.Argument(help="An alarm's code or key, or a tank's key.", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("why")(_why)
    app.command("figures")(_figures)
    app.command("duty")(_duty)
    app.command("reset")(_reset)
    app.command("out-of-service")(_out)
    app.command("in-service")(_back)


def _why(
    tank: Annotated[str, typer.Argument(help="The tank's key in the site file.", show_default=False)],
    at: At = "now",
    alarm: Annotated[str | None, typer.Option(help="Only this alarm (its key).", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Say why somebody was called, or not called: the chain from reading to message at that minute."""
    now = wall_clock()
    with reading(site) as plant:
        known_tank(tank, plant.tanks)
        asked = moment(at, plant.site.time_zone, now)
        out = tanks_out(plant.engine, plant.model, asked)
        (split,) = (found for found in split_over(plant.setups, out) if found.tank.key == tank)
        found = explain(plant.engine, plant.model, split, at=asked, now=now, alarm=alarm, out_of_service=tank in out)
    if json:
        say_json(asdict(found))
        return
    for sentence in found.sentences:
        say(sentence)


def _figures(
    days: Annotated[float, typer.Option(help="How far back.")] = 30.0,
    months: Annotated[
        int | None, typer.Option(help="Month by month instead, so many of them.", min=1, max=120, show_default=False)
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show alarm performance beside the targets of IEC 62682 / ISA-18.2."""
    now = wall_clock()
    with reading(site) as plant:
        if months is not None:
            found = monthly_figures(plant.engine, plant.alarms, now, months)
        else:
            found = [alarm_figures(plant.engine, plant.alarms, now - timedelta(days=days), now)]
        zone = plant.site.time_zone
    if json:
        say_json([_row(one) for one in found])
        return
    for one in found:
        say(f"{format_local_time(one.start, zone)} to {format_local_time(one.end, zone)}: {one.alarms} alarms")
        say_table(("figure", "actual", "target"), [(f.words, f.here, f.aim) for f in figure_lines(one)])
        for key, count in one.top_ten:
            say(f"  {count} times {key}")


def _duty(
    days: Annotated[float, typer.Option(help="How far ahead.", min=0.1, max=400)] = 14.0,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show who is on duty, ahead."""
    now = wall_clock()
    with reading(site) as plant:
        rotas, zone = plant.alarms.rotas, plant.site.time_zone
    ahead = {rota.key: stretches(rota, now, now + timedelta(days=days)) for rota in rotas}
    if json:
        say_json({key: [asdict(stretch) for stretch in found] for key, found in ahead.items()})
        return
    if not rotas:
        say("no rota: everybody who receives an alarm is called at once")
    for key, found in ahead.items():
        say(key)
        for stretch in found:
            who = stretch.person or "NOBODY"
            shift = f" ({stretch.shift})" if stretch.shift else ""
            say(f"  {format_local_time(stretch.start, zone)} to {format_local_time(stretch.end, zone)}  {who}{shift}")


def _reset(name: Name, who: Who, site: SiteFile = None, json: Json = False) -> None:
    """Reset a latched alarm that is over and acknowledged."""
    with open_installation(site) as plant, transaction(plant.engine) as conn:
        done = submit_command(conn, plant.model, name, Reset(), typed_by(who), now=wall_clock())
    tell_done(done, json)


def _out(
    name: AlarmOrTank,
    why: Why,
    who: Who,
    permit: Annotated[str, typer.Option(help="Permit or work order that allows it.")] = "",
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Remove an alarm, or a tank with all its alarms, from service. Nobody is called until it is returned.

    Meanwhile monitor the tank by hand core, unless it is empty.
    """
    with open_installation(site) as plant:
        if name in plant.tanks:
            _tell_tank(
                name,
                "out of service",
                json,
                changed=take_out(
                    plant.engine, plant.model, name, typed_by(who), why=why, permit=permit, now=wall_clock()
                ),
            )
            return
        command = RemoveFromService(why=why, permit=permit)
        with transaction(plant.engine) as conn:
            done = submit_command(conn, plant.model, name, command, typed_by(who), now=wall_clock())
    tell_done(done, json)


def _back(name: AlarmOrTank, who: Who, site: SiteFile = None, json: Json = False) -> None:
    """Return an alarm, or a tank, to service. What is wrong calls at the next evaluation."""
    with open_installation(site) as plant:
        if name in plant.tanks:
            put = put_back(plant.engine, plant.model, name, typed_by(who), now=wall_clock())
            _tell_tank(name, "in service", json, changed=put)
            return
        command = ReturnToService()
        with transaction(plant.engine) as conn:
            done = submit_command(conn, plant.model, name, command, typed_by(who), now=wall_clock())
    tell_done(done, json)


def _tell_tank(tank: str, state: str, json: bool, *, changed: bool) -> None:
    if json:
        say_json({"tank": tank, "state": state, "changed": changed})
    else:
        say(f"tank {tank}: {state}" + ("" if changed else " already"))
    exit_with(DONE if changed else PROBLEMS)


def _row(one: Figures) -> dict[str, object]:
    row = asdict(one)
    for name in ("median_time_to_acknowledge", "slowest_tenth_to_acknowledge"):
        row[f"{name}_s"] = None if row[name] is None else row.pop(name).total_seconds()
        row.pop(name, None)
    row["priority_shares"] = {priority.value: share for priority, share in one.priority_shares.items()}
    row["targets"] = {name: asdict(target) for name, target in TARGETS.items()}
    return row
