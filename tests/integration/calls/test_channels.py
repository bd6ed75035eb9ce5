"""Every channel passes the same test: what the other side does is sorted the same way, and nothing is raised."""

from __future__ import annotations

import hmac
import json
import socket
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta

import pytest

from service.calls.retry import PERMANENT, Failure
from service.notify.channels import gsm7
from service.notify.channels.base import Message, Notifier, Receipt
from service.notify.channels.http_gateway import HttpGateway, HttpNotifier
from service.notify.channels.sms_modem import GsmModem, ModemNotifier
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.notify.channels.webhook import BODY, Webhook, WebhookNotifier
from tests.support.http_gateway import http_gateway
from tests.support.mail_server import Mailbox, mail_server
from tests.support.sms_modem import simulated_modem

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)
TEXT = "DANGER East clarifier: sludge 1.8 ft under weir, rising 0.6 ft/h. Code K7QDHM"


class Rig(ABC):
    """A channel, its other side, and how to make that misbehave."""

    recipient: str
    notifier: Notifier

    def send(self, text: str = TEXT, recipient: str | None = None) -> Receipt:
        """Hand one message over."""
        message = Message(key="k", recipient=recipient or self.recipient, subject="DANGER", text=text, created_at=NOW)
        return self.notifier.send(message, NOW)

    @abstractmethod
    def arrived(self) -> int:
        """How many messages the other side took."""

    @abstractmethod
    def refuse(self, how: str) -> None:
        """Refuse the next message: "for now", "for good" or "rate"."""

    @abstractmethod
    def silence(self) -> None:
        """Take the message and say nothing."""

    @abstractmethod
    def babble(self) -> None:
        """Answer with something that means nothing."""

    @abstractmethod
    def away(self) -> None:
        """Be gone."""


class MailRig(Rig):
    recipient = "night@example.org"

    def __init__(self, stack: ExitStack) -> None:
        self.mailbox = Mailbox()
        self.use(stack.enter_context(mail_server(self.mailbox)))

    def use(self, port: int) -> None:
        account = SmtpAccount(host="127.0.0.1", port=port, sender="u@example.org", security="none", timeout=0.5)
        self.notifier = SmtpNotifier(account)

    def arrived(self) -> int:
        return len(self.mailbox.raw)

    def refuse(self, how: str) -> None:
        answers = {"for now": "450 later", "for good": "550 no", "rate": "450 rate limit exceeded"}
        self.mailbox.rcpt_answers.append(answers[how])

    def silence(self) -> None:
        self.mailbox.hang = 2.0

    def babble(self) -> None:
        self.mailbox.data_answers.append("999 what?")

    def away(self) -> None:
        self.use(1)


class GatewayRig(Rig):
    recipient = "+15550100199"

    def __init__(self, stack: ExitStack) -> None:
        self.gateway = stack.enter_context(http_gateway())
        self.use(self.gateway.url)

    def use(self, url: str) -> None:
        body = '{"to": "${to}", "text": "${text}"}'
        self.notifier = HttpNotifier(HttpGateway(channel="sms", url=url, body=body, success='"queued"', timeout=0.5))

    def arrived(self) -> int:
        return len(self.gateway.asked)

    def refuse(self, how: str) -> None:
        self.gateway.status = {"for now": 503, "for good": 422, "rate": 429}[how]

    def silence(self) -> None:
        self.gateway.delay = 2.0

    def babble(self) -> None:
        self.gateway.answer = "<html>welcome</html>"

    def away(self) -> None:
        self.use("http://127.0.0.1:1/")


class WebhookRig(Rig):
    recipient = "pager"

    def __init__(self, stack: ExitStack) -> None:
        self.gateway = stack.enter_context(http_gateway())
        self.use(self.gateway.url)

    def use(self, url: str, *, private: bool = True) -> None:
        gateway = HttpGateway(channel="webhook", url=url, body=BODY, success='"queued"', timeout=0.5)
        hook = Webhook(key="pager", gateway=gateway, signing_secret="an invented secret", private=private)
        self.notifier = WebhookNotifier({"pager": hook})

    def arrived(self) -> int:
        return len(self.gateway.asked)

    def refuse(self, how: str) -> None:
        self.gateway.status = {"for now": 503, "for good": 422, "rate": 429}[how]

    def silence(self) -> None:
        self.gateway.delay = 2.0

    def babble(self) -> None:
        self.gateway.answer = "<html>welcome</html>"

    def away(self) -> None:
        self.use("http://127.0.0.1:1/")


class ModemRig(Rig):
    recipient = "+15550100199"

    def __init__(self, stack: ExitStack) -> None:
        self.modem = stack.enter_context(simulated_modem())
        self.use(self.modem.port)

    def use(self, port: str) -> None:
        self.notifier = ModemNotifier(GsmModem(port=port, timeout=1.0, network_timeout=0.6))

    def arrived(self) -> int:
        return len(self.modem.sent)

    def refuse(self, how: str) -> None:
        cause = {"for now": 41, "for good": 1, "rate": 42}[how]
        self.modem.answers.append(f"\r\n+CMS ERROR: {cause}\r\n".encode())

    def silence(self) -> None:
        self.modem.silent_after_message = True

    def babble(self) -> None:
        self.modem.babbles = True

    def away(self) -> None:
        self.use("/dev/no-such-modem")


@pytest.fixture(params=[MailRig, GatewayRig, WebhookRig, ModemRig])
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with ExitStack() as stack:
        made: Rig = request.param(stack)
        yield made
        made.notifier.close()


def test_a_message_is_handed_over(rig: Rig) -> None:
    receipt = rig.send()
    assert receipt.sent, receipt
    assert receipt.answer
    assert rig.arrived() == 1


def test_many_in_a_row_and_after_a_close(rig: Rig) -> None:
    assert all(rig.send().sent for _ in range(3))
    rig.notifier.close()
    rig.notifier.close()
    assert rig.send().sent
    assert rig.arrived() == 4


def test_refused_for_now(rig: Rig) -> None:
    rig.refuse("for now")
    assert rig.send().failure is Failure.TEMPORARY


def test_refused_for_good(rig: Rig) -> None:
    rig.refuse("for good")
    assert rig.send().failure in PERMANENT


def test_too_many(rig: Rig) -> None:
    rig.refuse("rate")
    assert rig.send().failure is Failure.RATE_LIMITED


def test_no_answer_leaves_it_open_whether_it_was_taken(rig: Rig) -> None:
    rig.silence()
    assert rig.send().failure is Failure.BROKE_OFF


def test_an_answer_without_sense_is_tried_again(rig: Rig) -> None:
    rig.babble()
    receipt = rig.send()
    assert receipt.failure is not None
    assert receipt.failure not in PERMANENT


def test_nobody_there(rig: Rig) -> None:
    rig.away()
    assert rig.send().failure is Failure.UNREACHABLE


@pytest.mark.parametrize("recipient", ["nobody", "+1 555", "x" * 400])
def test_an_address_that_cannot_be_used(rig: Rig, recipient: str) -> None:
    assert rig.send(recipient=recipient).failure is Failure.UNUSABLE_ADDRESS
    assert rig.arrived() == 0


@pytest.mark.parametrize("text", ["", "\x00\x1a\x1b\r\n.\r\n", "naïve 水 €[]" * 40, "\"}'; ${to} %s"])
def test_any_text_goes_through(rig: Rig, text: str) -> None:
    assert rig.send(text).sent
    assert rig.arrived() == 1


class TestGateway:
    """What only the HTTP gateway can do."""

    @pytest.fixture
    def rig(self) -> Iterator[GatewayRig]:
        with ExitStack() as stack:
            yield GatewayRig(stack)

    def test_templates_escape_for_their_place(self, rig: GatewayRig) -> None:
        gateway = HttpGateway(
            channel="sms",
            url=rig.gateway.url + "/send/${account}?to=${to}",
            method="PUT",
            headers={"Authorization": "Bearer ${token}", "X-Key": "${key}"},
            body="number=${to_digits}&text=${text}",
            content_type="application/x-www-form-urlencoded",
            message_id=r'"id": "([^"]+)"',
            secrets={"token": "s3cret", "account": "a/b"},
        )
        rig.notifier = HttpNotifier(gateway)
        assert rig.send("50% & more").answer == "id m-17"
        asked = rig.gateway.asked[0]
        assert (asked.method, asked.path) == ("PUT", "/send/a%2Fb?to=%2B15550100199")
        assert asked.body == "number=15550100199&text=50%25%20%26%20more"
        assert asked.headers["Authorization"] == "Bearer s3cret"
        assert "s3cret" not in repr(gateway)

    @pytest.mark.parametrize(("asked", "wait"), [("120", 120), ("Wed, 14 Jan 2026 08:15:00 GMT", 300), ("soon", None)])
    def test_the_wait_asked_for_is_heard(self, rig: GatewayRig, asked: str, wait: int | None) -> None:
        # RFC 9110 section 10.2.3: seconds or an HTTP date.
        rig.gateway.status, rig.gateway.headers = 429, {"Retry-After": asked}
        assert rig.send().retry_after == (None if wait is None else timedelta(seconds=wait))

    @pytest.mark.parametrize(
        ("status", "failure"),
        [
            (301, Failure.GARBAGE),
            (400, Failure.REFUSED),
            (401, Failure.SIGN_IN),
            (403, Failure.SIGN_IN),
            (404, Failure.GARBAGE),
            (408, Failure.TEMPORARY),
            (500, Failure.TEMPORARY),
            (502, Failure.TEMPORARY),
        ],
    )
    def test_statuses(self, rig: GatewayRig, status: int, failure: Failure) -> None:
        rig.gateway.status = status
        assert rig.send().failure is failure

    def test_an_answer_that_drips_is_cut_off(self, rig: GatewayRig) -> None:
        rig.gateway.drip = 0.05
        assert rig.send().failure is Failure.BROKE_OFF

    @pytest.mark.parametrize("how", ["hang_up", "garbage"])
    def test_a_broken_answer(self, rig: GatewayRig, how: str) -> None:
        setattr(rig.gateway, how, True)
        assert rig.send().failure in (Failure.BROKE_OFF, Failure.UNREACHABLE, Failure.GARBAGE)

    def test_a_secret_in_the_address_is_not_repeated(self) -> None:
        gateway = HttpGateway(channel="sms", url="http://127.0.0.1:1/${token}", secrets={"token": "s3cret/x"})
        message = Message(key="k", recipient="+15550100199", subject="", text="x", created_at=NOW)
        receipt = HttpNotifier(gateway).send(message, NOW)
        assert receipt.failure is Failure.UNREACHABLE
        assert "s3cret" not in receipt.answer

    def test_an_sms_stays_one_part(self, rig: GatewayRig) -> None:
        rig.send("wörd – " * 60)
        text = json.loads(rig.gateway.asked[0].body)["text"]
        assert gsm7.septets(text) <= 160  # type: ignore[operator]


class TestWebhook:
    """What only the webhook can do, and where it never goes."""

    @pytest.fixture
    def rig(self) -> Iterator[WebhookRig]:
        with ExitStack() as stack:
            yield WebhookRig(stack)

    def test_the_other_side_can_tell_that_it_is_ours(self, rig: WebhookRig) -> None:
        assert rig.send().sent
        asked = rig.gateway.asked[0]
        assert json.loads(asked.body) == {
            "key": "k",
            "subject": "DANGER",
            "text": TEXT,
            "created_at": "2026-01-14T08:10:00+00:00",
        }
        # RFC 2104, reckoned here by openssl's rule: HMAC over "<seconds>.<body>".
        seconds = asked.headers["X-Underweir-Time"]
        expected = hmac.digest(b"an invented secret", f"{seconds}.{asked.body}".encode(), "sha256").hex()
        assert asked.headers["X-Underweir-Signature"] == f"sha256={expected}"
        assert seconds == str(int(NOW.timestamp()))

    def test_redirects_are_not_followed(self, rig: WebhookRig) -> None:
        with http_gateway() as elsewhere:
            rig.gateway.status, rig.gateway.headers = 307, {"Location": elsewhere.url}
            assert rig.send().failure is Failure.GARBAGE
            assert elsewhere.asked == []

    def test_an_address_of_the_plant_needs_the_sites_leave(self, rig: WebhookRig) -> None:
        rig.use(rig.gateway.url, private=False)
        receipt = rig.send()
        assert receipt.failure is Failure.GARBAGE
        assert "private, which the site file does not allow" in receipt.answer
        assert rig.arrived() == 0

    @pytest.mark.parametrize(
        "url",
        ["http://169.254.169.254/latest", "http://[fe80::1]/", "http://[::ffff:169.254.169.254]/", "http://0.0.0.0/"],
    )
    def test_some_addresses_are_never_asked(self, rig: WebhookRig, url: str) -> None:
        rig.use(url, private=True)
        receipt = rig.send()
        assert receipt.failure is Failure.GARBAGE
        assert "leads to" in receipt.answer

    def test_a_name_is_checked_by_where_it_leads(self, rig: WebhookRig, monkeypatch: pytest.MonkeyPatch) -> None:
        def both(host: str, port: int, **_: object) -> list[tuple[object, ...]]:
            ends = ("127.0.0.1", "169.254.169.254")
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (end, port)) for end in ends]

        monkeypatch.setattr("service.notify.channels.ssrf_guard.socket.getaddrinfo", both)
        rig.use("http://hooks.example.org/", private=True)
        assert rig.send().failure is Failure.GARBAGE
        assert rig.arrived() == 0

    def test_the_environments_proxy_is_not_asked(self, rig: WebhookRig, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("http_proxy", "http://127.0.0.1:1")
        assert rig.send().sent


class TestModem:
    """What only the modem can do."""

    @pytest.fixture
    def rig(self) -> Iterator[ModemRig]:
        with ExitStack() as stack:
            yield ModemRig(stack)

    def test_a_locked_card_is_unlocked_with_its_pin(self, rig: ModemRig) -> None:
        rig.modem.locked = True
        rig.notifier = ModemNotifier(GsmModem(port=rig.modem.port, pin="1234", timeout=1.0))
        assert rig.send().sent
        assert 'AT+CPIN="1234"' in rig.modem.commands

    def test_a_locked_card_without_a_pin_needs_a_person(self, rig: ModemRig) -> None:
        rig.modem.locked = True
        assert rig.send().failure is Failure.SIGN_IN

    def test_a_dead_modem(self, rig: ModemRig) -> None:
        rig.modem.dead = True
        assert rig.send().failure is Failure.TIMED_OUT

    def test_messages_that_came_in_are_read_and_removed(self, rig: ModemRig) -> None:
        # SMS-DELIVER example widely published for "hellohello" (from memory), and one that is no message.
        rig.modem.inbox = {
            1: "07917283010010F5040BC87238880900F10000993092516195800AE8329BFD4697D9EC37",
            2: "00FF",
        }
        notifier = rig.notifier
        assert isinstance(notifier, ModemNotifier)
        (message,) = notifier.incoming()
        assert (message.sender, message.text) == ("27838890001", "hellohello")
        assert notifier.incoming() == [message]
        notifier.forget(message)
        assert list(rig.modem.inbox) == [2]
        assert notifier.incoming() == []

    def test_a_dead_modem_has_no_messages(self, rig: ModemRig) -> None:
        rig.modem.dead = True
        notifier = rig.notifier
        assert isinstance(notifier, ModemNotifier)
        assert notifier.incoming() == []
