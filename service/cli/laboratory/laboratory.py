"""``underweir laboratory``: the laboratory's values listed and exported, and what follows from them."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

import typer

from service.bootstrap import Installation, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table, warn
from service.cli.base.plant import known_tank, reading
from service.domain.laboratory.sheet_words import figure_words, typed_words
from service.domain.plant.display import format_local_time
from service.jobs.laboratory.day import laboratory_day
from service.jobs.laboratory.export import csv_of, figure_values, result_values
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, laboratory_results

TankKey = Annotated[
    str | None, typer.Option(help="Of this tank (its key); the whole plant otherwise.", show_default=False)
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(
        help="The laboratory's day: values listed and exported, sludge index, solids age, waste and return.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("list")(_list)
    group.command("sheet")(_sheet)
    app.add_typer(group, name="laboratory")


def _list(
    tank: Annotated[str | None, typer.Option(help="Only this tank (its key).", show_default=False)] = None,
    days: Annotated[float, typer.Option(help="How far back.")] = 7.0,
    csv: Annotated[bool, typer.Option("--csv", help="As CSV, as typed and in SI.")] = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """List laboratory and field values as they stand now, newest last."""
    now = wall_clock()
    with reading(site) as plant:
        ids = None if tank is None else [plant.ids.tanks[known_tank(tank, plant.tanks)]]
        with transaction(plant.engine) as conn:
            records = laboratory_results(conn, since=now - timedelta(days=days), tank_ids=ids)
        if csv:
            typer.echo(csv_of(records), nl=False)
        elif json:
            say_json([result_values(record) for record in records])
        elif not records:
            warn("no laboratory values found")
        else:
            say_table(("measured", "tank", "what", "value", "by", "note"), [_line(plant, r) for r in records])


def _sheet(tank: TankKey = None, site: SiteFile = None, json: Json = False) -> None:
    """Show what follows from the newest values: index, solids held, solids age, waste and return, each with its formula."""
    now = wall_clock()
    with reading(site) as plant:
        key = None if tank is None else known_tank(tank, plant.tanks)
        with transaction(plant.engine) as conn:
            day = laboratory_day(conn, plant.model, now, tank=key)
        if json:
            say_json({"at": now, "tank": key, "figures": [figure_values(f) for f in day.sheet.figures]})
            return
        for figure in day.sheet.figures:
            say(f"{figure.name}: {figure_words(figure, plant.site.units)}")
            for remark in figure.remarks:
                say(f"  {remark}")
            for lack in figure.missing:
                say(f"  missing: {lack}")
            say(f"  {figure.formula}; source: {figure.source}")


def _line(plant: Installation, record: LaboratoryRecord) -> tuple[str, ...]:
    result = record.result
    return (
        format_local_time(result.taken_at, plant.site.time_zone),
        result.tank or "plant",
        result.name,
        typed_words(record.typed_value, record.typed_unit),
        result.taken_by,
        result.note,
    )
