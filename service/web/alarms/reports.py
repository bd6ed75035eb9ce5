"""Pages of alarm performance figures and of alarm definitions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from service.jobs.alarms.performance import monthly_figures
from service.reports.alarm_definitions import MOST_CHANGES, ListedAlarm, SetPointChange, alarms_as_csv, listed_alarms
from service.reports.alarm_figures import figure_lines
from service.storage.alarms.alarms import definition_changes
from service.storage.database.session import transaction
from service.web.base.access import Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)


@router.get("/figures")
def figures(
    request: Request, plant: Plant, visitor: Viewer, months: Annotated[int, Query(ge=1, le=36)] = 3
) -> HTMLResponse:
    """Month by month, the newest first."""
    found = monthly_figures(plant.engine, plant.alarms, plant.clock(), months)
    shown = [(one, figure_lines(one)) for one in reversed(found)]
    return page(request, plant, visitor, "figures.html.j2", shown=shown, months=months)


@router.get("/definitions")
def definitions(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """Every alarm: cause, consequence, corrective action, set-points and their history."""
    alarms = _listed(plant)
    groups = {tank: [a for a in alarms if a.tank == tank] for tank in dict.fromkeys(a.tank for a in alarms)}
    return page(request, plant, visitor, "definitions.html.j2", groups=groups)


@router.get("/definitions.csv")
def definitions_csv(plant: Plant, visitor: Viewer) -> Response:
    """The same for a spreadsheet."""
    return Response(
        alarms_as_csv(_listed(plant)),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="alarm-definitions.csv"'},
    )


def _listed(plant: WebPlant) -> list[ListedAlarm]:
    with transaction(plant.engine) as conn:
        lines = definition_changes(conn, most=MOST_CHANGES + 1)
    changes: dict[str, list[SetPointChange]] = {}
    for line in lines:
        changes.setdefault(line.key, []).append(
            SetPointChange(
                at=line.at,
                event=line.event,
                by=line.actor,
                why=line.detail.get("why", ""),
                changed=line.detail.get("changed", {}),
            )
        )
    labels = {key: tank.label for key, tank in plant.tanks.items()}
    return listed_alarms(plant.alarms.definitions, labels, changes, units=plant.units, zone=plant.zone)
