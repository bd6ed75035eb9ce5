"""When what is stored became known: as it was received, or, where it was imported later, as it usually is received.

History that was measured before the service heard of its source arrived all at once, long after it happened. Lived through as it
arrived it would be silence and then one moment, so a replay takes each of its readings as arrived the source's usual delay later.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, text

#: What arrives later than this after it was measured, and was measured before its source was heard of, was imported.
IMPORTED_AFTER = timedelta(hours=12)
#: The usual delay is the median of so many of the newest, and not known from fewer than the least.
NEWEST, LEAST = 2_000, 20
_END = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalModel:
    """What of one source is taken as arrived earlier than it did."""

    began: datetime  #: only what was measured before this
    later_than: timedelta  #: only what came so much later than it was measured
    delay: timedelta  #: and it is taken as arrived so long after it was measured
    measured: bool  #: whether the delay was measured or given; else nothing is known of it, and it is zero

    @classmethod
    def given(cls, delay: timedelta) -> ArrivalModel:
        """Everything that came later than a delay is taken as arrived after it."""
        return cls(began=_END, later_than=delay, delay=delay, measured=True)

    def arrived(self, measured_at: datetime, received_at: datetime) -> datetime:
        """When something is taken as arrived."""
        if self.imported(measured_at, received_at):
            return min(received_at, measured_at + self.delay)
        return received_at

    def imported(self, measured_at: datetime, received_at: datetime) -> bool:
        """Whether it is taken as arrived earlier than it did."""
        return measured_at < self.began and received_at - measured_at > self.later_than


def reading_arrivals(conn: Connection, signal_ids: Sequence[int]) -> dict[int, ArrivalModel]:
    """For each signal of which anything is stored: what of it was imported, and how late its readings usually are."""
    rows = conn.execute(_READINGS, {"signal_ids": list(signal_ids), "newest": NEWEST}).all()
    return {row.signal_id: _model(row.began, row.delay, row.measured) for row in rows}


def core_arrivals(conn: Connection, tank_id: int) -> ArrivalModel | None:
    """The same for the hand cores of a tank; None where it has none."""
    row = conn.execute(_CORES, {"tank_id": tank_id, "newest": NEWEST}).one()
    return None if row.began is None else _model(row.began, row.delay, row.measured)


def work_arrivals(conn: Connection, signal_ids: Sequence[int]) -> ArrivalModel | None:
    """The same for work on some sensors."""
    row = conn.execute(_WORK, {"signal_ids": list(signal_ids), "newest": NEWEST}).one()
    return None if row.began is None else _model(row.began, row.delay, row.measured)


def latest_delay(models: Mapping[int, ArrivalModel]) -> timedelta:
    """The longest delay of any of them."""
    return max((model.delay for model in models.values()), default=timedelta(0))


def _model(began: datetime, delay: float | None, count: int) -> ArrivalModel:
    known = count >= LEAST and delay is not None
    usual = timedelta(seconds=max(delay or 0.0, 0.0)) if known else timedelta(0)
    return ArrivalModel(began=began, later_than=IMPORTED_AFTER, delay=usual, measured=known)


_READINGS = text(
    "WITH heard AS (SELECT first.signal_id, b.received_at AS began FROM (SELECT signal_id, min(batch_id) AS batch_id FROM ("
    "SELECT signal_id, batch_id FROM reading WHERE signal_id = ANY(CAST(:signal_ids AS integer[])) UNION ALL "
    "SELECT signal_id, batch_id FROM reading_revision WHERE signal_id = ANY(CAST(:signal_ids AS integer[]))"
    ") AS every GROUP BY signal_id) AS first JOIN batch b ON b.id = first.batch_id) "
    "SELECT heard.signal_id, heard.began, lately.delay, lately.measured FROM heard LEFT JOIN LATERAL ("
    "SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY extract(epoch FROM b.received_at - newest.time)) AS delay, count(*) AS measured "
    "FROM (SELECT time, batch_id FROM reading WHERE signal_id = heard.signal_id AND time >= heard.began "
    "ORDER BY time DESC LIMIT :newest) AS newest JOIN batch b ON b.id = newest.batch_id) AS lately ON true"
)


def _records(table: str, at: str, where: str) -> str:
    """What people wrote down: since when, and how late what was done since then usually is."""
    return (
        f"WITH ours AS (SELECT {at} AS at, recorded_at FROM {table} WHERE {where} AND supersedes IS NULL), "
        "heard AS (SELECT min(recorded_at) AS began FROM ours) "
        "SELECT heard.began, lately.delay, lately.measured FROM heard LEFT JOIN LATERAL ("
        "SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY extract(epoch FROM newest.recorded_at - newest.at)) AS delay, "
        "count(*) AS measured FROM (SELECT * FROM ours WHERE at >= heard.began ORDER BY at DESC LIMIT :newest) AS newest) AS lately ON true"
    )


_CORES = text(_records("hand_core", "taken_at", "tank_id = :tank_id"))
_WORK = text(_records("calibration", "at", "signal_id = ANY(CAST(:signal_ids AS integer[]))"))
