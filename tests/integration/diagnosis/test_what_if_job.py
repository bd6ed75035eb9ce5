"""Both courses of a tank from what is stored, with what speaks against the change."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import Engine

from service.domain.forecast.wording import spread
from service.domain.loading.limits import LoadTerms
from service.domain.plant.units import to_si
from service.errors import InputError
from service.jobs.blanket.estimate import project_all
from service.jobs.diagnosis.what_if import Course, Wish, course
from tests.support.alarm_plant import NIGHT, AlarmPlant
from tests.support.flowing_plant import FLOWING, TANKS, store_day

POOR_PUMPS = replace(FLOWING, terms=LoadTerms(return_capacity=to_si(300.0, "m3/h")))


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    built = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, built.ids)
    return built


def _course(plant: AlarmPlant, wish: Wish, tank: int = 0, out: tuple[str, ...] = ()) -> Course:
    setup = POOR_PUMPS if tank == 0 else TANKS[tank]
    believed = project_all(plant.engine, [setup], plant.ids, NIGHT)[setup.tank.key]
    return course(
        plant.engine, setup, TANKS, plant.ids, wish, believed=believed, danger_clearance=0.6, units="si", now=NIGHT, out=out
    )  # fmt: skip


def test_each_change_moves_the_blanket_its_way_and_says_what_it_is(plant: AlarmPlant) -> None:
    nothing = _course(plant, Wish())
    assert nothing.as_is == nothing.changed
    more = _course(plant, Wish(return_flow="+100 %"))
    assert spread(more.setup.tank, more.changed, 3.0)[0] < spread(more.setup.tank, more.as_is, 3.0)[0]
    assert more.said == ("return flow 250 m3/h → 500 m3/h",)
    assert any("more return than the pumps can give" in doubt for doubt in more.doubts)
    out = _course(plant, Wish(out_of_service=("west",)))
    assert spread(out.setup.tank, out.changed, 3.0)[0] > spread(out.setup.tank, out.as_is, 3.0)[0]
    assert "1,000 m3/h → 2,000 m3/h" in out.said[0]
    storm = _course(plant, Wish(storm="3000 m3/h", storm_hours=2.0, storm_start=1.0))
    assert storm.changed.at(0.5)[0] == pytest.approx(storm.as_is.at(0.5)[0])
    assert storm.changed.at(3.0)[0] > storm.as_is.at(3.0)[0]
    assert storm.said == ("flow of the whole plant 2,000 m3/h → 3,000 m3/h for 2 h, beginning in 1 h",)
    assert storm.then is not None
    assert storm.then.overflow_rate == pytest.approx(1500.0 / storm.setup.tank.area, rel=0.02)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (Wish(out_of_service=("east",)), "itself cannot be taken out"),
        (Wish(out_of_service=("north",)), "no other secondary tank 'north'"),
        (Wish(storm="+50 %"), "how many hours"),
        (Wish(storm_hours=3.0), "what flow the storm brings"),
    ],
)
def test_a_wish_that_makes_no_sense_is_refused(plant: AlarmPlant, wish: Wish, words: str) -> None:
    with pytest.raises(InputError, match=words):
        _course(plant, wish)


def test_nothing_is_said_of_a_tank_nobody_hears(plant: AlarmPlant) -> None:
    with pytest.raises(InputError, match="nothing was heard of its blanket"):
        _course(plant, Wish(return_flow="+10 %"), tank=1)


def test_a_tank_that_is_out_already_takes_no_part_and_cannot_be_taken_out_again(plant: AlarmPlant) -> None:
    with pytest.raises(InputError, match="out of service already"):
        _course(plant, Wish(out_of_service=("west",)), out=("west",))
    alone = _course(plant, Wish(storm="+100 %", storm_hours=2.0), out=("west",))
    # All of the plant's flow comes to this tank.
    assert alone.said == ("flow of the whole plant 1,000 m3/h → 2,000 m3/h for 2 h",)
