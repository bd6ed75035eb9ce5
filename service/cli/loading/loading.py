"""``underweir loading``: loading of every tank against published limits, and its state point."""

from __future__ import annotations

from typing import Annotated

import typer

from service.bootstrap import Installation, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table
from service.cli.base.plant import known_tank, past_values, pasts_of, reading
from service.domain.loading.inputs import LoadInput
from service.domain.loading.sheet import (
    THEORY_CAUTION,
    Figure,
    failing_words,
    input_name,
    input_words,
    restoring_words,
    settling_words,
    verdict_words,
)
from service.domain.loading.split import split_over
from service.domain.plant.display import format_local_time
from service.domain.plant.tank import TankKind
from service.domain.plant.units import UnitSystem
from service.jobs.blanket.estimate import project_all
from service.jobs.effluent.now import beyond_words
from service.jobs.loading.loading import Loading, figures_of, loading_all, loading_values
from service.jobs.plant.outage import tanks_out


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("loading")(_loading)


def _loading(
    tank: Annotated[str | None, typer.Option(help="Only this tank (its key).", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show the loading of every tank and its limits, its state point, and which input is missing or too old."""
    now = wall_clock()
    with reading(site) as plant:
        out = tanks_out(plant.engine, plant.model)
        if tank is not None:
            known_tank(tank, plant.tanks)
        setups = [setup for setup in split_over(plant.setups, out) if tank in (None, setup.tank.key)]
        believed = project_all(plant.engine, setups, plant.ids, now)
        found = loading_all(plant.engine, setups, plant.ids, believed, now)
        if json:
            told = [loading_values(found[setup.tank.key], plant.site.units) for setup in setups]
            say_json({"at": now, "past": past_values(pasts_of(plant)), "tanks": told})
            return
        for n, setup in enumerate(setups):
            if n:
                say()
            _say(found[setup.tank.key], plant)
        if any(loading.load.state is not None for loading in found.values()):
            say(f"\n{THEORY_CAUTION}")


def _say(found: Loading, plant: Installation) -> None:
    units, tank, load = plant.site.units, found.setup.tank, found.load
    say(f"{tank.label} ({tank.key}), {format_local_time(found.at, plant.site.time_zone)}")
    for seen in found.beyond:
        say(f"  EFFLUENT OVER ITS LIMIT: {beyond_words(seen, units)}. Whatever the figures below say, solids get out.")
    figures = figures_of(found)
    say_table(("  figure", "now", "limit", ""), [_line(figure, units) for figure in figures])
    if load.state is not None:
        say(f"  state point {verdict_words(load.state)}")
        say(f"    {failing_words(load, units)}")
        if outside := settling_words(load):
            say(f"    {outside}")
        if restoring := restoring_words(load, units):
            say(f"    {restoring}")
    elif load.lacks_stirred:
        say(f"  {settling_words(load)}")
    elif tank.kind is TankKind.SECONDARY:
        say("  state point not available: it needs flow, return flow, feed solids and a settling test")
    say("  inputs")
    say_table(("    input", "", ""), [_input_line(i, units, found) for i in found.inputs])
    for figure in figures:
        if figure.kept is False and figure.limit is not None:
            say(f"  limit on {figure.name}: {figure.limit.source}")


def _line(figure: Figure, units: UnitSystem) -> tuple[str, str, str, str]:
    word = {
        None: figure.denied_by if figure.limit is not None and figure.value is not None else "",
        True: "ok",
        False: "UNDER LIMIT" if figure.limit is not None and figure.limit.lower else "OVER LIMIT",
    }[figure.kept]
    return f"  {figure.name}", figure.shown(units), figure.limit_shown(units), word


def _input_line(found: LoadInput, units: UnitSystem, loading: Loading) -> tuple[str, str, str]:
    lacks = f"so no {found.needed_for}" if found.missing else ""
    return f"    {input_name(found)}", input_words(found, units, loading.at), lacks
