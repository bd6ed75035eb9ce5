"""From a sound site file to the domain's objects, in SI, with what it leaves out filled in."""

from __future__ import annotations

import hashlib
import math
from datetime import timedelta
from pathlib import Path

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.domain.plant.signal import Measures, SignalKind
from service.domain.plant.tank import NotchedWeir, TankKind
from service.errors import ConfigError
from service.site import Site, load_site, parse_site
from service.site.conversion.alarm_defaults import DEFAULTS

DATA = Path(__file__).parents[2] / "data/site"
BASE = (DATA / "base.toml").read_text("utf-8")
EXAMPLE = Path(__file__).parents[3] / "deploy/site.example.toml"
FT = 0.3048


def definition(site: Site, key: str) -> AlarmDefinition:
    (found,) = [d for d in site.alarm_definitions() if d.key == key]
    return found


def test_tanks_are_in_metres() -> None:
    tanks = parse_site(BASE).tanks()
    assert list(tanks) == ["east", "north"]
    east, north = tanks["east"], tanks["north"]
    assert east.diameter == pytest.approx(80 * FT)
    assert east.side_water_depth == pytest.approx(14 * FT)
    assert east.floor_slope == pytest.approx(1 / 12)
    assert east.core_distance_from_wall == pytest.approx(40 * FT / 3)
    assert east.label == "east"
    assert north.kind is TankKind.PRIMARY
    assert north.area == pytest.approx(120 * 30 * FT**2)


def test_a_core_without_a_place_is_taken_a_third_of_the_way_in() -> None:
    """Common practice, no source."""
    tanks = parse_site(BASE.replace('core_position = "1/3"\n', "")).tanks()
    assert tanks["east"].core_distance_from_wall == pytest.approx(40 * FT / 3)


def test_notches_and_arm() -> None:
    tank = load_site(EXAMPLE).tanks()["east"]
    assert tank.notched_weir == NotchedWeir(notch_angle=90, notch_count=500)
    assert tank.arm_period == pytest.approx(32 / 60)


def test_signals_are_in_si_and_keep_their_unit() -> None:
    signals = parse_site(BASE).signals()
    north = signals["NORTH_B"]
    assert (north.unit, north.kind, north.tank) == ("in", SignalKind.BLANKET, "north")
    assert north.high == pytest.approx(130 * 0.0254)
    assert north.mount is not None
    assert north.mount.measures is Measures.DISTANCE
    assert north.mount.zero_height == pytest.approx(11 * FT)
    # NIST SP 811 appendix B: 1 US gal = 231 in³, so 1 MGD = 3785.411784 m³/d.
    assert signals["FLOW"].high == pytest.approx(12 * 3785.411784 / 86_400)


def test_a_slow_signal_is_given_time_before_it_is_stale() -> None:
    slow = BASE.replace('kind = "flow"', 'kind = "flow"\nexpected_interval = "15 min"')
    assert parse_site(slow).signals()["FLOW"].stale_after == timedelta(minutes=45)
    assert parse_site(BASE).signals()["FLOW"].stale_after == timedelta(minutes=10)


def test_setups_give_every_tank_its_own_and_the_plants_signals() -> None:
    east, north = parse_site(BASE).setups()
    assert [s.tag for s in east.blankets] == ["EAST_B"]
    assert [s.tag for s in north.blankets] == ["NORTH_B"]
    assert [s.tag for s in east.others] == [s.tag for s in north.others] == ["FLOW"]


def test_written_limits_become_clearances() -> None:
    site = parse_site(BASE)
    # A quarter where the core is taken: 14 ft + 40/3 ft × 1/12 are 15.11 ft there, so 3.78 ft of sludge, 2.67 ft at the wall.
    assert definition(site, "east.high").limit == pytest.approx((14 - (0.25 * (14 + 40 / 36) - 40 / 36)) * FT)
    assert definition(site, "east.high-high").limit == pytest.approx(4 * FT)
    height = parse_site(BASE.replace("clearance = 4", 'blanket_height = "3 m"'))
    assert definition(height, "east.high-high").limit == pytest.approx(14 * FT - 3)


def test_built_in_alarms_of_a_tank_without_any() -> None:
    """25 % of the side water depth: Treatment Plant Operator exam study guide, August 2019, after WEF Wastewater Treatment
    Fundamentals 1, chapter 8. 4 ft of clear water: common practice, no source."""
    site = parse_site(BASE)
    mine = {d.kind: d for d in site.alarm_definitions() if d.tank == "north"}
    assert set(mine) == {kind for kind, usual in DEFAULTS.items() if usual.always}
    high, danger = mine[AlarmKind.HIGH], mine[AlarmKind.HIGH_HIGH]
    assert high.limit == pytest.approx(0.75 * 11 * FT)
    assert danger.limit == pytest.approx(4 * FT)
    # ISA-18.2 starting values for a level (from memory): deadband 5 % of the span, delays 60 s.
    assert high.deadband == pytest.approx(0.05 * 11 * FT)
    assert high.on_delay == high.off_delay == timedelta(seconds=60)
    assert (high.priority, danger.priority) == (Priority.MEDIUM, Priority.HIGH)
    assert mine[AlarmKind.CORE_OVERDUE].limit == 26


def test_every_alarm_tells_what_rationalization_asks_for() -> None:
    """IEC 62682 / ISA-18.2: cause, consequence, corrective action and time to respond of every alarm."""
    for d in load_site(EXAMPLE).alarm_definitions():
        assert d.cause
        assert d.consequence
        assert d.action
        assert d.time_to_respond > timedelta(0)


@pytest.mark.parametrize("kind", [k for k, usual in DEFAULTS.items() if "core" in usual.action.lower()])
def test_whoever_is_sent_to_the_tank_is_cautioned(kind: AlarmKind) -> None:
    action = DEFAULTS[kind].action
    assert "Only if it is safe" in action
    assert "Local codes and site procedures" in action


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_every_kind_of_alarm_has_starting_values(kind: AlarmKind) -> None:
    assert DEFAULTS[kind].cause


def test_an_alarm_of_one_tank_goes_before_that_of_all() -> None:
    site = parse_site(BASE + '\n[[alarm]]\nkind = "high"\nclearance = "2 m"\n')
    # A quarter where the core is taken: 14 ft + 40/3 ft × 1/12 are 15.11 ft there, so 3.78 ft of sludge, 2.67 ft at the wall.
    assert definition(site, "east.high").limit == pytest.approx((14 - (0.25 * (14 + 40 / 36) - 40 / 36)) * FT)
    assert definition(site, "north.high").limit == pytest.approx(2.0)


def test_an_alarm_can_be_taken_away() -> None:
    site = parse_site(BASE + '\n[[alarm]]\nkind = "core overdue"\ntank = "east"\nenabled = false\n')
    keys = {d.key for d in site.alarm_definitions()}
    assert "east.core-overdue" not in keys
    assert "north.core-overdue" in keys


def test_other_kinds_only_come_when_written() -> None:
    site = parse_site(BASE + '\n[[alarm]]\nkind = "rate of change"\ntank = "east"\nrate = 2\ndeadband = "0.1 m/h"\n')
    rate = definition(site, "east.rate-of-change")
    assert rate.limit == pytest.approx(2 * FT)
    assert rate.deadband == pytest.approx(0.1)
    assert not [d for d in site.alarm_definitions() if d.kind is AlarmKind.RATE and d.tank == "north"]


def test_limits_close_together_get_a_narrow_deadband() -> None:
    site = parse_site(BASE.replace('depth_share = "25 %"', "clearance = 4.5"))
    assert definition(site, "east.high").deadband == pytest.approx(0.25 * FT)
    assert definition(site, "east.high-high").deadband == pytest.approx(0.25 * FT)


def test_own_words_take_the_place_of_the_built_in_ones() -> None:
    text = BASE.replace(
        "clearance = 4", 'clearance = 4\nkey = "danger"\nconsequence = "Filters blind."\nlatching = true'
    )
    danger = definition(parse_site(text), "danger")
    assert danger.consequence == "Filters blind."
    assert danger.cause == DEFAULTS[AlarmKind.HIGH_HIGH].cause
    assert danger.latching


def test_the_service_watches_itself_and_the_file_may_change_that() -> None:
    text = BASE + '\n[[alarm]]\nkind = "system"\nwatch = "connector"\nafter = "2 h"\npriority = "high"\n'
    text += '\n[[alarm]]\nkind = "system"\nwatch = "clock"\nenabled = false\n'
    system = {d.watch: d for d in parse_site(text).alarm_definitions() if d.kind is AlarmKind.SYSTEM}
    assert set(system) == set(SystemWatch) - {SystemWatch.CLOCK, SystemWatch.DUTY}
    assert system[SystemWatch.CONNECTOR].limit == 2
    assert system[SystemWatch.CONNECTOR].connector == "export"
    assert system[SystemWatch.CONNECTOR].priority is Priority.HIGH


def test_keys_of_alarms_are_their_own() -> None:
    keys = [d.key for d in load_site(EXAMPLE).alarm_definitions()]
    assert len(keys) == len(set(keys))


def test_contacts_use_every_address_they_have() -> None:
    night, shop = load_site(EXAMPLE).contacts()
    assert night.channels == ("email", "sms")
    assert night.phone == "+15550100199"
    assert night.priorities == tuple(Priority)
    assert night.tanks == ()
    assert shop.channels == ("email",)
    assert shop.priorities == (Priority.LOW, Priority.MEDIUM)


def test_a_star_means_every_tank() -> None:
    (night,) = parse_site(BASE + 'tanks = ["*"]\n').contacts()
    assert night.tanks == ()


def test_phone_numbers_may_be_written_with_gaps() -> None:
    (night,) = parse_site(BASE + 'phone = "+1 (555) 010-0199"\n').contacts()
    assert night.phone == "+15550100199"


def test_addresses_lead_to_signals() -> None:
    text = BASE.replace('tag = "FLOW"', 'tag = "FLOW"\naddress = "FT-101.PV"')
    addresses = parse_site(text).addresses("export")
    assert {address: s.tag for address, s in addresses.items()} == {
        "EAST_B": "EAST_B",
        "NORTH_B": "NORTH_B",
        "FT-101.PV": "FLOW",
    }


def test_a_core_sheet_beside_the_only_source_of_readings_changes_nothing() -> None:
    site = load_site(EXAMPLE)
    assert len(site.addresses("scada-export")) == 5
    assert site.addresses("core-sheets") == {}


def test_relative_folders_lie_beside_the_file(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(BASE, "utf-8")
    site = load_site(file)
    assert site.folder("drop") == tmp_path / "drop"
    assert site.folder("/srv/drop") == Path("/srv/drop")


def test_the_text_and_its_hash_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(BASE, "utf-8")
    site = load_site(file)
    assert site.text == BASE
    assert site.content_hash == hashlib.sha256(file.read_bytes()).hexdigest()
    assert site.name == "Base"
    assert site.units == "us"
    assert site.time_zone.key == "America/New_York"


def test_warnings_do_not_stop_the_service_but_are_kept() -> None:
    site = parse_site(BASE.replace("weir_length = 251", "weir_length = 25"))
    assert [w.field for w in site.warnings] == ["tank[east].weir_length"]


def test_errors_stop_it_and_are_all_in_the_message(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(BASE.replace("diameter = 80", "daimeter = 80").replace("clearance = 4", "clearance = -4"), "utf-8")
    with pytest.raises(ConfigError) as error:
        load_site(file)
    first, second = str(error.value).split("\n")
    assert first.startswith(f"{file}:11: tank[east].daimeter: ")
    assert second.startswith(f"{file}:64: alarm[east: high-high].clearance: ")


def test_a_file_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml: the site file cannot be read"):
        load_site(tmp_path / "none.toml")


def test_si_sites_read_metres() -> None:
    text = BASE.replace('units = "us"', 'units = "si"').replace('zero_height = "11 ft"', "zero_height = 3.4")
    for us, si in (
        ("diameter = 80", "diameter = 25"),
        ("weir_length = 251", "weir_length = 78"),
        ("clearance = 4", "clearance = 1.2"),
    ):
        text = text.replace(us, si)
    for us, si in (("length = 120", "length = 40"), ("width = 30", "width = 10")):
        text = text.replace(us, si)
    text = text.replace("side_water_depth = 14", "side_water_depth = 4").replace(
        "side_water_depth = 11", "side_water_depth = 3.4"
    )
    site = parse_site(text)
    assert site.tanks()["east"].area == pytest.approx(math.pi * 25**2 / 4)
    assert definition(site, "east.high-high").limit == pytest.approx(1.2)


def test_a_tank_may_be_kept_out_of_service_with_a_reason() -> None:
    site = parse_site(BASE.replace("[[tank]]", '[[tank]]\nout_of_service = "empty until spring"', 1))
    assert list(site.out_of_service().values()) == ["empty until spring"]


def test_what_feeds_a_tank() -> None:
    site = load_site(EXAMPLE)
    assert set(site.feeds()) == {t.tank.key for t in site.setups() if t.blankets}
    assert frozenset().union(*site.feeds().values()) <= {c.key for c in site.connectors()}
