"""``underweir loading``: how hard every tank is worked, against published limits, and its state point."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from service.bootstrap import Installation, opened, wall_clock
from service.cli.options import Json, SiteFile
from service.cli.output import misused, say, say_json, say_table
from service.domain.display import format_local_time
from service.domain.inputs import LoadInput
from service.domain.load_sheet import (
    THEORY_CAUTION,
    Figure,
    failing_words,
    input_name,
    input_words,
    load_figures,
    restoring_words,
    verdict_words,
)
from service.domain.split import split_over
from service.domain.tank import TankKind
from service.domain.units import UnitSystem
from service.jobs.estimate import project_all, update_estimates
from service.jobs.loading import Loading, loading_all
from service.jobs.outage import tanks_out


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("loading")(_loading)


def _loading(
    tank: Annotated[str | None, typer.Option(help="Only this tank (its key).", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show what is asked of every tank now beside its limits, its state point, and which input is missing or too old."""
    now = wall_clock()
    with opened(site) as plant:
        out = tanks_out(plant.engine, plant.alarms, plant.ids)
        setups = [setup for setup in split_over(plant.setups, out) if tank in (None, setup.tank.key)]
        if not setups:
            misused(f"there is no tank {tank!r}; known: {', '.join(plant.tanks)}")
        update_estimates(plant.engine, plant.setups, plant.ids, now)
        believed = project_all(plant.engine, setups, plant.ids, now)
        found = loading_all(plant.engine, setups, plant.ids, believed, now)
        if json:
            say_json({"at": now, "tanks": [_told(found[setup.tank.key], plant.site.units) for setup in setups]})
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
    figures = load_figures(tank, load, found.setup.terms)
    say_table(("  figure", "now", "limit", ""), [_line(figure, units) for figure in figures])
    if load.state is not None:
        say(f"  state point {verdict_words(load.state)}")
        say(f"    {failing_words(load, units)}")
        if restoring := restoring_words(load, units):
            say(f"    {restoring}")
    elif tank.kind is TankKind.SECONDARY:
        say("  state point not known: it takes flow, return flow, feed solids and a settling test")
    say("  made from")
    say_table(("    input", "", ""), [_input_line(i, units, found) for i in found.inputs])
    for figure in figures:
        if figure.kept is False and figure.limit is not None:
            say(f"  limit on {figure.name}: {figure.limit.source}")


def _line(figure: Figure, units: UnitSystem) -> tuple[str, str, str, str]:
    word = {None: "", True: "kept", False: "NOT KEPT"}[figure.kept]
    return f"  {figure.name}", figure.shown(units), figure.limit_shown(units), word


def _input_line(found: LoadInput, units: UnitSystem, loading: Loading) -> tuple[str, str, str]:
    lacks = f"so no {found.needed_for}" if found.missing else ""
    return f"    {input_name(found)}", input_words(found, units, loading.at), lacks


def _told(found: Loading, units: UnitSystem) -> dict[str, object]:
    tank, load = found.setup.tank, found.load
    return {
        "tank": tank.key,
        "figures": {figure.key: _figure(figure, units) for figure in load_figures(tank, load, found.setup.terms)},
        "state_point": None
        if load.state is None
        else {
            "verdict": load.state.verdict,
            "margin": _finite(load.state.margin),
            "nearer_limit": load.state.nearer,
            "limiting_flux_kg_per_m2_h": _finite(load.state.limiting_flux),
            "limiting_solids_kg_per_m3": _finite(load.state.limiting_solids),
            "failing_flow_m3_per_s": load.failing_flow,
            "failing_solids_kg_per_m3": _finite(load.failing_solids),
            "correlation": found.setup.terms.correlation,
        },
        "restoring_return": None
        if load.restoring is None
        else {
            "flow_m3_per_s": load.restoring.flow,
            "ceiling_m3_per_s": load.restoring.ceiling,
            "reachable": load.restoring.reachable,
            "reason": load.restoring.reason,
        },
        "inputs": [
            {
                "kind": i.kind,
                "standing": i.standing,
                "of": i.origin,
                "value_si": i.value,
                "measured_at": i.at,
                "usable_for_s": i.usable_for.total_seconds(),
                "needed_for": i.needed_for,
            }
            for i in found.inputs
        ],
    }


def _figure(figure: Figure, units: UnitSystem) -> dict[str, object]:
    value, unit = figure.in_unit(units)
    return {
        "value_si": _finite(figure.value),
        "value": value,
        "unit": unit,
        "limit_si": None if figure.limit is None else figure.limit.value,
        "limit_source": None if figure.limit is None else figure.limit.source,
        "kept": figure.kept,
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
