"""The figures for a monitoring server: read back with prometheus_client's own parsers, and held against what is stored."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as older_text

from service import __version__
from service.domain.plant.role import Role, Scope
from service.jobs.accounts import people
from service.jobs.operations.job_metrics import JobMetrics
from service.storage.blanket import recompute
from service.storage.calls import outbox
from service.storage.calls.outbox import OutboxMessage
from service.storage.database.session import transaction
from service.storage.readings.connector_state import record_failure, record_status, record_success
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite

OPEN_METRICS = "application/openmetrics-text; version=1.0.0"


def read(text: str) -> dict[tuple[str, ...], float]:
    """An answer in the OpenMetrics format, read by its reference parser."""
    return values(open_metrics(text))  # type: ignore[no-untyped-call]


def values(families: Iterable[Metric]) -> dict[tuple[str, ...], float]:
    """Every value by its name followed by its labels' values."""
    return {(s.name, *s.labels.values()): s.value for family in families for s in family.samples}


def asked(site: WebSite, accept: str = OPEN_METRICS) -> str:
    headers = site.token(Role.VIEWER, Scope.METRICS) | {"Accept": accept}
    answer = site.client().get("/metrics", headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith(accept.partition(";")[0])
    return answer.text


def test_what_is_stored_is_told(site: WebSite) -> None:
    engine = site.web.engine
    with transaction(engine) as conn:
        record_success(conn, "drop", NIGHT, delivered=7, last_sample_at=NIGHT - timedelta(seconds=90))
        record_status(conn, "drop", NIGHT, {"spooled_samples": 12}, lost=3)
        record_failure(conn, "drop", NIGHT, "no answer")
        sending = [
            OutboxMessage(
                key=f"m{number}",
                alarm_event_id=None,
                channel="email",
                recipient="night@example.org",
                payload={"kind": "alarm", "subject": "", "text": "", "contact": "Night operator", "reason": ""},
                created_at=NIGHT - timedelta(minutes=number),
            )
            for number in (1, 2, 3)
        ]
        outbox.enqueue(conn, sending)
        [first, *_] = outbox.claim(conn, NIGHT, channels=["email"], lease=timedelta(minutes=3), limit=1)
        outbox.record_sent(conn, first.id, NIGHT, "250 OK")
        recompute.mark_dirty(conn, {site.web.ids.tanks["east"]: NIGHT - timedelta(hours=2)})
    for wrong in ("one guess too many", "two guesses too many"):
        people.sign_in(engine, "operator", wrong, address="192.0.2.1", agent="", now=NIGHT)
    book = JobMetrics(engine)
    book.note("evaluate", NIGHT, 0.5, "")
    book.note("evaluate", NIGHT + timedelta(seconds=5), 1.5, "the database is away")
    book.note("deliver", NIGHT, 0.25, "")
    book.write(NIGHT)

    found = read(asked(site))

    assert found["underweir_source_last_good_timestamp_seconds", "drop"] == NIGHT.timestamp()
    assert found["underweir_source_lag_seconds", "drop"] == 90
    assert found["underweir_source_failures", "drop"] == 1
    assert found["underweir_source_spooled_samples", "drop"] == 12
    assert found["underweir_source_delivered_samples_total", "drop"] == 7
    assert found["underweir_source_lost_samples_total", "drop"] == 3
    assert found["underweir_outbox_waiting_messages", "email"] == 2
    oldest = max(NIGHT - message.created_at for message in sending if message.key != first.key)
    assert found["underweir_outbox_oldest_seconds", "email"] == oldest.total_seconds()
    assert found["underweir_deliveries_last_day", "email", "sent"] == 1
    assert found["underweir_deliveries_last_day", "email", "failed"] == 0
    assert found["underweir_recompute_waiting_tanks",] == 1
    assert found["underweir_recompute_span_seconds",] == 7200
    assert found["underweir_job_seconds_count", "evaluate"] == 2
    assert found["underweir_job_seconds_sum", "evaluate"] == 2.0
    assert found["underweir_job_failures_total", "evaluate"] == 1
    assert found["underweir_job_last_good_timestamp_seconds", "evaluate"] == NIGHT.timestamp()
    assert found["underweir_job_failures_total", "deliver"] == 0
    assert found["underweir_sign_in_failures_last_half_hour",] == 2
    alarms = {name[1:]: value for name, value in found.items() if name[0] == "underweir_alarms"}
    assert sum(alarms.values()) == len(site.web.alarms.definitions)
    assert {state for _, state in alarms} == {"normal"}
    assert __version__ in next(name for name in found if name[0] == "underweir_build_info")
    assert found["underweir_database_size_bytes",] > 1e6


def test_a_restart_loses_no_figure(site: WebSite) -> None:
    for _ in range(2):  # two lives of the service
        book = JobMetrics(site.web.engine)
        book.note("evaluate", NIGHT, 1.0, "")
        book.write(NIGHT)
        book.write(NIGHT)  # nothing new
    assert read(asked(site))["underweir_job_seconds_count", "evaluate"] == 2


def test_the_older_text_format_says_the_same(site: WebSite) -> None:
    new = read(asked(site))
    old = values(older_text(asked(site, "text/plain")))
    moving = "underweir_database_size_bytes"
    assert {n: v for n, v in new.items() if n[0] != moving} == {n: v for n, v in old.items() if n[0] != moving}


def test_strangers_and_other_tokens_learn_nothing(site: WebSite) -> None:
    client = site.client()
    assert client.get("/metrics", headers={"Accept": OPEN_METRICS}).status_code == 401
    others = [scope for scope in Scope if scope is not Scope.METRICS]
    header = site.token(Role.ADMINISTRATOR, *others) | {"Accept": OPEN_METRICS}
    assert client.get("/metrics", headers=header).status_code == 403
