"""What holds where a site says nothing, written down by hand with the reason: a default changed in the code fails here.

Whoever changes one changes it here too, and gives the reason. Where a source is known it is named; the rest is our choice.
"""

from __future__ import annotations

import importlib
from datetime import timedelta
from typing import Any

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, system_definitions
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.notify.channels.http_gateway import HttpGateway
from service.notify.channels.sms_modem import GsmModem
from service.notify.channels.smtp import SmtpAccount
from service.site.conversion.alarm_defaults import DEFAULTS, default_deadband, default_limit

S, MIN, H, D = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
LOW, MEDIUM, HIGH = Priority.LOW, Priority.MEDIUM, Priority.HIGH
FT = 0.3048


def tank(depth: float, kind: TankKind = TankKind.SECONDARY) -> Tank:
    return Tank(key="t", label="T", kind=kind, shape=TankShape.CIRCULAR, diameter=30.0, side_water_depth=depth)


# --- alarms of a tank -------------------------------------------------------------------------------------------------

#: kind: (priority, on-delay, off-delay, time to respond, every tank has one, why these).
ALARMS: dict[AlarmKind, tuple[Priority, timedelta, timedelta, timedelta, bool, str]] = {
    AlarmKind.HIGH: (
        MEDIUM, MIN, MIN, H, True,
        "a level's starting values of ISA-18.2: 60 s (from memory); hours away from the weir",
    ),
    AlarmKind.HIGH_HIGH: (
        HIGH, MIN, MIN, 15 * MIN, True,
        "solids reach the weir in minutes: no delay beyond that which rejects a single sample, never half an hour",
    ),
    AlarmKind.RATE: (MEDIUM, 10 * MIN, 10 * MIN, H, False, "a rate is noisy: ten minutes say that it lasts"),
    AlarmKind.TIME_TO_DANGER: (
        HIGH, 5 * MIN, 15 * MIN, 30 * MIN, False,
        "foretells danger: called early and let go late, as forecasts waver",
    ),
    AlarmKind.DEVIATION: (LOW, 0 * S, 0 * S, 8 * H, False, "a core is one event: there is nothing to wait for"),
    AlarmKind.BAD_MEASUREMENT: (
        MEDIUM, 5 * MIN, 5 * MIN, 2 * H, True,
        "a lost sensor is silence; a few minutes pass over restarts of a network",
    ),
    AlarmKind.SOLIDS_LOADING: (MEDIUM, 15 * MIN, 15 * MIN, H, False, "loading swings with pumps; a quarter of an hour is load"),
    AlarmKind.EFFLUENT_SOLIDS: (
        HIGH, 5 * MIN, 15 * MIN, 30 * MIN, False,
        "solids get out: a few minutes pass over a bubble in the meter; let go late, as it wavers",
    ),
    AlarmKind.TURBIDITY: (HIGH, 5 * MIN, 15 * MIN, 30 * MIN, False, "the same by another meter"),
    AlarmKind.PERMIT_NEAR: (MEDIUM, 30 * MIN, H, 4 * H, False, "an average of days moves in hours; half a shift to find the cause"),
    AlarmKind.PERMIT_OVER: (HIGH, 10 * MIN, H, H, False, "broken: permits ask for notice within hours; a day's value over needs no long proof"),
    AlarmKind.CORE_OVERDUE: (LOW, 0 * S, 0 * S, 4 * H, True, "a matter of the round"),
    AlarmKind.READS_HIGH: (
        MEDIUM, MIN, MIN, 30 * MIN, True,
        "perhaps the blanket is there: somebody has to look at once",
    ),
    AlarmKind.SYSTEM: (MEDIUM, 0 * S, 5 * MIN, H, False, "a source that stopped has been watched for its limit already"),
}  # fmt: skip


def test_every_kind_of_alarm_stands_in_the_table() -> None:
    assert set(ALARMS) == set(AlarmKind) == set(DEFAULTS)


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_delays_priority_and_time_to_respond_are_those_written_down(kind: AlarmKind) -> None:
    found = DEFAULTS[kind]
    wanted = ALARMS[kind]
    assert (found.priority, found.on_delay, found.off_delay, found.time_to_respond, found.always) == wanted[:5], wanted[
        5
    ]


def test_danger_is_told_within_a_minute_or_people_learn_of_it_when_solids_are_over_the_weir() -> None:
    assert DEFAULTS[AlarmKind.HIGH_HIGH].on_delay <= MIN


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_every_alarm_says_cause_consequence_and_action(kind: AlarmKind) -> None:
    """IEC 62682 / ISA-18.2 ask for the three of them; who is sent to the tank reads the cautions."""
    found = DEFAULTS[kind]
    assert found.cause
    assert found.consequence
    assert found.action
    assert ("guard rails" in found.action) == (kind not in (AlarmKind.SOLIDS_LOADING, AlarmKind.SYSTEM))


#: (kind, tank): (limit, deadband, why). Clearances and lengths in m, rates in m/h, loading in kg/(m²·h), times in h.
SECONDARY, SHALLOW, THICKENER = tank(4.0), tank(2.0), tank(4.0, TankKind.THICKENER)
LIMITS: list[tuple[AlarmKind, Tank, float | None, float, str]] = [
    (AlarmKind.HIGH, SECONDARY, 3.0, 0.20, "blanket at a quarter of the depth (TPO study guide, August 2019); 5 % of span"),
    (AlarmKind.HIGH, THICKENER, 1.6, 0.20, "thickeners keep deep blankets: 60 % of the depth"),
    (AlarmKind.HIGH_HIGH, SECONDARY, 4 * FT, 0.20, "4 ft of clear water (common practice, no source)"),
    (AlarmKind.HIGH_HIGH, SHALLOW, 1.0, 0.10, "or half the depth of a shallow tank"),
    (AlarmKind.HIGH_HIGH, THICKENER, 1.0, 0.20, "75 % of a thickener's depth"),
    (AlarmKind.RATE, SECONDARY, 0.3, 0.03, "about 1 ft/h"),
    (AlarmKind.TIME_TO_DANGER, SECONDARY, 2.0, 0.2, "two hours leave time to act"),
    (AlarmKind.DEVIATION, SECONDARY, 0.3, 0.03, "twice to three times what two cores of one person differ by"),
    (AlarmKind.SOLIDS_LOADING, SECONDARY, 8.0, 0.8, "about 40 lb/d.ft² (Ten States Standards chapter 70, from memory)"),
    (AlarmKind.CORE_OVERDUE, SECONDARY, 26.0, 0.0, "a core a day (same study guide) and two hours of grace"),
    (AlarmKind.BAD_MEASUREMENT, SECONDARY, None, 0.0, "yes or no"),
    (AlarmKind.READS_HIGH, SECONDARY, None, 0.0, "yes or no"),
    (AlarmKind.EFFLUENT_SOLIDS, SECONDARY, None, 0.0, "the limit of its meter, as the permit has it"),
    (AlarmKind.TURBIDITY, SECONDARY, None, 0.0, "the limit of its meter"),
    (AlarmKind.PERMIT_NEAR, SECONDARY, None, 0.02, "of the permit's limit, at the share the site writes, else 80 %"),
    (AlarmKind.PERMIT_OVER, SECONDARY, None, 0.02, "the permit's limit; averages do not waver"),
    (AlarmKind.SYSTEM, SECONDARY, None, 0.0, "each has its own, below"),
]  # fmt: skip


def test_every_kind_has_its_limit_written_down() -> None:
    assert {kind for kind, *_ in LIMITS} == set(AlarmKind)


@pytest.mark.parametrize(("kind", "of", "limit", "deadband", "why"), LIMITS)
def test_limits_and_deadbands_are_those_written_down(
    kind: AlarmKind, of: Tank, limit: float | None, deadband: float, why: str
) -> None:
    found = default_limit(kind, of)
    assert found == (None if limit is None else pytest.approx(limit)), why
    assert default_deadband(kind, of, found) == pytest.approx(deadband), why


# --- alarms the service has about itself ------------------------------------------------------------------------------

#: key: (limit [h], on-delay, off-delay, priority, time to respond, why).
SYSTEM: dict[str, tuple[float, timedelta, timedelta, Priority, timedelta, str]] = {
    "system.connector.drop": (0.25, 0 * S, 0 * S, MEDIUM, 30 * MIN, "a quarter of an hour without a source leaves tanks unwatched"),
    "system.delivery": (1 / 6, 0 * S, 0 * S, HIGH, 30 * MIN, "ten minutes in which nobody can be called"),
    "system.clock": (1 / 30, 5 * MIN, 0 * S, LOW, 30 * MIN, "two minutes ahead are no jitter; five minutes let a clock be set"),
    "system.filling": (0.5, 0 * S, 30 * MIN, HIGH, 30 * MIN, "several tanks within half an hour share a cause"),
    "system.chattering": (1.0, 0 * S, 0 * S, LOW, 8 * H, "for the day shift"),
    "system.stale": (24.0, 0 * S, 0 * S, LOW, 8 * H, "IEC 62682: stale after 24 h (from memory); for the day shift"),
    "system.duty": (24.0, 0 * S, 0 * S, MEDIUM, 30 * MIN, "a day to fill a hole in the rota"),
}  # fmt: skip


def test_the_services_own_alarms_are_those_written_down() -> None:
    found = {one.key: one for one in system_definitions(["drop"], duty=True)}
    assert set(found) == set(SYSTEM)
    for key, (limit, on, off, priority, respond, why) in SYSTEM.items():
        own = found[key]
        assert own.limit == pytest.approx(limit), why
        assert (own.on_delay, own.off_delay, own.priority, own.time_to_respond) == (on, off, priority, respond), why
        assert (own.tank, own.deadband, own.kind) == (None, 0.0, AlarmKind.SYSTEM)
        assert own.cause, key
        assert own.consequence, key
        assert own.action, key
    assert "system.duty" not in {one.key for one in system_definitions(["drop"])}
    assert [one.connector for one in system_definitions(["a", "b"])[:2]] == ["a", "b"]


def test_an_alarm_with_nothing_said_calls_at_once_latches_nothing_and_repeats_nothing() -> None:
    plain = AlarmDefinition(key="k", kind=AlarmKind.HIGH, tank="t")
    assert (plain.limit, plain.deadband, plain.on_delay, plain.off_delay) == (None, 0.0, 0 * S, 0 * S)
    assert (plain.priority, plain.time_to_respond) == (MEDIUM, 30 * MIN)
    assert (plain.latching, plain.re_alarm_after, plain.watch, plain.connector) == (False, None, None, None)


def test_the_other_side_has_so_long_to_answer_as_somebody_waits_to_be_woken() -> None:
    """RFC 5321 section 4.5.3.2 grants minutes: a person would sleep through them while another way stands open."""
    mail = SmtpAccount(host="h", port=587, sender="u@example.org")
    gateway = HttpGateway(channel="sms", url="https://gw.example.org/")
    modem = GsmModem(port="/dev/x")
    assert (mail.timeout, gateway.timeout, modem.timeout, modem.network_timeout) == (30.0, 15.0, 5.0, 60.0)
    assert mail.security == "starttls", "nothing goes out in the clear unless the site says so"


# --- times and limits elsewhere ---------------------------------------------------------------------------------------

#: module, name: (value, why it is this and not twice or half of it).
CHOSEN: dict[tuple[str, str], tuple[Any, str]] = {
    # The machine of alarms.
    ("service.alarms.machine", "SHELF_WARNING"): (15 * MIN, "time to walk back before the shelf ends"),
    ("service.alarms.machine", "CLOCKS_DIFFER"): (MIN, "clocks without NTP differ by seconds"),
    # Telling people.
    ("service.calls.routing", "TELL_WITHIN"): (30 * MIN, "older news of an alarm is no call at night"),
    ("service.calls.routing", "CHATTERING_TOLD"): (3, "as many calls for one alarm are believed"),
    ("service.calls.routing", "REPEAT_AFTER"): (15 * MIN, "chattering is told again no sooner"),
    ("service.calls.routing", "REMEMBERED"): (12 * H, "a shift and its hand-over"),
    ("service.calls.retry", "LIFETIME"): (2 * D, "a mail older than that alarms nobody; RFC 5321 4.5.4.1 gives up after 4-5 days"),
    ("service.calls.retry", "LEAST_ASKED"): (5 * S, "a server that asks for less is asked too often"),
    ("service.calls.retry", "MOST_ASKED"): (30 * MIN, "a server that asks for more does not silence an alarm"),
    ("service.calls.retry", "STUCK_AFTER_TRIES"): (4, "with the five minutes: no single hiccup of a server"),
    ("service.calls.retry", "STUCK_AFTER"): (5 * MIN, "then somebody looks at the way out"),
    ("service.alarms.grouping", "FOLDED_WITHIN"): (12 * H, "a cause of yesterday explains nothing of today"),
    ("service.alarms.grouping", "LINGERS"): (5 * MIN, "consequences trail their cause by minutes"),
    ("service.alarms.figures", "CHATTERING_TIMES"): (3, "ISA-18.2 (from memory): three times"),
    ("service.alarms.figures", "CHATTERING_WITHIN"): (MIN, "within a minute"),
    ("service.jobs.calls.deliver", "LEASE"): (3 * MIN, "longer than any time-out of a way out; then another worker may send"),
    ("service.jobs.operations.watchdog", "REPEAT_EVERY"): (30 * MIN, "that nobody looks is repeated, but not every minute"),
    ("service.jobs.operations.watchdog", "CHECK_EVERY"): (15 * S, "silence of the service is noticed in less than a minute"),
    ("service.jobs.operations.external_watchdog", "REPEAT_EVERY"): (30 * MIN, "as above, from outside"),
    ("service.jobs.calls.channel_tests", "TEST_WITHIN"): (30 * MIN, "a test message of an earlier shift proves nothing"),
    ("service.notify.messages.links", "VALID_FOR"): (24 * H, "a mail of yesterday opens nothing (SECURITY.md)"),
    ("service.notify.channels.gsm7", "ONE_PART_SEPTETS"): (160, "3GPP TS 23.038: 140 octets"),
    # Which node works.
    ("service.domain.operations.lease", "TERM_S"): (15.0, "how long a dead node keeps the others waiting"),
    ("service.domain.operations.lease", "MARGIN_S"): (3.0, "clocks a fifth apart in rate still agree who works"),
    ("service.domain.operations.lease", "TURN_S"): (4.0, "two turns may fail within a term less its margin"),
    ("service.storage.operations.leases", "_COMMIT_WITHIN_MS"): (5_000, "a paused node holds its successor up for less than a term"),
    ("service.storage.database.session", "CONNECT_LIMIT_S"): (10, "a database that does not answer is away"),
    # The timetable.
    ("service.runtime", "READ_EVERY"): (5 * S, "files and devices"),
    ("service.runtime", "EVALUATE_EVERY"): (5 * S, "danger is decided on within seconds of its reading"),
    ("service.runtime", "DELIVER_EVERY"): (5 * S, "and told within seconds of that"),
    ("service.runtime", "BEAT_EVERY"): (15 * S, "systemd's watchdog and outside monitoring wait for minutes"),
    # Who may sign in (deploy/SECURITY.md 2.1, 2.2.1, 3.3).
    ("service.jobs.accounts.people", "IDLE"): (14 * H, "a shift with its way home; answered from the phone in the pocket"),
    ("service.jobs.accounts.people", "LONGEST"): (7 * D, "a week of shifts"),
    ("service.jobs.accounts.people", "REMEMBER_FAILURES"): (30 * MIN, "with the free tries: under 100 an hour (ASVS 2.2.1)"),
    ("service.jobs.accounts.people", "FREE_TRIES"): (4, "typing slips of one person on one phone"),
    ("service.jobs.accounts.people", "FREE_TRIES_ADDRESS"): (20, "a plant's shift behind one address"),
    ("service.jobs.accounts.people", "FREE_TRIES_NAME"): (40, "from anywhere: a crowd of addresses gets no further"),
    ("service.jobs.accounts.people", "LONGEST_WAIT"): (5 * MIN, "whoever is called at night is not locked out for long"),
    ("service.jobs.accounts.people", "LONGEST_TRIED"): (256, "what is longer is not worth hashing"),
    ("service.jobs.accounts.second_factor", "HALF_WAY"): (5 * MIN, "to find the phone after the password"),
    ("service.jobs.accounts.second_factor", "SETTING_UP"): (H, "to set one up"),
    ("service.jobs.accounts.second_factor", "DRIFT"): (1, "RFC 6238 section 5.2: one step of 30 s"),
    ("service.jobs.accounts.second_factor", "RECOVERY_CODES"): (10, "ten losses of a phone"),
    ("service.web.accounts.single_sign_on", "LONGEST"): (10 * MIN, "to sign in at the provider"),
    ("service.web.accounts.sign_in", "KNOWN_FOR_S"): (400 * 86_400, "browsers keep no cookie longer"),
    ("service.web.base.throttle", "MAX_CHANGES"): (200, "a hundred cores kept on a phone, twice, in ten minutes"),
    ("service.web.base.request_limit", "MOST_IN_A_ROW"): (600, "a night's pages at once; a program that reads a plant's tanks"),
    ("service.web.base.request_limit", "MORE_A_SECOND"): (10.0, "faster than any person, and 36,000 an hour for a program"),
    ("service.storage.accounts.personal_data", "MOST_ROWS"): (2_000, "an answer that ends"),
    ("service.identity", "TIMEOUT"): (10.0, "for every answer of the provider [s]"),
    ("service.identity", "LEEWAY"): (120, "between two clocks [s]"),
    # What is taken in.
    ("service.web.base.security_headers", "LARGEST_BODY"): (8 << 20, "a photo and its form"),
    ("service.web.calls.gateway_posts", "LARGEST"): (64 << 10, "a receipt is a few hundred bytes"),
    ("service.web.api.push", "MOST_ROWS"): (10_000, "a day of minutes of seven signals"),
    ("service.web.base.request_timeout", "HEAD_S"): (30.0, "who sends its head slower holds a connection for nothing"),
    ("service.web.base.request_timeout", "BODY_S"): (120.0, "a photo over a poor line"),
    ("service.photo", "LARGEST"): (6 << 20, "a phone's photo"),
    ("service.photo", "MOST_PIXELS"): (40_000_000, "no bomb of pixels"),
    ("service.jobs.ingest.samples", "MOST_AHEAD"): (D, "a reading from further ahead is a wrong date"),
    ("service.jobs.blanket.estimate", "AT_ONCE"): (20_000, "late readings folded between two looks: seconds on a busy machine"),
    ("service.jobs.blanket.estimate", "PRESENT"): (2_000, "eleven hours of three signals a minute, half an hour of one a second"),
    ("service.jobs.blanket.estimate", "PIECE"): (10_000, "a second or two of work, which is what a kill costs"),
    ("service.jobs.blanket.estimate", "LONGEST"): (2 * D, "a piece of the past, however few readings there are"),
    ("service.jobs.blanket.estimate", "BRIDGED"): (5, "over a gap the newest cores tell where the blanket and the sensor are"),
    ("service.jobs.blanket.estimate", "AROUND_CORE"): (30 * MIN, "a core speaks of its own half hour; longer would read all the past"),
    ("service.jobs.cores.core", "ESTIMATE_COUNTS_FOR"): (2 * H, "an older estimate is not held against a core"),
    ("service.alarms.observations", "PAIR_WITHIN"): (15 * MIN, "a core and a sensor speak of the same moment"),
}  # fmt: skip


@pytest.mark.parametrize(("module", "name"), CHOSEN)
def test_times_and_limits_are_those_written_down(module: str, name: str) -> None:
    value, why = CHOSEN[module, name]
    assert getattr(importlib.import_module(module), name) == value, why


def test_a_lease_leaves_room_for_two_lost_renewals() -> None:
    from service.domain.operations.lease import MARGIN_S, TERM_S, TURN_S

    assert 3 * TURN_S <= TERM_S - MARGIN_S
