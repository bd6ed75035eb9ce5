"""``underweir estimate``: the blanket estimates of a tank over time, for spreadsheets and programs."""

from __future__ import annotations

import sys
from enum import StrEnum
from io import BytesIO
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from pydantic_core import PydanticCustomError

from service.bootstrap import wall_clock
from service.cli.base.options import SiteFile
from service.cli.base.output import say, usage_error, warn
from service.cli.base.plant import known_tank, reading
from service.cli.base.times import moment
from service.domain.blanket.estimate import Estimate, EstimateReason
from service.domain.plant.tank import Tank
from service.jobs.alarms.replay import believed_as_known_then
from service.jobs.blanket.estimate import believed_between
from service.site.sections.quantity import duration


class Format(StrEnum):
    """How the table is written."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("estimate")(_estimate)


def _estimate(
    tank: Annotated[str, typer.Option(help="The tank's key.", show_default=False)],
    start: Annotated[
        str, typer.Option("--from", help="'12 h' (ago), '2026-03-14 20:00' (plant time) or ISO 8601.")
    ] = "24 h",
    end: Annotated[str, typer.Option("--to", help="As --from.")] = "now",
    every: Annotated[str, typer.Option(help="Distance of the times: '1m', '5 min', '1 h'.")] = "1m",
    format: Annotated[Format, typer.Option(help="How to write the table.")] = Format.CSV,
    out: Annotated[Path | None, typer.Option(help="Write here instead of standard output.", show_default=False)] = None,
    as_known_then: Annotated[
        bool,
        typer.Option(
            "--as-known-then", help="What was believed at each time, knowing only what had arrived by then; slower."
        ),
    ] = False,
    site: SiteFile = None,
) -> None:
    """Print what is believed of a tank: time, height, standard deviation, 95 % interval, rate, clearance, trust, reason. SI and UTC.

    The past is what is believed of it today, with cores and readings that came later; --as-known-then prints what was
    believed at the time. The column as_known says which: now or then.
    """
    now = wall_clock()
    with reading(site) as plant:
        known_tank(tank, plant.tanks)
        setup = next(s for s in plant.setups if s.tank.key == tank)
        zone = plant.site.time_zone
        try:
            # '1m' is a minute here, as people write it for intervals.
            step = duration(every[:-1] + " min" if every.endswith("m") else every)
        except PydanticCustomError as error:
            usage_error(f"--every: {error.message()}")
        first, last = moment(start, zone, now), moment(end, zone, now)
        if step.total_seconds() <= 0 or first > last:
            usage_error("--every must be longer than nothing, and --from before --to")
        believed = believed_as_known_then if as_known_then else believed_between
        told = believed(plant.engine, setup, plant.ids, first, last, step)
    # Tenths of a millimetre: finer digits would be noise dressed up as knowledge.
    table = pd.DataFrame([_row(estimate, setup.tank) for estimate in told])
    table["as_known"] = "then" if as_known_then else "now"
    table = table.round(dict.fromkeys(table.select_dtypes("number").columns, 4))
    match format:
        case Format.CSV:
            content = table.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ").encode()
        case Format.JSON:
            content = table.to_json(orient="records", date_format="iso", date_unit="s", indent=1).encode()
        case Format.PARQUET:
            held = BytesIO()
            table.to_parquet(held, index=False)
            content = held.getvalue()
    if out is not None:
        out.write_bytes(content)
        warn(f"{len(table)} rows written to {out}")
    elif format is Format.PARQUET:
        sys.stdout.buffer.write(content)
    else:
        say(content.decode().rstrip("\n"))


def _row(estimate: Estimate, tank: Tank) -> dict[str, object]:
    known = estimate.reason is not EstimateReason.NO_DATA
    return {
        "time": estimate.time,
        "height_m": estimate.height if known else None,
        "sd_m": estimate.sd if known else None,
        "low_m": estimate.interval[0] if known else None,
        "high_m": estimate.interval[1] if known else None,
        "rate_m_per_h": estimate.rate if known else None,
        "clearance_m": tank.clearance(estimate.height) if known else None,
        "trust": estimate.trust.value,
        "reason": estimate.reason.value,
    }
