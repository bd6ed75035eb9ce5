"""The command line as a whole: every command by its name, and what an error means for the exit status."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from importlib import import_module
from typing import Annotated

import typer

from service import __version__, logs
from service.cli.output import MISUSED, PROBLEMS, STOPPED, say, warn
from service.cli.stopping import stop_like_ctrl_c
from service.errors import ConfigError, ServiceError

_STOPPED = "underweir: stopped"

#: Every command by the module that knows it. Only the module that is asked for is loaded: all of them together take twice the
#: time, and somebody is waiting who types ``underweir ack`` in the night.
PARTS: Mapping[str, tuple[str, ...]] = {
    "demo": ("demo",),
    "run": ("run",),
    "check": ("check",),
    "apply": ("apply",),
    "ingest": ("ingest",),
    "core": ("core",),
    "status": ("status",),
    "sensors": ("drift", "calibrate", "certificate"),
    "estimate": ("estimate",),
    "loading": ("loading",),
    "what_if": ("what-if",),
    "replay": ("replay",),
    "alarms": ("alarms", "ack", "shelve", "unshelve", "journal"),
    "calls": ("why", "figures", "duty", "reset", "out-of-service", "in-service"),
    "reports": ("shift", "note", "report"),
    "probe": ("probe", "client-certificate"),
    "database": ("migrate",),
    "watch_over": ("watch-over",),
    "examine": ("examine",),
    "backup": ("backup", "restore"),
    "archive": ("archive",),
    "people": ("people",),
}


def program(command: str = "") -> typer.Typer:
    """The command line with the one command loaded that is asked for, or with all, as where there is none of that name."""
    app = typer.Typer(
        name="underweir",
        help="Watches clarifier sludge blankets: reconciles sensors against hand cores and calls people before solids reach the weir.",
        add_completion=False,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_underweir)
    for part in [name for name, commands in PARTS.items() if command in commands] or PARTS:
        import_module(f"service.cli.{part}").register(app)
    return app


def _version(asked: bool) -> None:
    if asked:
        say(f"underweir {__version__}")
        raise typer.Exit


def _underweir(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    # Results belong to standard output alone; of what happens underneath only trouble is shown, on standard error.
    logs.configure("WARNING", as_json=False)


def main() -> None:
    """Run the command; what went wrong is said on standard error, and in the exit status."""
    stop_like_ctrl_c()
    command = next((word for word in sys.argv[1:] if not word.startswith("-")), "")
    try:
        program(command)()
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
