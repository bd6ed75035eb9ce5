"""Ranks what a site can do about a tank now, from what is stored."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Engine

from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.diagnosis.gather import Known
from service.domain.diagnosis.plant_state import plant_state
from service.domain.diagnosis.ranking import Ranking, rank_actions
from service.domain.forecast.tracker import first_heading
from service.jobs.blanket.estimate import newest_heading
from service.jobs.diagnosis.diagnosis import diagnosis_of, sisters_of
from service.jobs.loading.loading import loading_of
from service.jobs.plant.plant import Plant
from service.storage.database.session import transaction


def ranking_of(engine: Engine, plant: Plant, setup: TankSetup, believed: Estimate | None, now: datetime) -> Ranking:
    """Actions judged for a tank.

    Parameters
    ----------
    believed : its blanket now.

    Raises
    ------
    InputError
        naming what is missing.
    """
    with transaction(engine) as conn:
        heading = newest_heading(conn, setup, plant.ids.tanks[setup.tank.key])
        loading = loading_of(conn, setup, plant.ids, heading, believed, now)
        sisters, idle = sisters_of(conn, plant, setup, now)
        found = diagnosis_of(conn, plant, setup, believed, now)
    own = Known(setup=setup, heading=heading or first_heading(setup), believed=believed)
    usual_return = None if found is None else found.evidence.usual_drawn
    state = plant_state(own, sisters, idle, loading.load, usual_return, now)
    return rank_actions(state, setup.terms.actions)
