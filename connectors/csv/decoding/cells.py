"""The cells of a block of rows: where each one stands, and whole columns of them read by pandas."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from connectors.csv.decoding.lines import shown
from connectors.csv.decoding.rows import CleanBlock
from connectors.csv.times.columns import trimmed
from connectors.csv.times.pattern import Bools

#: Read as missing at once; every other cell that is no number is looked at by itself.
_MISSING = ["", "nan", "NaN", "NAN", "null", "NULL", "N/A", "#N/A"]


class Cells:
    """A clean block with the place of every cell."""

    def __init__(self, block: CleanBlock) -> None:
        self.array = np.frombuffer(block.data, dtype=np.uint8)
        self.line = block.line
        self.rows = block.line.size
        self._block = block
        start = np.concatenate((np.zeros(1, dtype=np.intp), block.ends[:-1, -1] + 1)) if self.rows else block.line
        self._edges = np.column_stack((start - 1, block.ends))

    def span(self, column: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Where the cells of a column begin and end in ``array``."""
        return self._edges[:, column] + 1, self._edges[:, column + 1]

    def raw(self, row: int, column: int) -> bytes:
        return self._block.data[self._edges[row, column] + 1 : self._edges[row, column + 1]]

    def text(self, row: int, column: int) -> str:
        return self.raw(row, column).decode("utf-8", errors="replace").strip()

    def row_text(self, row: int) -> str:
        """A row as it may be shown to a person."""
        text = self._block.data[self._edges[row, 0] + 1 : self._edges[row, -1]]
        return shown(text.replace(self._block.delimiter, b",") if self._block.delimiter == b"\x1f" else text)

    def filled(self, column: int) -> Bools:
        """Which cells of a column hold anything but blanks."""
        start, end = self.span(column)
        if (end > start).all() and not (self.array[start] == 32).any():
            return np.ones(self.rows, dtype=np.bool_)
        start, end = trimmed(self.array, start, end)
        return end > start

    def columns(self, texts: Sequence[int], numbers: Sequence[int], decimal: str) -> pd.DataFrame:
        """The wanted columns: numbers as float64, NaN where not understood; texts as they stand."""
        missing = dict.fromkeys(numbers, _MISSING)
        try:
            return self._read(texts, numbers, missing, decimal)
        except ValueError:
            pass
        # Some cell is no number: name such cells as missing for this block, and read it once more.
        odd = self._read(numbers, (), {}, decimal)
        for column in numbers:
            kinds = pd.Series(odd[column].unique(), dtype="str")
            unread = pd.to_numeric(kinds.str.replace(decimal, ".", regex=False), errors="coerce").isna()
            missing[column] = [*_MISSING, *kinds[unread]]
        try:
            return self._read(texts, numbers, missing, decimal)
        except ValueError:
            pass
        frame = self._read([*texts, *numbers], (), {}, decimal)
        for column in numbers:
            frame[column] = np.full(self.rows, np.nan)
        return frame

    def _read(
        self, texts: Sequence[int], numbers: Sequence[int], missing: Mapping[int, Sequence[str]], decimal: str
    ) -> pd.DataFrame:
        # Texts as they stand: pandas' own categories would make numbers of tags like 007.
        types: dict[int, str] = {**dict.fromkeys(texts, "object"), **dict.fromkeys(numbers, "float64")}
        # pandas' stubs know columns by name only; without a header they are numbers.
        named: Any = {column: list(words) for column, words in missing.items()}
        frame = pd.read_csv(
            io.BytesIO(self._block.data),
            sep=self._block.delimiter.decode(),
            header=None,
            usecols=sorted(types),
            dtype=types,
            decimal=decimal,
            quoting=3,
            keep_default_na=False,
            na_values=named,
            skip_blank_lines=False,
            engine="c",
        )
        if len(frame) != self.rows:
            raise ValueError("rows were lost")
        return frame
