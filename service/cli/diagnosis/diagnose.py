"""``underweir diagnose``: what may be wrong with a tank, each cause with its chance, its clues and what to do."""

from __future__ import annotations

import textwrap
from typing import Annotated

import typer

from service.bootstrap import wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json
from service.cli.base.plant import known_tank, past_values, pasts_of, reading
from service.domain.diagnosis.advice import DEFERS
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.diagnosis.wording import BASIS, ModeWords, message_lines, modes_in_words, percent
from service.domain.loading.split import split_over
from service.domain.plant.display import format_local_time
from service.domain.plant.units import UnitSystem
from service.errors import InputError
from service.jobs.blanket.estimate import project_all
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.jobs.plant.outage import tanks_out
from service.storage.database.session import transaction


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("diagnose")(_diagnose)


def _diagnose(
    tank: Annotated[str, typer.Argument(help="The tank's key.", show_default=False)],
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show what may be wrong with a tank: every cause with its chance, the numbers it rests on, and what to do. Advice only."""
    now = wall_clock()
    with reading(site) as plant:
        out = tanks_out(plant.engine, plant.model)
        setup = next(s for s in split_over(plant.setups, out) if s.tank.key == known_tank(tank, plant.tanks))
        believed = project_all(plant.engine, [setup], plant.ids, now).get(tank)
        with transaction(plant.engine) as conn:
            found = diagnosis_of(conn, plant.model, setup, believed, now)
        if found is None:
            raise InputError(f"{setup.tank.label}: no diagnosis can be made; the log says why")
        if json:
            say_json({"tank": tank, "at": now, **_told(found, plant.site.units), "past": past_values(pasts_of(plant))})
            return
        say(f"Diagnosis, {setup.tank.label}, {format_local_time(now, plant.site.time_zone)}")
        for line in message_lines(found, plant.site.units):
            _wrapped(line, 2)
        for mode in modes_in_words(found, plant.site.units):
            say()
            _say(mode)
        say(f"\nNone of these: {percent(found.none.chance)}")
        _wrapped(BASIS, 0)
        _wrapped(DEFERS, 0)


def _say(mode: ModeWords) -> None:
    say(f"{mode.mode.value[0].upper()}{mode.mode.value[1:]}: {mode.chance}")
    for title, lines in (
        ("for", mode.speaks_for),
        ("against", mode.against),
        ("first", (mode.advice.first,)),
        ("then", mode.advice.further),
        ("settles it", (mode.advice.settles,)),
        ("never", mode.advice.never),
        ("source", (mode.advice.source,)),
    ):
        for n, line in enumerate(lines):
            _wrapped(f"{title if n == 0 else '':<11}{line}", 2, hanging=11)


def _wrapped(text: str, indent: int, hanging: int = 0) -> None:
    gap = " " * indent
    say(textwrap.fill(text, 100, initial_indent=gap, subsequent_indent=gap + " " * hanging, break_long_words=False))


def _told(found: Diagnosis, units: UnitSystem) -> dict[str, object]:
    words = {mode.mode: mode for mode in modes_in_words(found, units)}
    return {
        "lines": list(message_lines(found, units)),
        "none_of_these": found.none.chance,
        "modes": [
            {
                "mode": one.mode,
                "chance": one.chance,
                "prior": one.prior,
                "clues": [
                    {"fact": c.fact, "said": c.words(units), "ratio": c.ratio(one.mode), "source": c.source}
                    for c in (*one.speaks_for, *one.against)
                ],
                "first": words[one.mode].advice.first,
                "further": list(words[one.mode].advice.further),
                "settles": words[one.mode].advice.settles,
                "never": list(words[one.mode].advice.never),
                "source": words[one.mode].advice.source,
            }
            for one in found.ranked
            if one.mode in words
        ],
        "basis": BASIS,
        "caution": DEFERS,
    }
