"""Output of commands: results as text or JSON on standard output, problems on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import Enum
from typing import Any, NoReturn
from uuid import UUID

import typer

DONE, PROBLEMS, MISUSED = 0, 1, 2
#: Somebody pressed Ctrl-C, or told it to end: what shells and click say of it, 128 + SIGINT.
STOPPED = 130


def say(text: str = "") -> None:
    """Print a line of the result."""
    typer.echo(text)


def warn(text: str) -> None:
    """Print a line on standard error."""
    typer.echo(text, err=True)


def say_json(value: object) -> None:
    """Print the result as one JSON document."""
    typer.echo(as_json(value))


def as_json(value: object) -> str:
    """A result as a JSON document."""
    return json.dumps(value, default=_plain, indent=2, allow_nan=False, ensure_ascii=False)


def say_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table with columns as wide as their widest cell."""
    widths = [max(len(str(cell)) for cell in column) for column in zip(heads, *rows, strict=True)]
    for row in (heads, *rows):
        typer.echo("  ".join(str(cell).ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def exit_with(status: int) -> NoReturn:
    """End the command with that exit status."""
    sys.stdout.flush()
    raise typer.Exit(status)


def usage_error(text: str) -> NoReturn:
    """Print what was wrong with the arguments, and end with exit status 2."""
    warn(text)
    exit_with(MISUSED)


def _plain(value: Any) -> object:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"cannot write {type(value).__name__} as JSON")
