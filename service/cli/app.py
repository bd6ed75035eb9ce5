"""Command-line program: loads commands by name and maps errors to exit statuses."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from importlib import import_module
from typing import Annotated

import typer

from service import __version__, logs
from service.cli.base.output import MISUSED, PROBLEMS, STOPPED, say, warn
from service.cli.base.stopping import stop_like_ctrl_c
from service.errors import ConfigError, ServiceError

_STOPPED = "underweir: stopped"

#: Every command by the module that knows it. Only the module that is asked for is loaded: all of them together take twice the
#: time, and somebody is waiting who types ``underweir ack`` in the night.
PARTS: Mapping[str, tuple[str, ...]] = {
    "demo": ("demo",),
    "operations.run": ("run",),
    "plant.check": ("check",),
    "plant.apply": ("apply",),
    "readings.ingest": ("ingest",),
    "cores.core": ("core",),
    "cores.round": ("round",),
    "laboratory.laboratory": ("laboratory",),
    "blanket.status": ("status",),
    "sensors.sensors": ("drift", "calibrate", "certificate"),
    "blanket.estimate": ("estimate",),
    "loading.loading": ("loading",),
    "diagnosis.what_if": ("what-if",),
    "diagnosis.diagnose": ("diagnose",),
    "alarms.replay": ("replay",),
    "alarms.alarms": ("alarms", "ack", "shelve", "unshelve", "journal"),
    "calls.calls": ("why", "figures", "duty", "reset", "out-of-service", "in-service"),
    "reports.reports": ("shift", "note", "report"),
    "effluent.permit": ("permit", "permit-sign"),
    "readings.probe": ("probe", "client-certificate"),
    "operations.database": ("migrate",),
    "operations.watch_over": ("watch-over",),
    "operations.examine": ("examine",),
    "operations.backup": ("backup", "restore"),
    "operations.archive": ("archive",),
    "accounts.people": ("people",),
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
