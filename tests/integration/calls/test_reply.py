"""A conversation by SMS with somebody on the walkway, on a real database."""

from __future__ import annotations

import itertools
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, text

from service.alarms.machine import CODE_ALPHABET, CODE_LENGTH, AlarmState
from service.calls.contact import Contact
from service.errors import StorageError
from service.jobs.alarms.evaluate import evaluate
from service.jobs.calls.incoming import listen
from service.jobs.calls.reply import CODES_COUNTED, MANY_WRONG_CODES, Answered, ReplyReason, answer
from service.notify.channels import gsm7
from service.notify.channels.sms_modem import Incoming
from service.storage.accounts import sessions
from service.storage.alarms.alarms import alarms, journal
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, WEST, AlarmPlant, alarm_setup, definitions, hand_over_all

ANNA = Contact(name="Anna", phone="+15550100101", channels=("sms",))
BEN = Contact(name="Ben", phone="+15550100102", channels=("sms",), units="si")
LATER = NIGHT + 5 * MINUTE


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    """East has just raised its danger alarm; both were told."""
    setup = alarm_setup(
        contacts=(ANNA, BEN),
        channels=frozenset({"sms"}),
        alarms=(*definitions("east")[1:2], *definitions("west")[1:2]),
    )
    built = AlarmPlant.build(engine, setup)
    for minute in range(2):
        now = NIGHT + minute * MINUTE
        built.believe(now, 0.3, rate=0.1)
        built.believe(now, 2.0, tank=WEST)
        done = evaluate(built.engine, built.model, projected={}, now=now)
        assert done.failed == {}
    hand_over_all(built, NIGHT + MINUTE)
    return built


def say(
    plant: AlarmPlant, words: str, *, sender: str = "+15550100101", now: datetime = LATER, id: str = ""
) -> Answered:
    return answer(plant.engine, plant.model, sender=sender, text=words, now=now, message_id=id)


def code(plant: AlarmPlant) -> str:
    with transaction(plant.engine) as conn:
        return next(r.machine.code for r in alarms(conn) if r.key == "east.high-high")


def state(plant: AlarmPlant, key: str = "east.high-high") -> AlarmState:
    with transaction(plant.engine) as conn:
        return next(r.machine.state for r in alarms(conn) if r.key == key)


def outbox(plant: AlarmPlant) -> list[tuple[str, str]]:
    with transaction(plant.engine) as conn:
        rows = conn.execute(
            text(
                "SELECT payload->>'contact', payload->>'text' FROM outbox WHERE payload->>'kind' <> 'alarm' ORDER BY id"
            )
        ).all()
    return [(row[0], row[1]) for row in rows]


@pytest.mark.parametrize("words", ["CODE", "OK CODE"])
def test_taken_by_its_code(plant: AlarmPlant, words: str) -> None:
    said = say(plant, words.replace("CODE", code(plant).lower()))
    assert said.reason is ReplyReason.TAKEN
    assert state(plant) is AlarmState.ACKNOWLEDGED
    told, replied = outbox(plant)
    assert told[0] == "Ben"
    assert told[1].startswith("TAKEN East clarifier: Anna has it")
    assert replied[0] == "Anna"
    assert replied[1].startswith(f"East clarifier {code(plant)} is yours. The others are told. East clarifier 1.0 ft")


@pytest.mark.parametrize(
    "words",
    [
        "I have my phone on silent while driving. I will see your message later.",
        "Got food poisoning, cannot come",
        "can't take CODE, in hospital. call somebody else",
        "NO CODE not me",
        "STOP CODE calls please",
        "ok",
        "I have it",
        "CODE on my way",
        "OK got it CODE",
        "reset CODE",
        "shelve CODE 12 h",
    ],
)
def test_nothing_else_takes_it(plant: AlarmPlant, words: str) -> None:
    said = say(plant, words.replace("CODE", code(plant)))
    assert said.reason is not ReplyReason.TAKEN
    assert "yours" not in said.text
    assert state(plant) is AlarmState.UNACKNOWLEDGED
    assert [text for contact, text in outbox(plant) if text.startswith("TAKEN")] == []


@pytest.mark.parametrize("words", ["CODE", "no CODE"])
def test_what_is_done_and_its_answer_are_one_transaction(plant: AlarmPlant, words: str) -> None:
    with transaction(plant.engine) as conn:
        conn.execute(
            text(
                "CREATE FUNCTION mute() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'mute'; END $$;"
                "CREATE TRIGGER mute BEFORE INSERT ON outbox FOR EACH ROW"
                " WHEN (NEW.payload->>'kind' = 'reply') EXECUTE FUNCTION mute()"
            )
        )
    kept = (
        "SELECT (SELECT count(*) FROM alarm_event), (SELECT count(*) FROM outbox), (SELECT count(*) FROM audit_event)"
    )
    with transaction(plant.engine) as conn:
        before = conn.execute(text(kept)).one()
    with pytest.raises(StorageError):
        say(plant, words.replace("CODE", code(plant)))
    assert state(plant) is AlarmState.UNACKNOWLEDGED
    with transaction(plant.engine) as conn:
        assert conn.execute(text(kept)).one() == before


def test_the_alarm_quoted_back_takes_nothing(plant: AlarmPlant) -> None:
    with transaction(plant.engine) as conn:
        alarm = (
            conn.execute(text("SELECT payload->>'text' FROM outbox WHERE payload->>'kind' = 'alarm'")).scalars().all()
        )
    for words in alarm:
        assert code(plant) in words
        for quoted in (words, f"> {words}", f"Liked “{words}”", f"Out of office. {words}"):
            assert say(plant, quoted).reason is ReplyReason.NOT_TAKEN
    assert state(plant) is AlarmState.UNACKNOWLEDGED


def test_what_is_neither_is_told_once_what_to_send(plant: AlarmPlant) -> None:
    said = say(plant, "ok")
    assert said.reason is ReplyReason.NOT_TAKEN
    assert said.text == (
        f"East clarifier is NOT taken. To take it send {code(plant)} and nothing else. If you cannot: NO {code(plant)}"
    )
    assert say(plant, "who is this").text == ""
    assert len(outbox(plant)) == 1


@pytest.mark.parametrize(
    "words", ["I'm driving. I'll see your message later.", "Sorry, I can't talk right now.", "no", "yes", "K7QXHM"]
)
def test_phones_that_answer_by_themselves_do_not_loop(plant: AlarmPlant, words: str) -> None:
    before = len(outbox(plant))
    for second in range(40):
        say(plant, words, now=LATER + timedelta(seconds=20 * second), id=f"m-{second}")
    assert len(outbox(plant)) - before <= 2
    with transaction(plant.engine) as conn:
        calls = conn.execute(text("SELECT count(*) FROM outbox WHERE payload->>'kind' = 'alarm'")).scalar_one()
    assert calls <= 3  # two at first, and one more for the first no
    assert state(plant) is AlarmState.UNACKNOWLEDGED


def test_no_number_is_answered_often(plant: AlarmPlant) -> None:
    for second in range(60):
        say(plant, "?", now=LATER + timedelta(seconds=second), id=f"m-{second}")
    assert len(outbox(plant)) == 20
    assert say(plant, code(plant), now=LATER + 2 * MINUTE).reason is ReplyReason.TAKEN
    assert outbox(plant)[-1][1].startswith(f"East clarifier {code(plant)} is yours")


def test_a_second_answer_learns_that_it_is_taken(plant: AlarmPlant) -> None:
    say(plant, code(plant))
    assert say(plant, code(plant), sender="15550100102").reason is ReplyReason.NOTHING_OPEN


def test_two_open_alarms_are_told_apart(plant: AlarmPlant) -> None:
    fill_west(plant)
    said = say(plant, "ok")
    assert said.reason is ReplyReason.NOT_TAKEN
    assert f"{code(plant)} East clarifier" in said.text
    assert state(plant) is AlarmState.UNACKNOWLEDGED


def fill_west(plant: AlarmPlant) -> None:
    for minute in range(2, 4):
        now = NIGHT + minute * MINUTE
        plant.believe(now, 0.4, tank=WEST)
        evaluate(plant.engine, plant.model, projected={}, now=now)
    assert state(plant, "west.high-high") is AlarmState.UNACKNOWLEDGED


def declines(plant: AlarmPlant) -> list[tuple[str, str, list[str]]]:
    with transaction(plant.engine) as conn:
        lines = [line for line in journal(conn) if line.event == "declined"]
    return [(line.actor, line.reason, [t["contact"] for t in line.detail["told"]]) for line in reversed(lines)]


def test_a_no_calls_somebody_else_at_once(plant: AlarmPlant) -> None:
    said = say(plant, f"can't take {code(plant)}, in hospital. call somebody else")
    assert said.reason is ReplyReason.PASSED_ON
    assert said.text == "East clarifier: not you. Called again, nobody new is left: Ben."
    assert declines(plant) == [("Anna", "said no with its code", ["Ben"])]
    assert state(plant) is AlarmState.UNACKNOWLEDGED


def test_when_everybody_said_no_they_are_told_so_and_all_are_called(plant: AlarmPlant) -> None:
    say(plant, f"no {code(plant)}")
    said = say(plant, f"NO {code(plant)} not me", sender="+15550100102")
    assert said.text == "East clarifier: nobody is left, everybody said no. All are called again, you too."
    assert [told for _, _, told in declines(plant)] == [["Ben"], ["Anna", "Ben"]]


def test_a_no_without_the_code_passes_on_and_says_how_to_be_left_out(plant: AlarmPlant) -> None:
    said = say(plant, "Got food poisoning, cannot come")
    assert said.reason is ReplyReason.PASSED_ON
    assert said.text.startswith("East clarifier: read as NO. Called again, nobody new is left: Ben. To take it send")
    assert declines(plant) == [("Anna", "said no without its code", ["Ben"])]


def test_whoever_took_it_can_give_it_back_by_its_code(plant: AlarmPlant) -> None:
    old = code(plant)
    say(plant, old)
    assert say(plant, "cannot come after all").text == f"You have East clarifier. To give it back send NO {old}"
    assert state(plant) is AlarmState.ACKNOWLEDGED
    assert say(plant, f"no {old}", sender="+15550100102").text == "East clarifier: Anna has it."
    said = say(plant, f"no {old} car broke down", now=LATER + MINUTE)
    assert (said.reason, state(plant)) == (ReplyReason.PASSED_ON, AlarmState.UNACKNOWLEDGED)
    assert say(plant, old, sender="+15550100102", now=LATER + 2 * MINUTE).reason is not ReplyReason.TAKEN
    assert say(plant, code(plant), sender="+15550100102", now=LATER + 2 * MINUTE).reason is ReplyReason.TAKEN


def test_a_no_to_a_question_about_a_core_is_no_to_the_core_alone(plant: AlarmPlant) -> None:
    say(plant, "core west 2.4 ft")
    assert say(plant, "no", now=LATER + MINUTE).text == "OK, nothing was stored."
    assert declines(plant) == []


def test_a_no_after_an_alarm_that_came_after_the_question_is_about_the_alarm(plant: AlarmPlant) -> None:
    asked = say(plant, "core west 2.4 ft", now=NIGHT + MINUTE)
    assert asked.reason is ReplyReason.CORE_ASKED
    fill_west(plant)
    assert say(plant, "yes").reason is ReplyReason.NOT_TAKEN
    assert say(plant, "no", now=LATER + MINUTE).reason is ReplyReason.PASSED_ON
    with transaction(plant.engine) as conn:
        assert current_cores(conn, [plant.ids.tanks["west"]]) == []


def test_a_no_with_a_code_is_about_the_alarm_though_a_core_was_asked_for(plant: AlarmPlant) -> None:
    say(plant, "core west 2.4 ft")
    assert say(plant, f"no {code(plant)}", now=LATER + MINUTE).reason is ReplyReason.PASSED_ON


def test_status(plant: AlarmPlant) -> None:
    said = say(plant, "?")
    assert (
        said.text
        == "East clarifier 1.0 ft under weir rising 0.3 ft/h 03:01; West clarifier 6.6 ft under weir steady 03:01"
    )


def test_a_core_is_asked_back_and_stored_on_yes(plant: AlarmPlant) -> None:
    asked = say(plant, "took a core: 12.0 ft")
    assert asked.reason is ReplyReason.CORE_ASKED
    assert asked.text == "Log a core of 12.0 ft in East clarifier at 03:05 EST? Send YES or NO."
    stored = say(plant, "yes", now=LATER + MINUTE)
    assert stored.reason is ReplyReason.CORE_LOGGED
    with transaction(plant.engine) as conn:
        (record,) = current_cores(conn, [plant.ids.tanks["east"]])
    assert (record.core.taken_by, record.core.taken_at, record.typed_value, record.typed_unit) == (
        "Anna",
        LATER,
        12.0,
        "ft",
    )
    assert record.source == "SMS, Anna"
    assert say(plant, "yes", now=LATER + 2 * MINUTE).reason is ReplyReason.NOT_TAKEN


@pytest.mark.parametrize(
    ("then", "after", "reason"),
    [
        ("no", MINUTE, ReplyReason.DECLINED),
        ("yes", timedelta(hours=1), ReplyReason.NOT_TAKEN),
    ],
)
def test_a_core_not_confirmed_in_time_is_not_stored(
    plant: AlarmPlant, then: str, after: timedelta, reason: ReplyReason
) -> None:
    say(plant, "core west 2.4 ft")
    assert say(plant, then, now=LATER + after).reason is reason
    with transaction(plant.engine) as conn:
        assert current_cores(conn, [plant.ids.tanks["west"]]) == []


def test_a_core_that_cannot_be_is_refused_with_the_reason(plant: AlarmPlant) -> None:
    say(plant, "core east 40 ft")
    said = say(plant, "yes", now=LATER + MINUTE)
    assert said.reason is ReplyReason.CORE_REFUSED
    assert said.text.startswith("Not stored: ")


@pytest.mark.parametrize("words", ["core north 2.4 ft", "core clarifier 2.4 ft"])
def test_an_unclear_tank_is_asked_for(plant: AlarmPlant, words: str) -> None:
    said = say(plant, words)
    assert (said.reason, said.text) == (ReplyReason.WHICH_TANK, "Which tank? Send: core east 2.4 ft")


def test_an_unknown_number_is_not_heard(plant: AlarmPlant) -> None:
    said = say(plant, code(plant), sender="+15550100999")
    assert (said.reason, said.text) == (ReplyReason.UNKNOWN_NUMBER, "")
    assert state(plant) is AlarmState.UNACKNOWLEDGED
    assert outbox(plant) == []


def test_the_same_message_delivered_twice_is_answered_once(plant: AlarmPlant) -> None:
    say(plant, "?", id="m-1")
    say(plant, "?", id="m-1")
    assert len(outbox(plant)) == 1


@pytest.mark.parametrize("words", ["?", "hello", "ok", "core 3", "yes", "no", "can't", "no K7QDHM"])
def test_every_answer_is_one_sms(plant: AlarmPlant, words: str) -> None:
    count = gsm7.septets(say(plant, words).text)
    assert count is not None
    assert 0 < count <= 160


def test_what_is_told_of_wrong_codes_is_one_sms(plant: AlarmPlant) -> None:
    said = [say(plant, wrong, id=wrong).text for wrong in wrong_codes(plant, MANY_WRONG_CODES)]
    assert said[-1].endswith("The right code still counts.")
    assert (gsm7.septets(said[-1]) or 999) <= 160


class Pocket:
    """A modem's memory, and a process that may die before it forgets."""

    def __init__(self, *messages: Incoming) -> None:
        self.messages = list(messages)
        self.dies = True

    def incoming(self) -> list[Incoming]:
        return list(self.messages)

    def forget(self, message: Incoming) -> None:
        if self.dies:
            raise KeyboardInterrupt
        self.messages.remove(message)


def test_a_reply_in_the_modem_is_dealt_with_once_though_the_process_dies(plant: AlarmPlant) -> None:
    pocket = Pocket(
        Incoming(index=1, id="a", sender="15550100101", text=code(plant)),
        Incoming(index=2, id="b", sender="15550100102", text="?"),
    )
    with pytest.raises(KeyboardInterrupt):
        listen(plant.engine, plant.model, pocket, LATER)
    pocket.dies = False
    heard = listen(plant.engine, plant.model, pocket, LATER + MINUTE)
    assert [answered.reason for answered in heard] == [ReplyReason.STATUS]
    assert pocket.messages == []
    assert state(plant) is AlarmState.ACKNOWLEDGED
    assert [contact for contact, _ in outbox(plant)] == ["Ben", "Anna", "Ben"]


def wrong_codes(plant: AlarmPlant, count: int) -> list[str]:
    """Codes as they are made, none of them an alarm's."""
    made = ("".join(letters) for letters in itertools.product(CODE_ALPHABET, repeat=CODE_LENGTH))
    right = code(plant)
    return list(itertools.islice((each for each in made if each != right), count))


@pytest.mark.parametrize("words", ["CODE", "OK CODE"])
def test_the_right_code_takes_it_however_many_wrong_ones_came_before(plant: AlarmPlant, words: str) -> None:
    """Somebody who forges Anna's number walks through the codes, many at once; she can answer all the same, and is told of it."""
    ready = threading.Barrier(7)

    def one(number: int, wrong: str) -> ReplyReason:
        if number < 42:
            ready.wait(120)  # six times, that they meet
        return say(plant, wrong, id=wrong).reason

    with ThreadPoolExecutor(7) as crowd:
        came = list(crowd.map(one, range(100), wrong_codes(plant, 100)))
    assert came.count(ReplyReason.WRONG_CODES) == 101 - MANY_WRONG_CODES
    assert state(plant) is AlarmState.UNACKNOWLEDGED
    # Whoever owns the number hears of it once, and is not flooded.
    told = [said for contact, said in outbox(plant) if contact == "Anna"]
    assert len([said for said in told if said.startswith("Many wrong codes came from your number.")]) == 1
    assert len(told) <= 2
    with transaction(plant.engine) as conn:
        kept = sessions.failures(conn, LATER - CODES_COUNTED, name="15550100101")
    assert kept.count == MANY_WRONG_CODES

    said = say(plant, words.replace("CODE", code(plant)), id="right")
    assert said.reason is ReplyReason.TAKEN
    assert said.text.startswith(f"East clarifier {code(plant)} is yours")
    assert state(plant) is AlarmState.ACKNOWLEDGED


def test_a_no_with_the_right_code_counts_however_many_wrong_ones_came_before(plant: AlarmPlant) -> None:
    for wrong in wrong_codes(plant, MANY_WRONG_CODES + 2):
        say(plant, f"NO {wrong}", id=wrong)
    assert say(plant, f"NO {code(plant)}", id="no").reason is ReplyReason.PASSED_ON


def test_right_codes_are_never_counted(plant: AlarmPlant) -> None:
    for number in range(MANY_WRONG_CODES + 2):
        assert say(plant, f"NO {code(plant)}", id=f"{number}").reason is not ReplyReason.WRONG_CODES
    assert say(plant, code(plant), id="yes").reason is ReplyReason.TAKEN
