"""``underweir replay``: backtest of alarms on stored history, and what other limits or delays would have given."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from pydantic_core import PydanticCustomError

from service.alarms.backtest import BacktestLine
from service.alarms.definition import AlarmKind
from service.bootstrap import (
    Installation,
    installation_in_force,
    read_only_database,
    settings_from_environment,
    wall_clock,
)
from service.calls.backtest import Call
from service.calls.comparison import Score
from service.calls.escalation import OnCall
from service.cli.base.options import Json
from service.cli.base.output import say, say_json, say_table, usage_error, warn
from service.cli.base.plant import known_tank
from service.cli.base.times import moment
from service.domain.plant.display import format_delay, format_duration, format_length, format_local_time
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.replay import TankReplay, replay
from service.site.sections.quantity import duration
from service.site.site import Site, load_site


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("replay")(_replay)


def _replay(
    start: Annotated[
        str, typer.Option("--from", help="'12 h' (ago), '2026-03-14 20:00' (plant time) or ISO 8601.")
    ] = "24 h",
    end: Annotated[str, typer.Option("--to", help="As --from.")] = "now",
    site: Annotated[
        Path | None,
        typer.Option(
            "--site",
            metavar="FILE",
            help="A site file to try, in force or not; the one in force otherwise.",
            show_default=False,
        ),
    ] = None,
    tank: Annotated[str | None, typer.Option(help="Only this tank (its key).", show_default=False)] = None,
    answer_after: Annotated[
        str | None,
        typer.Option(help="Also say who is called if people answer after so long: '5m', '15 min'.", show_default=False),
    ] = None,
    arrived_after: Annotated[
        str | None,
        typer.Option(
            help="Take nothing as arrived later than so long after it was measured: '5m'. Without it, history that was imported "
            "is taken as arrived with the usual delay of its source, everything else as it arrived.",
            show_default=False,
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Run stored history again as it was lived, knowing at every moment only what had arrived by then.

    History that was imported after the fact is lived through as if the service had run then, and the output says so. Prints the journal, what other limits or on-delays would have given, and who would have been called when. Sends nothing
    and changes nothing. Nobody answers in a replay, so acknowledgements and shelves of that time are left out.
    """
    now = wall_clock()
    settings = settings_from_environment()
    with read_only_database(settings) as engine:
        known = installation_in_force(settings, engine)
        tried = known.site if site is None else load_site(site)
        _replayed(known, tried, start, end, tank, answer_after, arrived_after, now, json=json)


def _replayed(
    known: Installation,
    tried: Site,
    start: str,
    end: str,
    tank: str | None,
    answer_after: str | None,
    arrived_after: str | None,
    now: datetime,
    *,
    json: bool,
) -> None:
    zone, units = tried.time_zone, tried.units
    first, last = moment(start, zone, now), min(moment(end, zone, now), now)
    if first >= last:
        usage_error("--from must be before --to")
    answered_after = None if answer_after is None else _span("--answer-after", answer_after)
    arrived = None if arrived_after is None else _span("--arrived-after", arrived_after)
    setups = tried.setups()
    if tank is not None:
        known_tank(tank, tried.tanks())
        setups = tuple(setup for setup in setups if setup.tank.key == tank)
    for setup in setups:
        for signal in (*setup.blankets, *setup.others):
            if signal.tag not in known.ids.signals:
                warn(f"{setup.tank.key}: nothing was ever stored of signal {signal.tag}; it is silent in the replay")
    told = replay(
        known.engine,
        setups,
        tried.alarm_definitions(),
        known.ids,
        start=first,
        end=last,
        system=units,
        stored={setup.tank.key: setup for setup in known.setups},
        callout=OnCall(
            contacts=tried.contacts(), zone=tried.time_zone, rotas=tried.rotas(), escalations=tried.escalations()
        ),
        answered_after=answered_after,
        arrived_after=arrived,
    )
    if json:
        say_json(
            {
                "from": first,
                "to": last,
                "site": tried.name,
                "answered_after_s": None if answered_after is None else answered_after.total_seconds(),
                "tanks": [_tank(found, answered=answered_after is not None) for found in told],
            }
        )
        return
    say(f"{tried.name}, replayed from {format_local_time(first, zone)} to {format_local_time(last, zone)}")
    for found in told:
        _say_tank(found, zone, units)
        _say_calls("nobody answers", found.unanswered, zone)
        if answered_after is not None:
            _say_calls(f"people answer after {format_duration(answered_after)}", found.answered, zone)


def _say_tank(found: TankReplay, zone: ZoneInfo, units: UnitSystem) -> None:
    say(f"\n{found.tank}: {found.readings:,} readings arrived{_imported(found)}")
    if not found.readings:
        warn(f"{found.tank}: no reading arrived in this time; nothing is replayed but the passing of time")
    for line in sorted(found.lines, key=lambda line: line.transition.at):
        say(f"  {format_local_time(line.transition.at, zone)}  {_sentence(line)}")
    say("\n  what the alarms did")
    say_table(
        ("  alarm", "raised", "in alarm", "warned of", "ahead (median)"),
        [(f"  {s.definition.key}", str(s.raised), _stood(s), _warned(s), _ahead(s)) for s in found.comparison.own],
    )
    if not found.comparison.trials:
        return
    say("\n  what other limits and delays would have given")
    say_table(
        ("  alarm", "limit", "on-delay", "raised", "in alarm", "warned of", "ahead (median)"),
        [
            (
                f"  {s.definition.key}",
                format_length(s.definition.limit or 0.0, units),
                format_delay(s.definition.on_delay),
                str(s.raised),
                _stood(s),
                _warned(s),
                _ahead(s),
            )
            for s in found.comparison.trials
        ],
    )


def _imported(found: TankReplay) -> str:
    """What is said of history that was imported."""
    if not found.imported:
        return ""
    told = f"; {found.imported:,} of them were received later and are taken as arrived "
    delays = {model.delay: model for model in found.arrivals.values()}
    if len(delays) != 1:
        return told + "with the usual delay of each signal"
    [(delay, model)] = delays.items()
    if not model.measured:
        return told + "at once, as no usual delay is known yet (--arrived-after says one)"
    return told + f"{format_duration(delay)} after they were measured"


def _say_calls(assumed: str, calls: Sequence[Call], zone: ZoneInfo) -> None:
    if not calls:
        say(f"\n  if {assumed}, nobody is called")
        return
    people = Counter(call.contact for call in calls)
    told = ", ".join(f"{name} {count} time{'s' if count > 1 else ''}" for name, count in people.most_common())
    say(f"\n  if {assumed}, {told}")
    say_table(
        ("  at", "who", "by", "alarm", "why"),
        [
            (f"  {format_local_time(call.at, zone)}", call.contact, call.channel, call.alarm, call.reason.value)
            for call in calls
        ],
    )


def _span(option: str, text: str) -> timedelta:
    try:
        # '5m' is five minutes here, as people write it for intervals.
        span = duration(text[:-1] + " min" if text.endswith("m") else text)
    except PydanticCustomError as error:
        usage_error(f"{option}: {error.message()}")
    return span


def _sentence(line: BacktestLine) -> str:
    moved = line.transition
    words = f"{line.definition.key}: {moved.event}, {moved.from_state} → {moved.to_state} ({moved.reason})"
    waited = line.known_at - moved.at
    return words if waited < timedelta(minutes=2) else f"{words}; decided {format_duration(waited)} later"


def _stood(score: Score) -> str:
    return format_duration(score.in_alarm) if score.raised else "–"


def _warned(score: Score) -> str:
    """Of how many dangers it warned."""
    return f"{len(score.leads) - score.missed} of {len(score.leads)}" if score.leads else "–"


def _ahead(score: Score) -> str:
    return "–" if score.median_lead is None else format_duration(score.median_lead)


def _calls(calls: Sequence[Call]) -> list[dict[str, object]]:
    return [
        {"at": c.at, "contact": c.contact, "channel": c.channel, "alarm": c.alarm, "reason": c.reason} for c in calls
    ]


def _tank(found: TankReplay, *, answered: bool) -> dict[str, object]:
    return {
        "tank": found.tank,
        "readings": found.readings,
        "imported": found.imported,
        "arrived_after_s": {tag: model.delay.total_seconds() for tag, model in found.arrivals.items()},
        "looks": found.looks,
        "journal": [
            {
                "at": line.transition.at,
                "decided_at": line.known_at,
                "alarm": line.definition.key,
                "event": line.transition.event,
                "from_state": line.transition.from_state,
                "to_state": line.transition.to_state,
                "reason": line.transition.reason,
                "rule_reason": line.transition.rule_reason,
                "value_si": _finite(line.transition.value),
            }
            for line in found.lines
        ],
        "dangers": [{"at": danger.at, "kind": danger.kind} for danger in found.comparison.dangers],
        "alarms": [_score(score) for score in found.comparison.own],
        "trials": [_score(score) for score in found.comparison.trials],
        "calls": {
            "nobody_answers": _calls(found.unanswered),
            "people_answer": _calls(found.answered) if answered else None,
        },
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _score(score: Score) -> dict[str, object]:
    definition = score.definition
    length = definition.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)
    return {
        "alarm": definition.key,
        "kind": definition.kind,
        "limit_m" if length else "limit_si": definition.limit,
        "limit_change_m" if length else "limit_change_si": score.limit_change,
        "on_delay_s": definition.on_delay.total_seconds(),
        "raised": score.raised,
        "in_alarm_h": score.in_alarm / timedelta(hours=1),
        "standing_at_end": score.standing,
        "missed": score.missed,
        "leads": [
            {
                "danger_at": lead.danger.at,
                "danger": lead.danger.kind,
                "lead_min": None if lead.lead is None else lead.lead / timedelta(minutes=1),
            }
            for lead in score.leads
        ],
        "median_lead_min": None if score.median_lead is None else score.median_lead / timedelta(minutes=1),
    }
