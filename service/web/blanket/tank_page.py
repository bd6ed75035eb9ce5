"""Tank page: section, trend with zoom and pan, loading, cores and alarms."""

from __future__ import annotations

from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.domain.diagnosis.advice import DEFERS
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.diagnosis.wording import BASIS, chance_words, message_lines, modes_in_words, percent
from service.domain.loading.sheet import LACKS_STIRRED, THEORY_CAUTION, input_name, input_words
from service.domain.plant.display import format_speed
from service.domain.plant.role import Role
from service.domain.plant.units import UnitSystem
from service.jobs.blanket.estimate import newest_heading
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.jobs.effluent.now import beyond_words
from service.jobs.loading.loading import figures_of, loading_of
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from service.web.base.access import Viewer
from service.web.base.plant import Plant
from service.web.base.templating import page, words_of
from service.web.blanket.board_page import drawing_of, section_words, tank_view
from service.web.blanket.flow_series import NAMES, lanes_of
from service.web.charts.flux import draw_flux
from service.web.diagnosis.what_if_page import NOTHING_TYPED, others_of, split_now

router = APIRouter(include_in_schema=False)

#: Stretches offered: words and hours.
STRETCHES = (
    ("1 h", 1),
    ("12 h", 12),
    ("2 days", 48),
    ("2 weeks", 336),
    ("3 months", 2190),
    ("1 year", 8766),
    ("5 years", 43830),
)
CORES = 12


@router.get("/tanks/{key}")
def tank(request: Request, plant: Plant, visitor: Viewer, key: str) -> HTMLResponse:
    """The page."""
    view = tank_view(request, key)
    say = words_of(plant)
    setup = split_now(plant, view)
    with transaction(plant.engine) as conn:
        loading = loading_of(
            conn, setup, plant.ids, newest_heading(conn, view.setup, plant.ids.tanks[key]), view.estimate, say.now
        )
        found = diagnosis_of(conn, plant, setup, view.estimate, say.now)
        cores = current_cores(conn, [plant.ids.tanks[key]], say.now - timedelta(days=30))
    return page(
        request,
        plant,
        visitor,
        "tank.html.j2",
        view=view,
        drawing=drawing_of(view, say, ticks=True),
        words=section_words(view, say),
        cores=[
            (r, view.tank.height_from_thickness(r.core.thickness, r.core.distance_from_wall))
            for r in reversed(cores[-CORES:])
        ],
        loading=loading,
        why_now=chance_words(found.leading) if found is not None and found.clear else "",
        why=None if found is None or not found.clues else why_words(found, plant.units),
        figures=figures_of(loading),
        inputs=[(input_name(i), input_words(i, plant.units, say.now), i) for i in loading.inputs],
        flux=draw_flux(loading.load, plant.units),
        theory=THEORY_CAUTION,
        lacks_stirred=LACKS_STIRRED,
        effluent=[beyond_words(seen, plant.units) for seen in view.effluent],
        others=others_of(plant, view),
        typed=NOTHING_TYPED,
        stretches=STRETCHES,
        lanes=[(lane.value, NAMES[lane]) for lane in lanes_of(view.setup)],
        rate=format_speed(view.estimate.rate, plant.units, signed=True) if view.known else "",
        per_metre=say.in_unit(1.0),
        may_log=visitor.may(Role.OPERATOR),
    )


def why_words(found: Diagnosis, units: UnitSystem) -> dict[str, object]:
    """What the section on causes shows."""
    return {
        "lines": message_lines(found, units),
        "modes": modes_in_words(found, units),
        "rest": percent(found.none.chance),
        "basis": BASIS,
        "defers": DEFERS,
    }
