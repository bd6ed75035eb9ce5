"""The command line as a whole: every command by its name, and what an error means for the exit status."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from service import __version__, logs
from service.cli import (
    alarms,
    archive,
    backup,
    calls,
    check,
    core,
    database,
    demo,
    estimate,
    examine,
    ingest,
    loading,
    people,
    probe,
    replay,
    reports,
    run,
    sensors,
    status,
    watch_over,
    what_if,
)
from service.cli.output import MISUSED, PROBLEMS, STOPPED, say, warn
from service.cli.stopping import stop_like_ctrl_c
from service.errors import ConfigError, ServiceError

_STOPPED = "underweir: stopped"

app = typer.Typer(
    name="underweir",
    help="Watches clarifier sludge blankets: reconciles sensors against hand cores and calls people before solids reach the weir.",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        say(f"underweir {__version__}")
        raise typer.Exit


@app.callback()
def _underweir(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    # Results belong to standard output alone; of what happens underneath only trouble is shown, on standard error.
    logs.configure("WARNING", as_json=False)


for part in (
    demo,
    run,
    check,
    ingest,
    core,
    status,
    sensors,
    estimate,
    loading,
    what_if,
    replay,
    alarms,
    calls,
    reports,
    probe,
    database,
    watch_over,
    examine,
    backup,
    archive,
    people,
):
    part.register(app)


def main() -> None:
    """Run the command; what went wrong is said on standard error, and in the exit status."""
    stop_like_ctrl_c()
    try:
        app()
    except ConfigError as error:
        warn(f"underweir: {error}")
        sys.exit(MISUSED)
    except ServiceError as error:
        warn(f"underweir: {error}")
        sys.exit(PROBLEMS)
    except KeyboardInterrupt:  # outside of any command
        warn(_STOPPED)
        sys.exit(STOPPED)
    except SystemExit as end:
        if end.code == STOPPED:
            warn(_STOPPED)
        raise
