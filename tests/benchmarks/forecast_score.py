"""Score the forecast and its alarm on simulated plants whose truth is known, beside two baselines and the limit.

    python -m tests.benchmarks.forecast_score                        36 tanks, 60 days each
    python -m tests.benchmarks.forecast_score --rounds 1             a third of them
    python -m tests.benchmarks.forecast_score --influent FILE.csv    driven by a published influent series as well
    python -m tests.benchmarks.forecast_score --rounds 0 --influent FILE.csv    by that alone

The whole path is followed: sensor and cores to belief, belief and measured flows to forecast. The baselines, persistence
and a straight line through the last 30 minutes, start from the same belief. The limit is the simulator itself, told the
future flow: all that is left to be wrong about are the small waves. All plants are invented; the influent series is the one
published with the IWA's benchmark simulation model (for instance in the package bsm2-python: data/dyninfluent_bsm2.csv).
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from service.simulator.library import LibraryPlant, library, recordings
from service.simulator.scenario import Recording, run_many
from tests.benchmarks.forecast_marks import AlarmMarks, HorizonMarks, alarm_marks, horizon_marks, line_until
from tests.benchmarks.forecast_run import follow
from tests.support.stopping import in_order

FAULTS = ("sound", "drift", "arm", "storms", "trips", "bulking")
SCORED = (1.0, 3.0, 6.0)
#: Where danger begins, as a share of the side water depth: low enough to be reached by storms, trips and bulking.
SHARE = 0.55
#: The alarm's limit on the time to danger. [h]
LIMIT = 2.0


@dataclass(frozen=True, slots=True)
class TankMarks:
    """Everything scored on one tank."""

    name: str
    horizons: dict[float, HorizonMarks]
    alarm: AlarmMarks
    line_alarm: AlarmMarks


def score_tank(job: tuple[Recording, int]) -> TankMarks:
    """Follow one tank and score it."""
    recording, tank = job
    run = follow(recording, tank, (SHARE,))
    return TankMarks(
        name=f"{recording.scenario.name}, tank {tank + 1}",
        horizons={hours: horizon_marks(run, hours) for hours in SCORED},
        alarm=alarm_marks(run, SHARE, run.cautious[:, 0], LIMIT),
        line_alarm=alarm_marks(run, SHARE, line_until(run, SHARE), LIMIT),
    )


def jobs(entries: tuple[LibraryPlant, ...]) -> Iterator[tuple[Recording, int]]:
    """Every tank of every plant."""
    for _, recording in recordings(entries):
        for tank in range(len(recording.scenario.plant.tanks)):
            yield recording, tank


def influent_jobs(path: Path, days: int = 60, count: int = 4) -> Iterator[tuple[Recording, int]]:
    """Plants of the library fed with stretches of a published influent series.

    Parameters
    ----------
    path : CSV without header; first column days, sixteenth column flow in m3/d (the benchmark's own order).
    """
    with path.open(newline="") as file:
        rows = [(float(row[0]), float(row[15])) for row in csv.reader(file)]
    time, flow = np.array([row[0] for row in rows]) * 24.0, np.array([row[1] for row in rows])
    ratio = flow / flow.mean()
    made = []
    for number, entry in enumerate(library(("sound",), rounds=count, days=days)):
        begin = 24.0 * (10.0 + number * days)
        given = (tuple((time - begin).tolist()), tuple(ratio.tolist()))
        weather = replace(entry.scenario.weather, given=given, storms=())
        scenario = replace(entry.scenario, name=f"published influent {number + 1}", weather=weather)
        made.append((scenario, entry.seed + 50))
    for recording in run_many(made):
        yield recording, 0
        yield recording, 1


def summary(marks: list[TankMarks]) -> dict[str, object]:
    """The figures of the table."""
    horizons = {}
    for hours in SCORED:
        each = [mark.horizons[hours] for mark in marks]
        names = ("ours", "persistence", "line", "limit", "coverage")
        horizons[f"{hours:.0f} h"] = {name: float(np.mean([getattr(one, name) for one in each])) for name in names}
        horizons[f"{hours:.0f} h"]["tanks better than both"] = float(
            np.mean([one.ours < min(one.persistence, one.line) for one in each])
        )
    return {
        "tanks": len(marks),
        "tank-months": sum(mark.alarm.months for mark in marks),
        "horizons": horizons,
        "alarm": _alarm_summary([mark.alarm for mark in marks]),
        "straight line alarm": _alarm_summary([mark.line_alarm for mark in marks]),
    }


def _alarm_summary(alarms: list[AlarmMarks]) -> dict[str, float]:
    leads = [lead for alarm in alarms for lead in alarm.leads]
    quick = [lead for alarm in alarms for lead in alarm.quick_leads]
    months = sum(alarm.months for alarm in alarms)
    return {
        "crossings": len(leads) + len(quick),
        "caught": len(leads) + len(quick) - sum(alarm.missed for alarm in alarms),
        "too quick for an hour": len(quick),
        "median lead": float(np.median(leads)) if leads else float("nan"),
        "10th percentile lead": float(np.quantile(leads, 0.1)) if leads else float("nan"),
        "median lead, all": float(np.median(leads + quick)) if leads + quick else float("nan"),
        "false per tank-month": sum(alarm.false for alarm in alarms) / months if months else float("nan"),
    }


def table(title: str, figures: dict[str, object]) -> str:
    """The figures as people read them."""
    lines = [f"{title}: {figures['tanks']} tanks, {figures['tank-months']:.0f} tank-months", ""]
    lines.append(
        "| ahead | forecast | persistence | straight line | limit | 90 % interval holds | better than both on |"
    )
    lines.append("|---|---|---|---|---|---|---|")
    horizons = figures["horizons"]
    assert isinstance(horizons, dict)
    for name, row in horizons.items():
        lines.append(
            f"| {name} | {1000 * row['ours']:.0f} mm | {1000 * row['persistence']:.0f} mm | {1000 * row['line']:.0f} mm "
            f"| {1000 * row['limit']:.0f} mm | {100 * row['coverage']:.0f} % "
            f"| {100 * row['tanks better than both']:.0f} % of tanks |"
        )
    lines += [
        "",
        "| alarm | crossings caught | median lead | 10th percentile | false per tank-month |",
        "|---|---|---|---|---|",
    ]
    for name, key in (("time to danger", "alarm"), ("straight line", "straight line alarm")):
        alarm = figures[key]
        assert isinstance(alarm, dict)
        lines.append(
            f"| {name} | {alarm['caught']:.0f} of {alarm['crossings']:.0f} | {alarm['median lead']:.0f} min "
            f"| {alarm['10th percentile lead']:.0f} min | {alarm['false per tank-month']:.2f} |"
        )
    quick = figures["alarm"]
    assert isinstance(quick, dict)
    lines.append(
        f"\nLeads leave out {quick['too quick for an hour']:.0f} crossings that rose the last half metre in under an hour; "
        f"with them the median is {quick['median lead, all']:.0f} min."
    )
    return "\n".join(lines)


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3, help="plants per fault; 0 leaves the library out")
    parser.add_argument(
        "--first", type=int, default=0, help="first plant of each fault; 100 and up were never looked at in choosing"
    )
    parser.add_argument("--faults", default=",".join(FAULTS))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--influent", type=Path, help="published influent series, CSV")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    results: dict[str, dict[str, object]] = {}
    with Pool(given.processes) as pool:
        if given.rounds > 0:
            entries = library(tuple(given.faults.split(",")), rounds=given.rounds, first=given.first)
            marks = list(pool.imap_unordered(score_tank, jobs(entries)))
            results["Scenario library"] = summary(marks)
        if given.influent is not None:
            marks = list(pool.imap_unordered(score_tank, influent_jobs(given.influent)))
            results["Published influent"] = summary(marks)
    if given.json:
        print(json.dumps(results, indent=2))
        return
    for title, figures in results.items():
        print(table(title, figures), end="\n\n")


if __name__ == "__main__":
    in_order(main)
