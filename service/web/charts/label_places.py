"""Places labels in a picture so that none overlaps another. Pure; y downwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: Of the size of the type: how wide a character is at most on average, how far words rise above their line and fall below.
WIDTH, ASCENT, DESCENT = 0.62, 0.8, 0.25


@dataclass(frozen=True, slots=True)
class Box:
    """Area covered by text."""

    left: float
    right: float
    top: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether they overlap.

        >>> Box(0, 2, 0, 2).meets(Box(1, 3, 1, 3)), Box(0, 2, 0, 2).meets(Box(2, 3, 0, 2))
        (True, False)
        """
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


@dataclass(frozen=True, slots=True)
class Label:
    """Text that belongs to a level, above it if there is room."""

    level: float
    words: str
    above: bool = True


def words_box(words: str, baseline: float, size: float, *, left: float | None = None, right: float = 0.0) -> Box:
    """Area of text that begins at *left*, or else ends at *right*."""
    width = WIDTH * size * len(words)
    start = right - width if left is None else left
    return Box(start, start + width, baseline - ASCENT * size, baseline + DESCENT * size)


def baselines(
    labels: Sequence[Label], *, right: float, size: float, taken: Sequence[Box], top: float, bottom: float
) -> tuple[float, ...]:
    """The baseline of each label: as near to its level as is free of other labels and of what is taken.

    Parameters
    ----------
    labels : the first chooses first.
    right : where all of them end.
    size : of their type.
    taken : what must stay readable.
    top, bottom : of the picture.

    Notes
    -----
    Where nothing is free between top and bottom, a label stands where it would stand alone.
    """
    boxes = list(taken)
    found = []
    for label in labels:
        above, below = label.level - 0.35 * size, label.level + 0.95 * size
        wishes = (above, below) if label.above else (below, above)
        # Further away on both sides, a quarter of a line at a time.
        steps = [0.25 * size * n for n in range(int((bottom - top) / (0.25 * size)) + 1)]
        tried = [wish + (-step if wish == above else step) for step in steps for wish in wishes]
        free = (
            baseline
            for baseline in tried
            if (box := words_box(label.words, baseline, size, right=right)).top >= top
            and box.bottom <= bottom
            and not any(box.meets(other) for other in boxes)
        )
        chosen = next(free, wishes[0])
        boxes.append(words_box(label.words, chosen, size, right=right))
        found.append(chosen)
    return tuple(found)
