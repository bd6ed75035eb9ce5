"""``underweir status``: the state of every tank, source and node."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import typer

from service.alarms.rules import Observation
from service.bootstrap import Installation, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table
from service.cli.base.plant import past_values, pasts_of, reading
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.blanket.past_work import past_words
from service.domain.loading.sheet import abnormal_words
from service.domain.loading.split import split_over
from service.domain.plant.display import (
    describe_clearance,
    describe_rate,
    format_duration,
    format_length,
    format_local_time,
)
from service.jobs.alarms.situations import standing_observations
from service.jobs.blanket.estimate import project_all
from service.jobs.effluent.now import beyond_words
from service.jobs.loading.loading import loading_all
from service.jobs.plant.outage import tanks_out
from service.notify.messages.wording import contradicting
from service.storage.cores.cores import latest_core_times
from service.storage.database.session import transaction
from service.storage.operations.job_runs import job_records
from service.storage.operations.leases import workers
from service.storage.plant.site_tables import SiteVersion
from service.storage.readings.connector_state import ConnectorHealth, connector_health


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("status")(_status)


def _status(site: SiteFile = None, json: Json = False) -> None:
    """Show every tank, the least clear water first, every source, and which node does what."""
    now = wall_clock()
    with reading(site, says_past=False) as plant:
        estimates = project_all(plant.engine, plant.setups, plant.ids, now)
        pasts = pasts_of(plant)
        with transaction(plant.engine) as conn:
            cores = latest_core_times(conn, [plant.ids.tanks[key] for key in plant.tanks])
            sources = {health.connector: health for health in connector_health(conn)}
            observed = standing_observations(conn, plant.model, estimates, now)
            nodes = workers(conn, [c.key for c in plant.site.connectors()])
            pages = next(
                (found.last_error for found in job_records(conn) if found.job == "pages" and found.failing), ""
            )
        for key in observed:
            # A number that a person's word stands against is not told as good.
            if estimates[key].trust is Trust.GOOD:
                estimates[key] = replace(estimates[key], trust=Trust.DOUBTFUL)
        keys = sorted(plant.tanks, key=lambda key: _clearance(plant, estimates[key], observed.get(key)))
        setups = split_over(plant.setups, tanks_out(plant.engine, plant.model))
        loadings = loading_all(plant.engine, setups, plant.ids, estimates, now)
        strained = {key: abnormal_words(loadings[key].load, plant.site.units) for key in keys}
        beyond = {key: [beyond_words(one, plant.site.units) for one in loadings[key].beyond] for key in keys}
        # Also what the site file does not name: gateways that post, and sources described no longer.
        known = list(dict.fromkeys([*(c.key for c in plant.site.connectors()), *sources]))
        version = plant.version
        last_core = {key: cores.get(plant.ids.tanks[key]) for key in keys}
        if json:
            say_json(
                {
                    "at": now,
                    "site_file": None if version is None else _version(version, plant.file_notice()),
                    "past": past_values(pasts),
                    "tanks": [
                        _tank(plant, estimates[key], last_core[key], strained[key], observed.get(key))
                        | {"effluent_beyond_limit": beyond[key]}
                        for key in keys
                    ],
                    "sources": [_source(key, sources.get(key)) for key in known],
                    "pages": pages,
                    "nodes": [{"node": w.node_name, "work": w.works, "since": w.since} for w in nodes],
                }
            )
            return
        if version is not None:
            since = format_local_time(version.applied_at, plant.site.time_zone)
            say(f"site file in force: version {version.short_hash}, since {since}, by {version.applied_by}")
            say()
        say_table(
            ("tank", "clear water", "movement", "trust", "based on", "last core"),
            [_line(plant, estimates[key], last_core[key], now) for key in keys],
        )
        for key in keys:
            if key in observed:
                say(f"{plant.tanks[key].label}: {_observed(plant, observed[key], estimates[key])}")
            for line in beyond[key]:
                say(f"{plant.tanks[key].label}: EFFLUENT OVER ITS LIMIT: {line}")
            for line in strained[key]:
                say(f"{plant.tanks[key].label}: {line}")
            if key in pasts:
                say(f"{plant.tanks[key].label}: {past_words(pasts[key], plant.site.time_zone)}")
        say()
        say_table(
            ("source", "last good", "newest sample", "state", "lost", "last error"),
            [_source_line(key, sources.get(key), now) for key in known],
        )
        say()
        if pages:
            say(pages)
            say()
        say_table(
            ("node", "does", "since"),
            [
                (
                    w.node_name or "no node",
                    ", ".join(w.works),
                    f"{format_duration(now - w.since)} ago" if w.since else "",
                )
                for w in nodes
            ],
        )


def _version(version: SiteVersion, notice: str) -> dict[str, object]:
    return {
        "hash": version.content_hash,
        "since": version.applied_at,
        "by": version.applied_by,
        "file_on_disk_differs": bool(notice),
    }


def _clearance(plant: Installation, estimate: Estimate, seen: Observation | None = None) -> float:
    known = estimate.reason is not EstimateReason.NO_DATA
    believed = plant.tanks[estimate.tank].clearance(estimate.height) if known else float("inf")
    return believed if seen is None else min(believed, seen.clearance)


def _observed(plant: Installation, seen: Observation, estimate: Estimate) -> str:
    depth = plant.tanks[estimate.tank].side_water_depth
    return contradicting(seen, _clearance(plant, estimate), plant.site.units, plant.site.time_zone, depth)


def _tank(
    plant: Installation,
    estimate: Estimate,
    core: datetime | None,
    strained: tuple[str, ...],
    seen: Observation | None,
) -> dict[str, object]:
    known = estimate.reason is not EstimateReason.NO_DATA
    return {
        "tank": estimate.tank,
        "height_m": estimate.height if known else None,
        "sd_m": estimate.sd if known else None,
        "low_m": estimate.interval[0] if known else None,
        "high_m": estimate.interval[1] if known else None,
        "rate_m_per_h": estimate.rate if known else None,
        "clearance_m": _clearance(plant, estimate) if known else None,
        "trust": estimate.trust,
        "reason": estimate.reason,
        "last_core_at": core,
        "loading_warnings": list(strained),
        "standing_observation": None if seen is None else _observed(plant, seen, estimate),
    }


def _line(plant: Installation, estimate: Estimate, core: datetime | None, now: datetime) -> tuple[str, ...]:
    units, tank = plant.site.units, plant.tanks[estimate.tank]
    cored = "never" if core is None else f"{format_duration(now - core)} ago"
    if estimate.reason is EstimateReason.NO_DATA:
        return tank.label, "unknown", "", estimate.trust.value, estimate.reason.value, cored
    return (
        tank.label,
        f"{describe_clearance(tank.clearance(estimate.height), units, tank.side_water_depth)} ± {format_length(estimate.spread, units)}",
        describe_rate(estimate.rate, units),
        estimate.trust.value,
        estimate.reason.value,
        cored,
    )


def _source(key: str, health: ConnectorHealth | None) -> dict[str, object]:
    return {
        "source": key,
        "last_good_at": health.last_good_at if health else None,
        "last_sample_at": health.last_sample_at if health else None,
        "last_error_at": health.last_error_at if health else None,
        "last_error": health.last_error if health else "",
        "failures": health.failures if health else 0,
        "delivered": health.delivered if health else 0,
        "lost": health.lost if health else 0,
        "lost_at": health.lost_at if health else None,
        "standing": dict(health.standing) if health else {},
    }


def _source_line(key: str, health: ConnectorHealth | None, now: datetime) -> tuple[str, ...]:
    if health is None:
        return key, "never", "none", "", "", ""
    return (
        key,
        f"{format_duration(now - health.last_good_at)} ago" if health.last_good_at else "never",
        f"{format_duration(now - health.last_sample_at)} ago" if health.last_sample_at else "none",
        _standing(health),
        f"{health.lost}, last {format_duration(now - health.lost_at)} ago" if health.lost_at else "",
        health.last_error if health.failures else "",
    )


def _standing(health: ConnectorHealth) -> str:
    """What a live source last said of itself, in a few words; nothing for files and posts."""
    told = health.standing
    parts = [str(told.get("circuit", ""))]
    if told.get("connected") is False:
        parts.append("not connected")
    if spooled := told.get("spooled_samples"):
        parts.append(f"{spooled} samples waiting on disk")
    parts += [f"{there.records} refused records are in {there.folder} on {there.node}" for there in health.dead_letters]
    if (skew := told.get("clock_skew")) and abs(skew) > 5:
        parts.append(f"its clock is {abs(skew):.0f} s {'ahead' if skew > 0 else 'behind'}")
    parts += map(str, told.get("problems", ()))
    return "; ".join(part for part in parts if part)
