"""``/metrics``: figures for monitoring servers in the OpenMetrics text format.

All figures come from the database: a restart loses nothing, and every node gives the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime

from fastapi import APIRouter, Request, Response
from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    SummaryMetricFamily,
)
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from service import __version__
from service.jobs.accounts.people import REMEMBER_FAILURES
from service.storage.accounts.sessions import failures as failed_sign_ins
from service.storage.alarms.alarms import AlarmRecord, alarms
from service.storage.database.schema import head_revision
from service.storage.database.session import transaction
from service.storage.operations.backlog import DAY, Backlog, backlog, database_facts, deliveries_since
from service.storage.operations.job_runs import JobRecord, job_records
from service.storage.readings.connector_state import ConnectorHealth, connector_health
from service.web.base.access import Measurer
from service.web.base.plant import Plant, WebPlant

router = APIRouter(include_in_schema=False)


@router.get("/metrics")
def metrics(request: Request, plant: Plant, visitor: Measurer) -> Response:
    """OpenMetrics where the client accepts it, else the Prometheus text format."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Plant(plant))
    encode, kind = choose_encoder(request.headers.get("accept", ""))
    return Response(encode(registry), media_type=kind)


class _Plant(Collector):
    """Reads the figures of one installation in one transaction."""

    def __init__(self, plant: WebPlant) -> None:
        self._plant = plant

    def describe(self) -> Iterable[Metric]:
        return ()

    def collect(self) -> Iterator[Metric]:
        plant, now = self._plant, self._plant.clock()
        with transaction(plant.engine) as conn:
            facts = database_facts(conn)
            sources = {found.connector: found for found in connector_health(conn)}
            waits = backlog(conn)
            deliveries = deliveries_since(conn, now - DAY)
            jobs = job_records(conn)
            standing = alarms(conn)
            guesses = failed_sign_ins(conn, now - REMEMBER_FAILURES).count

        build = InfoMetricFamily("underweir_build", "Versions of the program, its tables and its database.")
        build.add_metric([], {"version": __version__, "tables": head_revision(), "postgresql": facts.server})
        yield build
        yield _one("underweir_database_size_bytes", "Size of the database on disk.", facts.size_bytes)
        yield from _sources({key: sources.get(key) for key in (*plant.connectors, *sources)}, now)
        channels = sorted({*plant.alarms.channels, *(channel for channel, _, _ in waits.messages)})
        yield from _outbox(channels, waits, deliveries, now)
        yield _one("underweir_recompute_waiting_tanks", "Tanks to be estimated again.", waits.tanks)
        yield _one(
            "underweir_recompute_span_seconds",
            "How far back the tanks to be estimated again reach.",
            0.0 if waits.tanks_from is None else _age(waits.tanks_from, now),
        )
        yield _one("underweir_sign_in_failures_last_half_hour", "Sign-ins that failed in the last 30 minutes.", guesses)
        yield _alarms(standing, {d.key: d.priority.value for d in plant.alarms.definitions})
        yield from _jobs(jobs)


def _sources(sources: Mapping[str, ConnectorHealth | None], now: datetime) -> tuple[Metric, ...]:
    good = GaugeMetricFamily(
        "underweir_source_last_good_timestamp_seconds", "When the source last answered.", labels=["source"]
    )
    lag = GaugeMetricFamily("underweir_source_lag_seconds", "Age of the newest value of the source.", labels=["source"])
    failing = GaugeMetricFamily(
        "underweir_source_failures", "Tries in vain since the source last answered.", labels=["source"]
    )
    spooled = GaugeMetricFamily(
        "underweir_source_spooled_samples", "Samples kept on disk until the database takes them.", labels=["source"]
    )
    delivered = CounterMetricFamily(
        "underweir_source_delivered_samples", "Samples the source has delivered.", labels=["source"]
    )
    lost = CounterMetricFamily(
        "underweir_source_lost_samples", "Samples the source gave that could not be kept.", labels=["source"]
    )
    for key, found in sources.items():
        if found is None:  # never heard of: it fails, and there is no time to tell
            failing.add_metric([key], 1)
            continue
        if found.last_good_at is not None:
            good.add_metric([key], found.last_good_at.timestamp())
        if found.last_sample_at is not None:
            lag.add_metric([key], _age(found.last_sample_at, now))
        failing.add_metric([key], found.failures)
        if "spooled_samples" in found.standing:
            spooled.add_metric([key], found.standing["spooled_samples"])
        delivered.add_metric([key], found.delivered)
        lost.add_metric([key], found.lost)
    return good, lag, failing, spooled, delivered, lost


def _outbox(
    channels: Sequence[str], waits: Backlog, deliveries: Mapping[tuple[str, str], int], now: datetime
) -> tuple[Metric, ...]:
    messages = GaugeMetricFamily(
        "underweir_outbox_waiting_messages", "Messages not yet handed over.", labels=["channel"]
    )
    oldest = GaugeMetricFamily(
        "underweir_outbox_oldest_seconds", "Age of the oldest message not yet handed over.", labels=["channel"]
    )
    tried = GaugeMetricFamily(
        "underweir_deliveries_last_day",
        "Tries at handing over a message in the last 24 hours.",
        labels=["channel", "outcome"],
    )
    by_channel = {channel: (count, since) for channel, count, since in waits.messages}
    for channel in channels:
        count, since = by_channel.get(channel, (0, now))
        messages.add_metric([channel], count)
        oldest.add_metric([channel], _age(since, now))
        for outcome in ("sent", "retry", "failed", "cancelled"):
            tried.add_metric([channel, outcome], deliveries.get((channel, outcome), 0))
    return messages, oldest, tried


def _alarms(standing: Iterable[AlarmRecord], priority: Mapping[str, str]) -> Metric:
    counted = Counter((found.machine.state.value, priority.get(found.key, "none")) for found in standing)
    stands = GaugeMetricFamily("underweir_alarms", "Alarms by state and priority.", labels=["state", "priority"])
    for (state, rank), number in sorted(counted.items()):
        stands.add_metric([state, rank], number)
    return stands


def _jobs(jobs: Iterable[JobRecord]) -> tuple[Metric, ...]:
    spent = SummaryMetricFamily("underweir_job_seconds", "Runs of a job and the time they took.", labels=["job"])
    failures = CounterMetricFamily("underweir_job_failures", "Runs of a job that failed.", labels=["job"])
    newest = GaugeMetricFamily("underweir_job_last_seconds", "Time the newest run took.", labels=["job"])
    went_well = GaugeMetricFamily(
        "underweir_job_last_good_timestamp_seconds", "When the newest run that went well began.", labels=["job"]
    )
    for job in jobs:
        spent.add_metric([job.job], count_value=job.runs, sum_value=job.seconds)
        failures.add_metric([job.job], job.failures)
        newest.add_metric([job.job], job.last_seconds)
        if job.last_good_at is not None:
            went_well.add_metric([job.job], job.last_good_at.timestamp())
    return spent, failures, newest, went_well


def _one(name: str, words: str, value: float) -> Metric:
    family = GaugeMetricFamily(name, words)
    family.add_metric([], value)
    return family


def _age(then: datetime, now: datetime) -> float:
    return max(0.0, (now - then).total_seconds())
