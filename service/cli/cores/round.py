"""``underweir round``: what was seen of a tank's surface and machine, logged, listed, corrected and withdrawn."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated
from uuid import UUID, uuid4

import typer

from service.bootstrap import wall_clock
from service.cli.base.actor import typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table, warn
from service.cli.base.plant import known_tank, reading, storing
from service.cli.base.times import moment
from service.domain.cores.round import Round
from service.domain.plant.display import format_local_time
from service.errors import InputError
from service.jobs.cores.round import round_values, submit_round, withdraw_round
from service.storage.cores.rounds import RoundRecord, find_round, round_history, rounds_between
from service.storage.database.session import transaction

Words = Annotated[
    list[str] | None,
    typer.Option("--word", help="A word of the trade or the site's own; may be repeated.", show_default=False),
]
Torque = Annotated[float | None, typer.Option(help="Torque of the drive, % of its rating.", show_default=False)]
At = Annotated[
    str | None,
    typer.Option(help="When: '03:10', '2026-03-14 03:10' (plant time) or ISO 8601; now otherwise.", show_default=False),
]
By = Annotated[str, typer.Option("--by", help="Who saw it.")]
Note = Annotated[str, typer.Option(help="Anything else worth knowing.")]
Reason = Annotated[str, typer.Option(help="Why; kept in the history.")]
RoundId = Annotated[UUID, typer.Argument(help="The round's id, as listed.", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(
        help="Rounds, what the surface and the machine look like: add, list, correct, withdraw.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("add")(_add)
    group.command("list")(_list)
    group.command("correct")(_correct)
    group.command("withdraw")(_withdraw)
    app.add_typer(group, name="round")


def _add(
    tank: Annotated[str, typer.Argument(help="The tank's key in the site file.", show_default=False)],
    word: Words = None,
    torque: Torque = None,
    at: At = None,
    by: By = "",
    note: Note = "",
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Log a round of one tank. Sludge at the weir is logged with a core: that calls people at once."""
    now = wall_clock()
    with storing(site) as plant:
        seen = Round(
            id=uuid4(),
            tank=known_tank(tank, plant.tanks),
            taken_at=moment(at, plant.site.time_zone, now) if at else now,
            recorded_at=now,
            words=tuple(word or ()),
            torque=None if torque is None else torque / 100.0,
            taken_by=by,
            note=note,
        )
        with transaction(plant.engine) as conn:
            submit_round(conn, plant.model, seen, typed_by(by), now=now)
    say_json({"stored": True, "id": seen.id}) if json else say(f"round stored: {seen.told}\n  id {seen.id}")


def _correct(
    round: RoundId,
    reason: Reason,
    word: Words = None,
    torque: Torque = None,
    at: At = None,
    note: Note = "",
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Correct a round; the old version is kept, with the reason. What is not given stays as it was."""
    now = wall_clock()
    with storing(site) as plant, transaction(plant.engine) as conn:
        old = find_round(conn, round)
        if old is None:
            raise InputError(f"there is no round {round}; list them with: underweir round list")
        was = old.seen
        seen = Round(
            id=uuid4(),
            tank=was.tank,
            taken_at=moment(at, plant.site.time_zone, now) if at else was.taken_at,
            recorded_at=now,
            words=was.words if word is None else tuple(word),
            torque=was.torque if torque is None else torque / 100.0,
            taken_by=was.taken_by,
            note=note or was.note,
        )
        submit_round(conn, plant.model, seen, typed_by(), now=now, supersedes=round, reason=reason)
    say_json({"stored": True, "id": seen.id}) if json else say(f"round corrected: {seen.told}\n  id {seen.id}")


def _withdraw(round: RoundId, reason: Reason, by: By = "", site: SiteFile = None, json: Json = False) -> None:
    """Withdraw a round that was not made; it stays in the history."""
    now = wall_clock()
    with storing(site) as plant, transaction(plant.engine) as conn:
        withdraw_round(conn, round, typed_by(by), reason=reason, now=now)
    say_json({"withdrawn": round, "reason": reason}) if json else say(f"round {round} withdrawn: {reason}")


def _list(
    tank: Annotated[str | None, typer.Argument(help="Only this tank.", show_default=False)] = None,
    days: Annotated[float, typer.Option(help="How far back.")] = 7.0,
    history: Annotated[UUID | None, typer.Option(help="Every version of this round.", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """List rounds as they stand now, newest last."""
    now = wall_clock()
    with reading(site) as plant:
        keys = [known_tank(tank, plant.tanks)] if tank else list(plant.tanks)
        ids = [plant.ids.tanks[key] for key in keys]
        with transaction(plant.engine) as conn:
            if history is not None:
                records = round_history(conn, history)
            else:
                records = rounds_between(conn, ids, now - timedelta(days=days), now + timedelta(hours=1), limit=None)
        if json:
            say_json([round_values(record) for record in records])
        elif not records:
            warn("no rounds found")
        else:
            zone = plant.site.time_zone
            said = [
                (format_local_time(r.seen.taken_at, zone), r.seen.tank, _told(r), r.seen.taken_by, str(r.seen.id))
                for r in records
            ]
            say_table(("seen", "tank", "what", "by", "id"), said)


def _told(record: RoundRecord) -> str:
    told = "withdrawn" if record.withdrawn else record.seen.told
    return "; ".join(part for part in (told, record.correction_reason) if part)
