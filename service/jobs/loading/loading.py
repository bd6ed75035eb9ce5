"""Computes the loading figures of every tank from the latest readings, with their inputs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, Engine

from service.alarms.observations import EffluentSeen
from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup
from service.domain.forecast.tracker import Heading, conditions, first_heading
from service.domain.laboratory.day import IndexKind
from service.domain.loading.balance import Conditions
from service.domain.loading.inputs import LoadInput, Origin, load_inputs
from service.domain.loading.sheet import Figure, load_figures
from service.domain.loading.tank_load import TankLoad, tank_load
from service.domain.plant.reading import Quality
from service.domain.plant.signal import SignalKind
from service.domain.plant.units import UnitSystem
from service.jobs.blanket.estimate import newest_heading
from service.jobs.effluent.now import beyond_words, effluent_beyond
from service.jobs.loading.laboratory import with_laboratory
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.readings import readings_between

#: Mixed-liquor solids this long before a settling test still belong to it, where the site's own limit is no longer.
BESIDE_TEST = timedelta(hours=2)
#: Where nothing was measured by then, the first within so long after it.
AFTER_TEST = timedelta(hours=26)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """One tank's loading, and what it was made from."""

    setup: TankSetup
    at: datetime
    load: TankLoad
    conditions: Conditions
    inputs: tuple[LoadInput, ...]
    heading: Heading  #: with the laboratory's values among the latest
    beyond: tuple[EffluentSeen, ...] = ()  #: effluent meters that read above their limit

    @property
    def missing(self) -> tuple[LoadInput, ...]:
        """Inputs without which something cannot be said."""
        return tuple(i for i in self.inputs if i.missing)


def loading_all(
    engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, believed: Mapping[str, Estimate], now: datetime
) -> dict[str, Loading]:
    """Every tank's loading now, by tank key.

    Parameters
    ----------
    believed : each tank's blanket now, by tank key.
    """
    with transaction(engine) as conn:
        return {
            setup.tank.key: loading_of(
                conn,
                setup,
                ids,
                newest_heading(conn, setup, ids.tanks[setup.tank.key]),
                believed.get(setup.tank.key),
                now,
            )
            for setup in setups
        }


def loading_of(
    conn: Connection, setup: TankSetup, ids: SiteIds, heading: Heading | None, believed: Estimate | None, now: datetime
) -> Loading:
    """One tank's loading now.

    Parameters
    ----------
    heading : the newest; None where nothing was ever heard.
    believed : its blanket; None where nothing is believed.
    """
    joined = with_laboratory(conn, setup, ids, heading or first_heading(setup), now)
    setup, heading = joined.setup, joined.heading
    seen = conditions(setup, heading, now)
    inputs = load_inputs(setup, heading, now)
    test = next((i for i in inputs if i.kind is SignalKind.SETTLED_VOLUME and not i.missing), None)
    tested = None if test is None or test.at is None else solids_beside(conn, setup, ids, test.at)
    plain, stirred = joined.index(IndexKind.PLAIN), joined.index(IndexKind.STIRRED)
    if test is not None and test.origin is Origin.LABORATORY and plain is not None and plain.at == test.at:
        tested = plain.solids
    known = believed is not None and believed.reason is not EstimateReason.NO_DATA
    return Loading(
        setup=setup,
        at=now,
        load=tank_load(
            setup.tank,
            seen,
            believed.height if believed is not None and known else None,
            None if test is None else test.value,
            tested,
            setup.terms,
            stirred_index=None if stirred is None else stirred.value,
        ),
        conditions=seen,
        inputs=inputs,
        heading=heading,
        beyond=effluent_beyond(conn, setup, ids, now),
    )


def solids_beside(conn: Connection, setup: TankSetup, ids: SiteIds, test_at: datetime) -> float | None:
    """Mixed-liquor solids when a settling test was made, or the nearest after it; None where nothing was measured. [kg/m³]"""
    signals = [s for s in setup.others if s.kind is SignalKind.FEED_SOLIDS and s.tag in ids.signals]
    own = [s for s in signals if s.tank == setup.tank.key] or signals
    if not own:
        return None
    numbers = [ids.signals[s.tag] for s in own]
    since = test_at - max(BESIDE_TEST, *(s.stale_after for s in own))
    newest = dict(_good(readings_between(conn, numbers, since, test_at + timedelta.resolution)))
    if not newest:
        # The nearest after it: what the mixed liquor is by now, a storm may have thinned, and any sludge would seem to bulk.
        later = _good(readings_between(conn, numbers, test_at, test_at + AFTER_TEST))
        newest = dict(reversed(later))
    return sum(newest.values()) / len(newest) if newest else None


def _good(found: ReadingColumns) -> list[tuple[int, float]]:
    """Signal number and value of every good reading, in order of time."""
    rows = zip(
        found.time_us.tolist(), found.signal_id.tolist(), found.value.tolist(), found.quality.tolist(), strict=True
    )
    return [(number, value) for _, number, value, quality in sorted(rows) if quality != Quality.BAD]


def figures_of(found: Loading) -> tuple[Figure, ...]:
    """Every figure with its limit; none is called kept while the effluent is beyond its own."""
    return load_figures(found.setup.tank, found.load, found.setup.terms, found.inputs, effluent_over=bool(found.beyond))


def loading_values(found: Loading, units: UnitSystem) -> dict[str, object]:
    """A tank's loading as plain values for programs: SI, and as the site reads it."""
    tank, load = found.setup.tank, found.load
    return {
        "tank": tank.key,
        "effluent_beyond_limit": [beyond_words(seen, units) for seen in found.beyond],
        "figures": {figure.key: _figure(figure, units) for figure in figures_of(found)},
        "state_point": None
        if load.state is None
        else {
            "verdict": load.state.verdict,
            "margin": _finite(load.state.margin),
            "nearer_limit": load.state.nearer,
            "limiting_flux_kg_per_m2_h": _finite(load.state.limiting_flux),
            "limiting_solids_kg_per_m3": _finite(load.state.limiting_solids),
            "failing_flow_m3_per_s": load.failing_flow,
            "failing_solids_kg_per_m3": _finite(load.failing_solids),
            "correlation": found.setup.terms.correlation,
            "sludge_index_used_ml_per_g": None if load.settling is None else load.settling.used,
            "outside_fit": load.settling is not None and load.settling.outside_fit,
        },
        "restoring_return": None
        if load.restoring is None
        else {
            "flow_m3_per_s": load.restoring.flow,
            "ceiling_m3_per_s": load.restoring.ceiling,
            "reachable": load.restoring.reachable,
            "reason": load.restoring.reason,
        },
        "inputs": [
            {
                "kind": i.kind,
                "standing": i.standing,
                "of": i.origin,
                "value_si": i.value,
                "measured_at": i.at,
                "usable_for_s": i.usable_for.total_seconds(),
                "needed_for": i.needed_for,
            }
            for i in found.inputs
        ],
    }


def _figure(figure: Figure, units: UnitSystem) -> dict[str, object]:
    value, unit = figure.in_unit(units)
    return {
        "value_si": _finite(figure.value),
        "value": value,
        "unit": unit,
        "limit_si": None if figure.limit is None else figure.limit.value,
        "limit_source": None if figure.limit is None else figure.limit.source,
        "kept": figure.kept,
        "kept_denied_by": figure.denied_by or None,
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
