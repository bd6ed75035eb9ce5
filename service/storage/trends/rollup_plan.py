"""Plan a query over a long range: rollups where they are complete, the rows elsewhere.

Pure arithmetic on microseconds since the Unix epoch, UTC. A span holds its beginning and not its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MINUTE = 60_000_000
#: Lengths of the rollups' buckets, each a whole multiple of the one before; they begin at multiples of it since 1970.
LEVELS = (10 * MINUTE, 60 * MINUTE, 24 * 60 * MINUTE)
FINEST = LEVELS[0]

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Grid:
    """The pixels of a chart, and the coarsest rollup level whose buckets they do not cut; None where only rows fit."""

    origin: int
    step: int
    level: int | None


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of the range, and the rollup level that answers it; None for the rows."""

    level: int | None
    first: int
    until: int


def grid(start: int, end: int, width: int) -> Grid:
    """Divide start ≤ time < end into at most *width* pixels.

    Notes
    -----
    A pixel that no bucket straddles can be answered from rollups exactly. To get one, pixels are widened to a multiple of
    the bucket, by two fifths at most; where they are narrower than a bucket but not by much, the finest rollup still serves.
    """
    wanted = -((start - end) // max(width, 1))
    for level in reversed(LEVELS):
        origin = start // level * level
        step = -((origin - end) // (max(width, 1) * level)) * level
        if step <= 1.4 * wanted or (level == FINEST and step <= 2 * wanted):
            return Grid(origin, step, level)
    return Grid(start, max(wanted, 1_000), None)


def pieces(start: int, end: int, level: int | None, due: Iterable[Span], archived: Iterable[Span]) -> list[Piece]:
    """Divide a range into parts that are each answered by one level, oldest first.

    Parameters
    ----------
    level : the coarsest rollup that may be used; None for rows only.
    due : spans whose rollups are out of date.
    archived : spans, beginning and ending with a day, whose rows are no longer here: there the rollups are all there is,
        and a bucket cut by the stretch's beginning or end is taken whole.
    """
    gone = joined(archived)
    open_spans = without([(start, end)], gone)
    closed = [
        (max(first, start // FINEST * FINEST), min(until, -(-end // FINEST) * FINEST))
        for first, until in gone
        if first < end and until > start
    ]
    blocked = without(joined(due), gone)
    found: list[Piece] = []
    for each in reversed(LEVELS):
        if level is not None and each <= level:
            cut = joined((first // each * each, -(-until // each) * each) for first, until in blocked)
            whole = without(_inner(open_spans, each), cut)
            found += [Piece(each, *span) for span in whole]
            open_spans = without(open_spans, whole)
        if (level is not None and each <= level) or each == FINEST:
            whole = _inner(closed, each)
            found += [Piece(each, *span) for span in whole]
            closed = without(closed, whole)
    found += [Piece(None, *span) for span in open_spans]
    return sorted(found, key=lambda piece: piece.first)


def joined(spans: Iterable[Span]) -> list[Span]:
    """Merge spans, in order.

    >>> joined([(5, 7), (0, 2), (2, 3), (6, 9)])
    [(0, 3), (5, 9)]
    """
    found: list[Span] = []
    for first, until in sorted(span for span in spans if span[0] < span[1]):
        if found and first <= found[-1][1]:
            found[-1] = (found[-1][0], max(until, found[-1][1]))
        else:
            found.append((first, until))
    return found


def without(spans: Sequence[Span], taken: Sequence[Span]) -> list[Span]:
    """Subtract *taken* (joined) from *spans*.

    >>> without([(0, 10)], [(2, 3), (8, 12)])
    [(0, 2), (3, 8)]
    """
    left: list[Span] = []
    for first, until in spans:
        for cut_first, cut_until in taken:
            if cut_until <= first or cut_first >= until:
                continue
            if cut_first > first:
                left.append((first, cut_first))
            first = cut_until
            if first >= until:
                break
        if first < until:
            left.append((first, until))
    return left


def outward(spans: Iterable[Span], level: int) -> list[Span]:
    """Extend *spans* to whole buckets."""
    return joined((first // level * level, -(-until // level) * level) for first, until in spans)


def _inner(spans: Iterable[Span], level: int) -> list[Span]:
    inner = [(-(-first // level) * level, until // level * level) for first, until in spans]
    return [span for span in inner if span[0] < span[1]]
