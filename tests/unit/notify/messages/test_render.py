"""The words somebody reads half asleep."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.definition import NOBODY_SEES, AlarmKind, SystemWatch, system_definitions
from service.alarms.observations import Contradiction, CoreSeen
from service.alarms.rules import Observation, RuleReason, SensorSeen
from service.calls.routing import MessageKind
from service.domain.blanket.estimate import Trust
from service.domain.cores.core import Surface
from service.domain.diagnosis.advice import CONFIRM
from service.domain.diagnosis.diagnosis import diagnose
from service.domain.diagnosis.evidence import Evidence
from service.domain.loading.balance import Conditions
from service.domain.plant.reading import ReadingReason
from service.domain.plant.tank import TankKind
from service.notify.channels import gsm7
from service.notify.messages.facts import AlarmFacts, SitePresentation
from service.notify.messages.render import render, sms
from service.notify.messages.wording import first_checks
from tests.unit.notify.cases import LINKED, NOW, SITE, every_kind, facts, service_facts

MINUTES = timedelta(minutes=1)


CORE = CoreSeen(taken_at=NOW - timedelta(hours=2), height=2.9, thickness=3.3, taken_by="Sam")
SEEN = Observation(reason=RuleReason.CORE_BEYOND_LIMIT, core=CORE, clearance=1.1)


@pytest.mark.parametrize(
    ("given_facts", "us", "si"),
    [
        (
            facts(),
            "DANGER East clarifier: sludge 1.8 ft under the weir, rising 0.6 ft/h, at the weir in about 3 h",
            "DANGER East clarifier: sludge 0.55 m under the weir, rising 0.18 m/h, at the weir in about 3 h",
        ),
        (
            facts(AlarmKind.HIGH),
            "WARNING East clarifier: sludge 3.3 ft under the weir, rising 0.6 ft/h, danger in about 2 h",
            "WARNING East clarifier: sludge 1.00 m under the weir, rising 0.18 m/h, danger in about 2 h",
        ),
        (
            facts(clearance=-0.1, rate=0.3),
            "DANGER East clarifier: sludge at or over the weir, rising 1.0 ft/h",
            "DANGER East clarifier: sludge at or over the weir, rising 0.30 m/h",
        ),
        (
            facts(rate=0.0),
            "DANGER East clarifier: sludge 1.8 ft under the weir, steady",
            "DANGER East clarifier: sludge 0.55 m under the weir, steady",
        ),
        (
            facts(reason=RuleReason.CORE_BEYOND_LIMIT, standing=SEEN),
            "DANGER East clarifier: hand core by Sam at 01:10 EST puts the sludge 3.6 ft under the weir",
            "DANGER East clarifier: hand core by Sam at 01:10 EST puts the sludge 1.10 m under the weir",
        ),
        (
            facts(AlarmKind.RATE, value=0.4),
            "RISING FAST East clarifier: sludge rising 1.3 ft/h, now 6.6 ft under the weir",
            "RISING FAST East clarifier: sludge rising 0.40 m/h, now 2.00 m under the weir",
        ),
        (
            facts(AlarmKind.DEVIATION, value=-0.4),
            "SENSOR East clarifier: sensor read 1.3 ft lower than the hand core",
            "SENSOR East clarifier: sensor read 0.40 m lower than the hand core",
        ),
        (
            facts(AlarmKind.READS_HIGH, value=0.4, reason=RuleReason.READS_HIGH),
            "READS HIGH East clarifier: sensor reads 1.3 ft under the weir, not confirmed; take a hand core",
            "READS HIGH East clarifier: sensor reads 0.40 m under the weir, not confirmed; take a hand core",
        ),
        (
            facts(returned_at=NOW - MINUTES),
            "DANGER East clarifier: sludge 1.8 ft under the weir (over already)",
            "DANGER East clarifier: sludge 0.55 m under the weir (over already)",
        ),
    ],
)
def test_first_line(given_facts: AlarmFacts, us: str, si: str) -> None:
    assert render(given_facts, "us").subject == us
    assert render(given_facts, "si").subject == si
    assert text_of(given_facts).startswith(us)


@pytest.mark.parametrize(
    ("given_facts", "line"),
    [
        (
            facts(AlarmKind.BAD_MEASUREMENT, reason=RuleReason.STALE, now=NOW + 25 * MINUTES),
            "SENSOR East clarifier: no blanket reading for 25 min",
        ),
        (
            facts(AlarmKind.BAD_MEASUREMENT, reason=RuleReason.FLAT),
            "SENSOR East clarifier: blanket reading is frozen at one value",
        ),
        (
            facts(AlarmKind.BAD_MEASUREMENT, reason=RuleReason.BLIND, trust=Trust.BLIND),
            "SENSOR East clarifier: no valid reading, blanket level unknown",
        ),
        (
            facts(AlarmKind.CORE_OVERDUE, now=NOW + 24 * 60 * MINUTES),
            "CORE DUE East clarifier: last hand core 1 d 2 h ago",
        ),
        (facts(AlarmKind.CORE_OVERDUE, core=None), "CORE DUE East clarifier: no hand core taken yet"),
        (
            service_facts(SystemWatch.CONNECTOR, value=0.5),
            "SERVICE Alder Creek: nothing from source drop for 30 min; its tanks are not monitored",
        ),
        (
            replace(service_facts(SystemWatch.CONNECTOR, value=2.0), reason=RuleReason.SAMPLES_REFUSED),
            "SERVICE Alder Creek: some values from source drop cannot be stored; underweir examine says more",
        ),
        (service_facts(SystemWatch.DELIVERY), "SERVICE Alder Creek: alarm messages are not getting through"),
        (
            service_facts(SystemWatch.CLOCK, value=1.0),
            "SERVICE Alder Creek: readings are stamped 1 h in the future; a clock or time zone is wrong",
        ),
        (
            replace(facts(clearance=1.5, rate=-0.1), kind=MessageKind.CLEARED, returned_at=NOW),
            "CLEARED East clarifier: danger over, sludge 4.9 ft under the weir, falling 0.3 ft/h",
        ),
        (
            replace(facts(AlarmKind.BAD_MEASUREMENT), kind=MessageKind.CLEARED, returned_at=NOW),
            "CLEARED East clarifier: blanket reading is back",
        ),
    ],
)
def test_first_line_of_other_kinds(given_facts: AlarmFacts, line: str) -> None:
    assert render(given_facts, "us").subject == line


def test_the_whole_message() -> None:
    text = render(facts(), "us").text
    assert "The blanket estimate is reliable." in text
    assert "Since       Wed 14 Jan 03:04 EST (6 min ago)" in text
    assert "Limit       2.0 ft under the weir" in text
    said = text_of(facts())
    assert "reads 12.3 ft above the floor at the wall, 11.3 ft after drift correction, last reading 03:10 EST" in said
    assert "10.8 ft of sludge where it was taken = 3.6 ft under the weir, 2 h ago (Wed 14 Jan 01:10 EST by Sam)" in said
    assert "underweir ack K7QDHM" in text
    order = [
        "reliable",
        "Act now",
        "I HAVE IT",
        "LOOK AT THIS FIRST",
        "BEFORE YOU GO TO THE TANK",
        "DETAILS",
        "Since",
        "\n-- \n",
    ]
    assert sorted(order, key=text.index) == order
    # Easy on the eye: one empty line between parts, lines of a part below each other.
    assert "\n\n\n" not in text
    assert "\nAct now, within 30 min.\n\nI HAVE IT\n  underweir ack K7QDHM\n\nLOOK" in text
    assert text.endswith("replies are not read.\n")


@pytest.mark.parametrize(
    ("trust", "sentence"),
    [
        (Trust.DOUBTFUL, "The blanket may be 1.0 ft higher or lower than estimated: a hand core decides."),
        (Trust.BLIND, "No valid reading: the blanket estimate is old"),
    ],
)
def test_doubt_is_said_right_after_the_number(trust: Trust, sentence: str) -> None:
    assert f"at the weir in about 3 h {sentence}" in text_of(facts(trust=trust))


def test_the_sites_own_words_stand_in_place_of_ours() -> None:
    definition = replace(
        facts().definition,
        action="Start return pump 3.",
        action_of_site=True,
        consequence="Permit breach.",
        cause="Storm.",
    )
    text = render(replace(facts(), definition=definition), "us").text
    assert "Start return pump 3." in text
    assert "Permit breach." in text
    assert "Storm." in text
    assert "Return sludge: is the pump running" not in text


@pytest.mark.parametrize(
    ("reason", "first", "not_said"),
    [
        (RuleReason.SAMPLES_LOST, "Free space on the service's disk", "watch these tanks by hand core"),
        (RuleReason.SAMPLES_REFUSED, "Nothing to do at the tank", "watch these tanks by hand core"),
        (RuleReason.CONNECTOR_DOWN, "watch these tanks by hand core", "Nothing to do at the tank"),
    ],
)
def test_a_source_that_delivers_sends_nobody_to_the_tank(reason: RuleReason, first: str, not_said: str) -> None:
    (definition, *_) = system_definitions(["drop"])
    given = replace(service_facts(SystemWatch.CONNECTOR, value=2.0), definition=definition, reason=reason)
    text = text_of(given)
    assert first in text
    assert not_said not in text
    assert ("are not monitored" in text) == (reason is RuleReason.CONNECTOR_DOWN)
    theirs = replace(definition, action="Call the electrician.", action_of_site=True)
    assert "Call the electrician." in render(replace(given, definition=theirs), "us").text


def test_cautions_only_where_the_message_sends_somebody_to_the_tank() -> None:
    assert "guard rail" in render(facts(), "us").text
    assert "guard rail" not in render(service_facts(SystemWatch.DELIVERY), "us").text
    assert "guard rail" not in render(replace(facts(), kind=MessageKind.CLEARED, returned_at=NOW), "us").text


def test_taken_message() -> None:
    taken = replace(facts(), kind=MessageKind.ACKNOWLEDGED, actor="Sam", note="on my way")
    rendered = render(taken, "us")
    assert rendered.subject.startswith("TAKEN East clarifier: Sam has it (danger: sludge 1.8 ft")
    assert "Note        on my way" in rendered.text
    assert "underweir ack" not in rendered.text


def test_html_says_what_the_text_says_and_escapes() -> None:
    odd = replace(facts(), tank_label="<b>East & West</b>")
    rendered = render(odd, "us")
    assert "<b>East & West</b>" not in rendered.html
    bare = html.unescape(re.sub(r"<[^>]+>", " ", rendered.html))
    for words in ("DANGER <b>East & West</b>: sludge 1.8 ft under the weir", "underweir ack K7QDHM", "guard rail"):
        assert words in bare
        assert words in rendered.text


def test_autumns_repeated_hour_is_told_apart() -> None:
    # IANA zone data: America/New_York, 2024-11-03, 01:30 happens twice.
    first, second = datetime(2024, 11, 3, 5, 30, tzinfo=UTC), datetime(2024, 11, 3, 6, 30, tzinfo=UTC)
    assert "01:30 EDT" in sms(facts(at=first), "us")
    assert "01:30 EST" in sms(facts(at=second), "us")


def test_an_sms_is_filled_to_the_last_septet() -> None:
    """What just fits is not left out."""
    told = [sms(facts(tank_label="E" * length, diagnosis=diagnose(LOST)), "us") for length in range(1, 33)]
    assert max(len(said) for said in told if "Return flow down" in said) == 160
    over = replace(facts(diagnosis=diagnose(LOST)), kind=MessageKind.CLEARED, returned_at=NOW)
    assert "Return flow down" not in sms(over, "us")


def test_sms_says_what_counts() -> None:
    assert sms(facts(), "us") == (
        "DANGER East clarifier: sludge 1.8 ft under weir, rising 0.6 ft/h, at weir in 3 h. Estimate reliable. "
        "Core 2 h ago 10.8 ft. 03:10 EST. Code K7QDHM"
    )


@given(
    kind=st.sampled_from([kind for kind in AlarmKind if kind is not AlarmKind.SYSTEM]),
    message=st.sampled_from(list(MessageKind)),
    label=st.text(min_size=1, max_size=80),
    actor=st.text(max_size=200),
    clearance=st.floats(-2, 6),
    rate=st.floats(-5, 5),
    reason=st.sampled_from(list(RuleReason)),
    verdict=st.sampled_from(list(ReadingReason)),
    trust=st.sampled_from(list(Trust)),
    system=st.sampled_from(["us", "si"]),
)
def test_an_sms_is_one_part_whatever_the_facts(
    kind: AlarmKind,
    message: MessageKind,
    label: str,
    actor: str,
    clearance: float,
    rate: float,
    system: Any,
    **more: Any,
) -> None:
    verdict = more.pop("verdict")
    made = facts(kind, tank_label=label, actor=actor, clearance=clearance, rate=rate, **more)
    made = replace(made, kind=message, sensors=(replace(made.sensors[0], verdict=verdict),), returned_at=NOW)
    rendered = render(made, system)
    count = gsm7.septets(rendered.sms)
    assert count is not None
    assert count <= 160
    assert "\n" not in rendered.subject
    assert message is not MessageKind.ALARM or "Code K7QDHM" in rendered.sms
    assert "nan" not in rendered.text
    assert "None" not in rendered.text.replace(label, "").replace(actor, "")


LOST = Evidence(
    kind=TankKind.SECONDARY,
    depth=4.0,
    height=3.4,
    rate=0.2,
    streams=Conditions(flow=0.2, return_flow=0.004, feed_solids=2.8, return_solids=8.0),
    usual_drawn=0.08,
    surface=(Surface.BUBBLES, Surface.SOLIDS_OVER_WEIR),
)


def test_what_is_likely_wrong_leads_with_its_numbers() -> None:
    lines = first_checks(facts(diagnosis=diagnose(LOST)), "us")
    assert lines[0].startswith("Return flow is down. Pump running? Valve open?")
    assert lines[1].startswith("Return sludge lost (95 % or more): return flow 0.0913 MGD where it was 1.83 MGD before")
    assert "Now: flow 4.56 MGD, return 0.0913 MGD, mixed liquor 2,800 mg/L, return solids 8,000 mg/L" in lines[4]
    assert lines[-1] == CONFIRM
    assert "Now: flow 720 m3/h, return 14.4 m3/h" in first_checks(facts(diagnosis=diagnose(LOST)), "si")[4]
    text = render(facts(diagnosis=diagnose(LOST)), "us").text
    assert "Lock out the arm's drive" in text
    assert "come first" in text
    assert "Return flow down" in render(facts(diagnosis=diagnose(LOST)), "us").sms


def test_doubt_about_the_sensor_asks_for_the_core_first_and_once() -> None:
    doubt = Evidence(kind=TankKind.SECONDARY, depth=4.0, height=3.4, rivals=0.5)
    lines = first_checks(facts(diagnosis=diagnose(doubt)), "si")
    assert lines[0].startswith("Sensor in doubt: take a hand core first")
    assert CONFIRM not in lines


def test_the_sites_own_words_stand_first_and_built_in_ones_give_way() -> None:
    given = facts(diagnosis=diagnose(LOST))
    own = replace(given, definition=replace(given.definition, action="Call the shift lead.", action_of_site=True))
    assert first_checks(own, "us")[0] == "Call the shift lead."
    assert first_checks(own, "us")[1].startswith("Return flow is down.")
    built_in = replace(given, definition=replace(given.definition, action="Something usual."))
    assert "Something usual." not in first_checks(built_in, "us")
    assert first_checks(replace(own, diagnosis=None), "us") == ("Call the shift lead.",)


def test_an_overload_is_told_with_its_number_and_limit() -> None:
    definition = replace(facts(AlarmKind.SOLIDS_LOADING).definition, limit=8.0)
    given = replace(facts(AlarmKind.SOLIDS_LOADING, value=9.5), definition=definition)
    assert render(given, "us").subject == "OVERLOAD East clarifier: solids loading 46.7 lb/d.ft2"
    assert re.search(r"Limit +8.00 kg/m2.h", render(given, "si").text)


def test_a_sensor_alarm_keeps_its_own_words() -> None:
    lines = first_checks(facts(AlarmKind.READS_HIGH, diagnosis=diagnose(LOST)), "us")
    assert lines == ("Take a hand core now: it shows whether the sludge is really there.",)


@given(
    st.floats(0.0, 2.0),
    st.sets(st.sampled_from(list(Surface))),
    st.floats(0.0, 0.6),
    st.sampled_from(list(TankKind)),
    st.text(min_size=1, max_size=60),
)
def test_a_text_message_stays_one_whatever_was_seen(
    drawn: float, surface: set[Surface], rivals: float, kind: TankKind, label: str
) -> None:
    evidence = replace(LOST, kind=kind, surface=tuple(surface), rivals=rivals, usual_drawn=0.004 / max(drawn, 1e-3))
    said = sms(facts(diagnosis=diagnose(evidence), tank_label=label, tank_kind=kind), "us")
    assert (gsm7.septets(said) or 999) <= gsm7.ONE_PART_SEPTETS
    assert "K7QDHM" in said


def text_of(given: AlarmFacts) -> str:
    return " ".join(render(given, "us").text.split())


class TestAPersonsWord:
    """What a person saw is told with the person, what the sensor says against it, and what takes it back."""

    def test_fluff_and_words_for_the_surface(self) -> None:
        fluffy = replace(CORE, height=0.6, fluff_height=3.4)
        seen = Observation(reason=RuleReason.FLUFF_BEYOND_LIMIT, core=fluffy, clearance=0.6)
        assert render(facts(standing=seen), "us").subject == (
            "DANGER East clarifier: fluff up to 2.0 ft under the weir, seen by Sam at 01:10 EST"
        )
        over = replace(CORE, height=0.6, surface=(Surface.SOLIDS_OVER_WEIR,))
        seen = Observation(reason=RuleReason.SEEN_AT_THE_WEIR, core=over, clearance=0.0)
        told = facts(standing=seen, core=over, clearance=3.4)
        assert render(told, "us").subject == "DANGER East clarifier: solids over weir, seen by Sam at 01:10 EST"
        assert "The sensor says 11.2 ft under the weir: do not trust it." in text_of(told)
        assert "until a round logs the surface again. If it was entered by mistake, correct or withdraw it" in text_of(
            told
        )

    def test_it_is_never_told_as_a_number_to_be_believed(self) -> None:
        told = facts(AlarmKind.TIME_TO_DANGER, clearance=3.4, standing=SEEN)
        assert "is reliable" not in text_of(told)
        assert "Rely on what a person saw: hand core by Sam at 01:10 EST" in text_of(told)
        assert "Do not trust sensor" in render(told, "us").sms

    def test_a_core_minutes_old_is_not_asked_for_again(self) -> None:
        fresh = replace(CORE, taken_at=NOW - timedelta(minutes=5))
        told = facts(standing=replace(SEEN, core=fresh), core=fresh)
        assert "hand core" not in " ".join(first_checks(told, "us"))
        assert "hand core" in " ".join(first_checks(facts(), "us"))


class TestCleared:
    """What is over is told so that nobody takes it for the end of something graver."""

    def test_a_forecast_that_ended_while_danger_stands(self) -> None:
        told = replace(
            facts(AlarmKind.TIME_TO_DANGER),
            kind=MessageKind.CLEARED,
            returned_at=NOW,
            also_active=("SENSOR: frozen", "DANGER: sludge 1.8 ft under the weir"),
        )
        subject = render(told, "us").subject
        assert subject.startswith("STILL DANGER East clarifier: the forecast no longer reaches the danger limit")
        assert "still DANGER, SENSOR" in subject
        assert "over" not in subject
        assert render(told, "us").sms.startswith("STILL DANGER")

    def test_it_names_the_observation_that_cleared_it(self) -> None:
        core = replace(CORE, taken_at=NOW - timedelta(minutes=2), thickness=0.9144)
        over = replace(facts(clearance=3.0, rate=-0.1), kind=MessageKind.CLEARED, returned_at=NOW)
        told = replace(over, core=core)
        assert "Cleared by hand core by Sam at 03:08 EST, 3.0 ft of sludge; sensor LT-1, 3.3 ft above the" in text_of(
            told
        )
        both = replace(CORE, contradicted=Contradiction(at=NOW, by=("LT-1", "LT-2")))
        told = replace(over, core=both)
        assert "Cleared by LT-1 and LT-2, which agree" in text_of(told)


def test_one_sensor_silent_beside_a_good_one_is_not_told_as_nobody_watching() -> None:
    bad = SensorSeen(tag="LT-2", stale_after=timedelta(minutes=10), last_sample_at=NOW - timedelta(hours=1))
    given = facts(AlarmKind.BAD_MEASUREMENT, reason=RuleReason.STALE, detail="LT-2")
    definition = replace(given.definition, consequence=NOBODY_SEES)
    both = replace(given, definition=definition, sensors=(*given.sensors, bad))
    assert "until it is measured again" not in text_of(both)
    assert "Only LT-1 still monitors this tank" in text_of(both)
    assert "No sensor is monitoring this tank" not in text_of(both)
    assert "until it is measured again" in text_of(replace(both, sensors=(bad,)))


def test_no_correction_is_claimed_where_nobody_took_a_core() -> None:
    assert "after drift correction" in text_of(facts())
    assert "after drift correction" not in text_of(facts(core=None))


def test_below_the_floor_and_over_the_crest_are_said_in_words() -> None:
    assert "on the floor" in text_of(facts(clearance=4.15))
    assert "-0." not in text_of(facts(clearance=4.15))
    assert "-0." not in text_of(facts(clearance=-0.15))


@pytest.mark.parametrize("site", [LINKED, SITE], ids=["links", "no links"])
def test_every_text_is_readable_without_html(site: SitePresentation) -> None:
    """RFC 5322 section 2.1.1: lines of 78 characters at most; only an address is longer, alone on its line."""
    for name, given_facts in every_kind(site).items():
        for line in render(replace(given_facts, diagnosis=diagnose(LOST)), "us").text.splitlines():
            assert len(line) <= 78 or re.fullmatch(r"  https://\S+", line), (name, line)


def test_links_come_first_and_the_command_last() -> None:
    rendered = render(facts(site=LINKED), "us")
    for told in (rendered.text, rendered.html):
        order = ["/a/Zm9v", "/tanks/east", "underweir ack K7QDHM"]
        assert sorted(order, key=told.index) == order
        assert told.index("guard rail") < told.index("underweir ack")
    # The address is never shown in the HTML, so that it cannot widen the page.
    assert "https://" not in re.sub(r"<[^>]+>", " ", rendered.html)


def test_the_html_loads_nothing() -> None:
    for given_facts in every_kind(LINKED).values():
        assert not re.search(r"<(img|script|link|iframe)|url\(", render(given_facts, "si").html)


#: What a length may be followed by: the frame it is told in, or that it is a difference of two.
FRAMED = re.compile(
    r"\d+\.\d\d? (?:ft|m)\b(?! (?:(?:under|over) the weir|above the floor at the wall|of sludge where it was taken"
    r"|after drift correction|apart|(?:lower|higher) than))(?!/)(?!\))"
)


@pytest.mark.parametrize("units", ["us", "si"])
def test_every_length_of_every_message_says_what_it_is_counted_from(units: Literal["us", "si"]) -> None:
    """Depth under the weir, height above the floor and a core's thickness stand side by side: none goes without its frame."""
    bare = {
        f"{name}: {text[max(0, found.start() - 30) : found.end() + 30]}"
        for name, told in every_kind(SITE).items()
        for text in [" ".join(render(told, units).text.split())]
        for found in FRAMED.finditer(text)
    }
    assert bare == set()
