"""Words alarms for pages with the messages' wording and the facts of now."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from service.alarms.definition import AlarmKind
from service.alarms.rules import RuleInput
from service.domain.diagnosis.diagnosis import Diagnosis
from service.jobs.alarms.situations import TankHistory, tank_histories
from service.jobs.calls.notification import AlarmChange, Scene, facts_of
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.notify.messages import wording
from service.notify.messages.render import MessageLayout, layout_of
from service.storage.database.session import transaction
from service.web.base.plant import WebPlant
from service.web.blanket.board import AlarmView, BoardView


@dataclass(frozen=True, slots=True)
class AlarmInWords:
    """An alarm, worded."""

    view: AlarmView
    clause: str
    sheet: MessageLayout


def alarms_in_words(plant: WebPlant, views: Iterable[AlarmView], now: datetime) -> list[AlarmInWords]:
    """Word alarms, in the order given."""
    views = list(views)
    keys = {view.definition.tank for view in views if view.definition.tank is not None}
    setups = [setup for setup in plant.setups if setup.tank.key in keys]
    histories: Mapping[str, TankHistory] = {}
    diagnoses: dict[str, Diagnosis | None] = {}
    if setups:
        with transaction(plant.engine) as conn:
            histories = tank_histories(conn, setups, plant.ids, after=dict.fromkeys(keys), now=now)
            for setup in setups:
                known = histories[setup.tank.key].estimates
                diagnoses[setup.tank.key] = diagnosis_of(conn, plant, setup, known[-1] if known else None, now)
    return [_told(plant, view, histories, diagnoses, now) for view in views]


class WordedAlarms:
    """Keeps the words of the last state of the plant: worded once for all screens that show it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: tuple[BoardView, list[AlarmInWords]] | None = None

    def of(self, plant: WebPlant, view: BoardView) -> list[AlarmInWords]:
        """The alarms of that state in words."""
        with self._lock:
            if self._kept is None or self._kept[0] is not view:
                self._kept = view, alarms_in_words(plant, view.alarms, view.at)
            return self._kept[1]


def _told(
    plant: WebPlant,
    view: AlarmView,
    histories: Mapping[str, TankHistory],
    diagnoses: Mapping[str, Diagnosis | None],
    now: datetime,
) -> AlarmInWords:
    situation = RuleInput(at=now)
    history = histories.get(view.definition.tank or "")
    if history is not None:
        situation = history.at(now, history.estimates[-1] if history.estimates else None)
    danger = next((d.limit for d in plant.alarms.of_tank(view.definition.tank) if d.kind is AlarmKind.HIGH_HIGH), None)
    change = AlarmChange(record=view.record, definition=view.definition, machine=view.record.machine, transitions=())
    scene = Scene(
        tank=view.tank,
        situation=situation,
        danger_limit=danger,
        diagnosis=diagnoses.get(view.definition.tank or ""),
    )
    facts = facts_of(plant.alarms, change, scene, now)
    return AlarmInWords(view, wording.main_clause(facts, plant.units), layout_of(facts, plant.units))
