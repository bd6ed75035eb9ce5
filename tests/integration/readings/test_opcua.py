"""The OPC UA connector against real servers on a bad network."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from asyncua import ua
from cryptography.hazmat.primitives.serialization import Encoding

from connectors.base import SourceQuality, SourceReason
from connectors.errors import ConnectorError, Malformed, Misconfigured, Unreachable
from connectors.opcua.connector import OpcuaConnector
from connectors.opcua.items import Monitoring, OpcuaItem, OpcuaSource
from connectors.opcua.security import Identity, Mode, Policy, Security, load_certificate, make_certificate
from connectors.scaling import Linear
from tests.support.connector_contract import ConnectorContract, read_once, samples_of
from tests.support.plant_servers import FaultProxy, OpcuaPlant, free_port

Row = tuple[str, int, float, int, int]


def now() -> datetime:
    return datetime.now(UTC)


def source(url: str, count: int = 3, **more: object) -> OpcuaSource:
    settings: dict[str, object] = {
        "key": "ua",
        "endpoint": url,
        "items": tuple(
            OpcuaItem(name=f"level{i}", node=f"nsu={OpcuaPlant.NAMESPACE};s=Level{i}") for i in range(count)
        ),
        "sampling_interval": 0.05,
        "publishing_interval": 0.05,
        "timeout": 10.0,
        **more,
    }
    return OpcuaSource(**settings)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def shared() -> Iterator[OpcuaPlant]:
    """A server without history; made once, for a server takes seconds to make."""
    with OpcuaPlant(3) as plant:
        yield plant


@pytest.fixture(scope="module")
def shared_with_history() -> Iterator[OpcuaPlant]:
    with OpcuaPlant(2, history=True) as plant:
        yield plant


@pytest.fixture
def plant(shared: OpcuaPlant) -> OpcuaPlant:
    shared.settle()
    return shared


@pytest.fixture
def historian(shared_with_history: OpcuaPlant) -> OpcuaPlant:
    shared_with_history.settle()
    return shared_with_history


@pytest.fixture
def opened() -> Iterator[Callable[..., OpcuaConnector]]:
    """A maker of connectors, all closed at the end."""
    made: list[OpcuaConnector] = []

    def make(url: str, count: int = 3, clock: Callable[[], datetime] = now, **more: object) -> OpcuaConnector:
        made.append(OpcuaConnector(source(url, count, **more), clock))
        return made[-1]

    yield make
    for connector in made:
        connector.close()


def gather(connector: OpcuaConnector, enough: Callable[[list[Row]], bool], rows: list[Row] | None = None) -> list[Row]:
    """Poll until the samples so far are enough; the limit only ends a hopeless wait."""
    rows = [] if rows is None else rows
    for _ in range(400):
        rows += samples_of(read_once(connector))
        if enough(rows):
            return rows
        time.sleep(0.02)
    raise AssertionError(f"still waiting after {len(rows)} samples: {rows[-5:]}")


def micros(at: datetime) -> int:
    return round((at - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1))


class TestContract(ConnectorContract):
    redelivers = True

    @pytest.fixture
    def connector(self, plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> OpcuaConnector:
        connector = opened(plant.url)
        # The first notifications come a publishing interval after subscribing.
        for _ in range(200):
            list(connector.poll({}))
            if connector.health().waiting >= 3:
                break
            time.sleep(0.02)
        return connector

    @pytest.fixture
    def dead_connector(self, opened: Callable[..., OpcuaConnector]) -> OpcuaConnector:
        return opened(f"opc.tcp://127.0.0.1:{free_port()}/plant")


def test_values_times_and_status_arrive(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    at = datetime(2026, 3, 1, 3, 0, 0, 123000, tzinfo=UTC)
    connector = opened(
        plant.url,
        items=(
            OpcuaItem(name="a", node="ns=2;s=Level0", scaling=Linear(0.3048)),
            OpcuaItem(name="b", node="ns=2;s=Level1"),
            OpcuaItem(name="c", node="ns=2;s=Level2"),
        ),
    )
    gather(connector, lambda rows: len({r[0] for r in rows}) == 3)
    plant.write(0, 10.0, at=at)
    plant.write(1, 2.0, at=at, status=0x40930000)  # UncertainSensorNotAccurate
    plant.write(2, 2.0, at=at, status=0x808C0000)  # BadSensorFailure
    rows = {r[0]: r[1:] for r in gather(connector, lambda rows: len(rows) == 3)}
    assert rows["a"][1] == pytest.approx(3.048)
    assert (rows["a"][0], rows["a"][2], rows["a"][3]) == (micros(at), 0, 0)
    assert rows["b"] == (micros(at), 2.0, SourceQuality.UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)
    assert rows["c"][0] == micros(at)
    assert math.isnan(rows["c"][1])
    assert rows["c"][2:] == (SourceQuality.BAD, SourceReason.INSTRUMENT_FAULT)


def test_a_steady_value_with_new_times_keeps_coming(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    connector = opened(plant.url, 1)
    gather(connector, bool)
    for second in range(5):
        plant.write(0, 4.0, at=start + timedelta(seconds=second))
    rows = gather(connector, lambda rows: len(rows) >= 5)
    assert [r[1] for r in rows] == [micros(start + timedelta(seconds=s)) for s in range(5)]
    assert {r[2] for r in rows} == {4.0}


@pytest.mark.parametrize("trust", [False, True])
def test_a_deadband_thins_and_silence_is_read_after(
    trust: bool, plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    ahead = [timedelta(0)]
    start = now() - timedelta(seconds=60)
    last = start + timedelta(seconds=4)
    connector = opened(
        plant.url,
        1,
        deadband=0.5,
        refresh=30.0,
        trust_silence=trust,
        queue_size=100,
        clock=lambda: now() + ahead[0],
    )
    gather(connector, bool)
    for step, level in enumerate((2.0, 2.1, 2.2, 2.9, 2.95)):
        plant.write(0, level, at=start + timedelta(seconds=step))
    rows = gather(connector, lambda rows: any(r[2] == 2.9 for r in rows))
    assert [r[2] for r in rows] == [2.0, 2.9]
    # Half a minute later by our clock nothing has come: the item is read, and holds 2.95 since the last change.
    ahead[0] += timedelta(seconds=31)
    assert [r[1:3] for r in samples_of(read_once(connector))] == [(micros(last), 2.95)]
    # And again, still unchanged at the source.
    ahead[0] += timedelta(seconds=31)
    again = samples_of(read_once(connector))
    assert [r[2] for r in again] == ([2.95] if trust else [])
    assert all(r[1] > micros(last) for r in again)
    assert read_once(connector) == [], "between refreshes nothing is read"


def test_polling_when_asked_for_and_when_nothing_else_is_offered(opened: Callable[..., OpcuaConnector]) -> None:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    for wanted, offered in ((Monitoring.POLL, True), (Monitoring.SUBSCRIBE, False)):
        with OpcuaPlant(2, subscriptions=offered) as plant:
            connector = opened(plant.url, 2, watch=wanted)
            assert len(samples_of(read_once(connector))) == 2
            assert read_once(connector) == [], "an unchanged value is not delivered twice"
            plant.write(0, 5.0, at=at)
            assert samples_of(read_once(connector)) == [("level0", micros(at), 5.0, 0, 0)]
            told = any("no subscription" in p for p in connector.health().problems)
            assert told is (wanted is Monitoring.SUBSCRIBE)
            connector.close()


def test_the_servers_time_stands_in_and_is_flagged(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    server_at = datetime(2026, 3, 1, 12, tzinfo=UTC)
    connector = opened(plant.url, 1, watch=Monitoring.POLL)
    read_once(connector)
    plant.write(0, 5.0, server_at=server_at)
    [row] = samples_of(read_once(connector))
    assert row[1] == micros(server_at)
    assert any("1 items bear the server's time" in p for p in connector.health().problems)


def test_an_unknown_item_is_named_and_the_others_go_on(
    plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    connector = opened(
        plant.url,
        items=(
            OpcuaItem(name="real", node="ns=2;s=Level0"),
            OpcuaItem(name="typo", node="ns=2;s=Levle0"),
            OpcuaItem(name="elsewhere", node="nsu=http://example.org/other;s=A"),
        ),
    )
    rows = gather(connector, bool)
    assert {r[0] for r in rows} == {"real"}
    problems = " ".join(connector.health().problems)
    assert "typo (ns=2;s=Levle0): BadNodeIdUnknown" in problems
    assert "elsewhere (nsu=http://example.org/other;s=A): the server has no namespace" in problems
    probed = {r.address: r for r in connector.probe()}
    assert "no namespace" in probed["elsewhere"].remark
    assert "BadNodeIdUnknown" in probed["typo"].remark
    assert probed["real"].value == 1.0
    assert probed["real"].age is not None


def test_when_no_item_exists_it_says_so(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    connector = opened(plant.url, items=(OpcuaItem(name="a", node="nsu=http://example.org/other;s=A"),))
    with pytest.raises(Malformed, match="none of the 1 items exists"):
        read_once(connector)


def test_an_outage_is_read_back_where_there_is_history(
    historian: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    with FaultProxy(historian.port) as proxy:
        connector = opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 2)
        rows = gather(connector, lambda rows: len({r[0] for r in rows}) == 2)
        start = now() - timedelta(seconds=5)
        historian.write(0, 100.0, at=start)
        gather(connector, lambda rows: any(r[2] == 100.0 for r in rows), rows)
        proxy.mode = "refuse"
        proxy.sever()
        with pytest.raises(Unreachable):
            gather(connector, lambda _: False)
        written = [(start + timedelta(milliseconds=10 * i), 101.0 + i) for i in range(1, 200)]
        for at, level in written:
            historian.write(0, level, at=at)
        with pytest.raises(Unreachable):
            read_once(connector)
        proxy.mode = "pass"
        back: list[Row] = []
        gather(connector, lambda rows: any(r[2] == 300.0 for r in rows), back)
        got = {(r[1], r[2]) for r in back if r[0] == "level0"}
        assert {(micros(at), level) for at, level in written} <= got
        assert connector.health().problems == ()


def test_nothing_is_ever_written_or_called(historian: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    def encoded(number: int) -> bytes:
        # A request begins with its type as a four-byte node id: 01, namespace 0, number (OPC 10000-6, 5.2.2.9).
        return b"\x01\x00" + number.to_bytes(2, "little")

    with FaultProxy(historian.port) as proxy:
        connector = opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 2)
        gather(connector, bool)
        read_once(opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 2), {"seen_to": now().isoformat()})
        connector.probe()
        connector.close()
        sent = bytes(proxy.sent)
    # Binary encoding ids of requests (OPC 10000-6, annex A): read 631, history read 664, create monitored items 751;
    # write 673, history update 700, call 712, add nodes 488, delete nodes 500.
    assert all(encoded(number) in sent for number in (631, 664, 751))
    assert not any(encoded(number) in sent for number in (673, 700, 712, 488, 500))


def test_an_hour_away_is_read_back_to_the_second(historian: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    # The hour is simulated: the plant's values bear its times, and the connector was last here when it began.
    left = now().replace(microsecond=0) - timedelta(hours=1)
    for second in range(0, 3600, 4):
        historian.write(0, float(second), at=left + timedelta(seconds=second))
    historian.await_history(0, left + timedelta(seconds=3596))
    connector = opened(historian.url, 2, history_overlap=0.0)
    rows = samples_of(read_once(connector, {"seen_to": left.isoformat()}))
    got = {r[1]: r[2] for r in rows if r[0] == "level0"}
    wanted = {micros(left + timedelta(seconds=s)): float(s) for s in range(0, 3600, 4)}
    assert wanted.items() <= got.items()


def test_a_clock_that_jumped_ahead_hides_no_gap(historian: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    with FaultProxy(historian.port) as proxy:
        connector = opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 2, history_overlap=30.0)
        gather(connector, bool)
        historian.write(0, 50.0, at=now() + timedelta(hours=2))
        gather(connector, lambda rows: any(r[2] == 50.0 for r in rows))
        proxy.mode = "refuse"
        proxy.sever()
        with pytest.raises(Unreachable):
            gather(connector, lambda _: False)
        missed = now()
        historian.write(0, 51.0, at=missed)
        historian.write(0, 52.0, at=now())
        proxy.mode = "pass"
        rows = gather(connector, lambda rows: any(r[2] == 52.0 for r in rows))
        assert ("level0", micros(missed), 51.0, 0, 0) in rows


def test_a_restart_of_the_service_reads_the_gap_back_too(
    historian: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    first = opened(historian.url, 1, history_overlap=0.0)
    gather(first, bool)
    historian.write(0, 2.0, at=now())
    state: dict[str, object] = {}
    for _ in range(200):
        for delivery in first.poll(state):
            first.committed(delivery)
            state = dict(delivery.state)
        if state:
            break
        time.sleep(0.02)
    first.close()
    missed = [(now() + timedelta(milliseconds=i), 10.0 + i) for i in range(3)]
    for at, level in missed:
        historian.write(0, level, at=at)
    time.sleep(0.05)
    second = opened(historian.url, 1, history_overlap=0.0)
    deliveries = read_once(second, state)
    assert deliveries[0].origin.endswith("history")
    assert {(micros(at), level) for at, level in missed} <= {(r[1], r[2]) for r in samples_of(deliveries)}


def test_without_history_the_connector_just_goes_on(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    connector = opened(plant.url, 1)
    rows = samples_of(read_once(connector, {"seen_to": (now() - timedelta(hours=1)).isoformat()}))
    assert gather(connector, bool, rows)
    assert connector.health().problems == ()


def test_a_restarted_server_is_subscribed_again(opened: Callable[..., OpcuaConnector]) -> None:
    plant = OpcuaPlant(1).start()
    connector = opened(plant.url, 1)
    gather(connector, bool)
    plant.stop()
    with pytest.raises(Unreachable):
        gather(connector, lambda _: False)
    assert not connector.health().connected
    again = OpcuaPlant(1, port=plant.port).start()
    try:
        gather(connector, bool)
        again.write(0, 9.0, at=now())
        gather(connector, lambda rows: any(r[2] == 9.0 for r in rows))
        assert connector.health().connected
    finally:
        connector.close()
        again.stop()


@pytest.mark.parametrize("fault", ["refuse", "swallow", "drop", "garbage", "cut"])
def test_every_network_fault_is_unreachable_and_heals(
    fault: str, plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    with FaultProxy(plant.port) as proxy:
        connector = opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 1, timeout=0.5)
        gather(connector, bool)
        proxy.mode = fault
        proxy.sever()
        with pytest.raises(Unreachable) as caught:
            gather(connector, lambda _: False)
        assert caught.value.retryable
        proxy.mode = "pass"
        proxy.sever()
        rows: list[Row] = []
        for _ in range(50):
            with contextlib.suppress(Unreachable):
                rows += samples_of(read_once(connector))
            if rows:
                break
            time.sleep(0.05)
        assert rows


def test_a_line_that_goes_dead_without_closing_is_noticed(
    plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]
) -> None:
    with FaultProxy(plant.port) as proxy:
        connector = opened(f"opc.tcp://127.0.0.1:{proxy.port}/plant", 1, timeout=0.5)
        gather(connector, bool)
        proxy.mode = "swallow"
        with pytest.raises(Unreachable):
            gather(connector, lambda _: False)


def test_samples_that_arrived_before_the_line_broke_are_delivered(opened: Callable[..., OpcuaConnector]) -> None:
    plant = OpcuaPlant(1).start()
    connector = opened(plant.url, 1)
    gather(connector, bool)
    plant.write(0, 7.0, at=now())
    for _ in range(200):
        if connector.health().waiting:
            break
        time.sleep(0.02)
    plant.stop()
    rows: list[Row] = []
    while connector.health().connected:
        time.sleep(0.02)
    polling = connector.poll({})
    rows += samples_of([next(polling)])
    with pytest.raises(Unreachable):
        next(polling)
    assert 7.0 in {r[2] for r in rows}


def test_overflow_is_counted(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    connector = opened(plant.url, 1, buffer=10, queue_size=1000)
    gather(connector, bool)
    for i in range(30):
        plant.write(0, float(i), at=start + timedelta(seconds=i))
    for _ in range(200):
        health = connector.health()
        if health.lost + health.waiting >= 30:
            break
        time.sleep(0.02)
    rows = samples_of(read_once(connector))
    assert [r[2] for r in rows] == [float(i) for i in range(20, 30)]
    assert connector.health().lost == 20


def test_clock_skew_is_measured(plant: OpcuaPlant, opened: Callable[..., OpcuaConnector]) -> None:
    connector = opened(plant.url, 1, clock=lambda: now() - timedelta(hours=1))
    read_once(connector)
    skew = connector.health().clock_skew
    # The server's own time node ticks once a second.
    assert skew == pytest.approx(3600.0, abs=3.0)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Path]]:
    folder = tmp_path_factory.mktemp("keys")
    made = {}
    for who, uri in (
        ("plant", "urn:example.org:plant"),
        ("own", "urn:underweir:test"),
        ("user", "urn:example.org:user"),
    ):
        made[who] = (folder / f"{who}.der", folder / f"{who}.pem")
        make_certificate(*made[who], application_uri=uri, now=now())
    return made


SECURE = {
    (Policy.BASIC256SHA256, Mode.SIGN): ua.SecurityPolicyType.Basic256Sha256_Sign,
    (Policy.BASIC256SHA256, Mode.SIGN_AND_ENCRYPT): ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    (Policy.AES128_SHA256_RSA_OAEP, Mode.SIGN_AND_ENCRYPT): ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    (Policy.AES256_SHA256_RSA_PSS, Mode.SIGN): ua.SecurityPolicyType.Aes256Sha256RsaPss_Sign,
    (Policy.AES256_SHA256_RSA_PSS, Mode.SIGN_AND_ENCRYPT): ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
}


@pytest.fixture(scope="module")
def secure(keys: dict[str, tuple[Path, Path]]) -> Iterator[OpcuaPlant]:
    """A server that offers every policy, and lets one user in."""
    with OpcuaPlant(
        1, certificate=keys["plant"], policies=tuple(SECURE.values()), users={"reader": "secret word"}
    ) as plant:
        yield plant


def trusting(folder: Path, keys: dict[str, tuple[Path, Path]], policy: Policy, mode: Mode) -> Security:
    (folder / "plant.der").write_bytes(keys["plant"][0].read_bytes())
    return Security(policy=policy, mode=mode, certificate=keys["own"][0], private_key=keys["own"][1], trusted=folder)


@pytest.mark.parametrize(("policy", "mode"), list(SECURE))
def test_every_policy_and_mode(
    policy: Policy,
    mode: Mode,
    secure: OpcuaPlant,
    keys: dict[str, tuple[Path, Path]],
    tmp_path: Path,
    opened: Callable[..., OpcuaConnector],
) -> None:
    with FaultProxy(secure.port) as proxy:
        connector = opened(
            f"opc.tcp://127.0.0.1:{proxy.port}/plant",
            1,
            security=trusting(tmp_path, keys, policy, mode),
            identity=Identity(user="reader", password="secret word"),
        )
        assert gather(connector, bool)
        assert b"secret word" not in proxy.sent
        assert (b"Level0" in proxy.sent) is (mode is Mode.SIGN), "encrypted means that names cannot be read either"


def test_a_server_that_is_not_trusted_is_refused(
    secure: OpcuaPlant, keys: dict[str, tuple[Path, Path]], tmp_path: Path, opened: Callable[..., OpcuaConnector]
) -> None:
    with FaultProxy(secure.port) as proxy:
        connector = opened(
            f"opc.tcp://127.0.0.1:{proxy.port}/plant",
            1,
            security=Security(certificate=keys["own"][0], private_key=keys["own"][1], trusted=tmp_path),
            identity=Identity(user="reader", password="secret word"),
        )
        with pytest.raises(Misconfigured, match="is not trusted"):
            read_once(connector)
        [kept] = (tmp_path / "refused").iterdir()
        own = load_certificate(keys["own"][0]).public_bytes(Encoding.DER)
        assert own not in proxy.sent, "nothing but the question for endpoints went out"
        kept.rename(tmp_path / "plant.der")
        assert gather(connector, bool)


def test_an_impostor_with_the_trusted_certificate_but_another_key_is_refused(
    keys: dict[str, tuple[Path, Path]], tmp_path: Path, opened: Callable[..., OpcuaConnector]
) -> None:
    policies = (ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,)
    stolen = (keys["plant"][0], keys["user"][1])
    with OpcuaPlant(1, certificate=stolen, policies=policies) as plant:
        connector = opened(
            plant.url, 1, security=trusting(tmp_path, keys, Policy.BASIC256SHA256, Mode.SIGN_AND_ENCRYPT), timeout=1.0
        )
        with pytest.raises(ConnectorError):
            read_once(connector)
        assert not connector.health().connected


def test_a_policy_that_is_not_offered_is_named(
    plant: OpcuaPlant, keys: dict[str, tuple[Path, Path]], tmp_path: Path, opened: Callable[..., OpcuaConnector]
) -> None:
    security = trusting(tmp_path, keys, Policy.AES256_SHA256_RSA_PSS, Mode.SIGN_AND_ENCRYPT)
    with pytest.raises(Misconfigured, match="does not offer Aes256_Sha256_RsaPss/SignAndEncrypt; it offers None"):
        read_once(opened(plant.url, 1, security=security))


@pytest.mark.parametrize("identity", [Identity(user="reader", password="wrong"), None])
def test_a_wrong_login_is_said_plainly(
    identity: Identity | None,
    secure: OpcuaPlant,
    keys: dict[str, tuple[Path, Path]],
    tmp_path: Path,
    opened: Callable[..., OpcuaConnector],
) -> None:
    security = trusting(tmp_path, keys, Policy.BASIC256SHA256, Mode.SIGN_AND_ENCRYPT)
    with pytest.raises(Misconfigured, match="refuses the login"):
        read_once(opened(secure.url, 1, security=security, identity=identity))


def test_a_certificate_identity(
    keys: dict[str, tuple[Path, Path]], tmp_path: Path, opened: Callable[..., OpcuaConnector]
) -> None:
    policies = (ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,)
    der = keys["user"][0].read_bytes()
    with OpcuaPlant(1, certificate=keys["plant"], policies=policies, user_certificate=der) as plant:
        security = trusting(tmp_path, keys, Policy.BASIC256SHA256, Mode.SIGN_AND_ENCRYPT)
        good = Identity(certificate=keys["user"][0], private_key=keys["user"][1])
        assert gather(opened(plant.url, 1, security=security, identity=good), bool)
        bad = Identity(certificate=keys["own"][0], private_key=keys["own"][1])
        with pytest.raises(Misconfigured, match="refuses the login"):
            read_once(opened(plant.url, 1, security=security, identity=bad))
