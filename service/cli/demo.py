"""``underweir demo``: the product shown in about a minute, with no set-up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.base.output import say


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo")(_demo)


def _demo(
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the files, the mails and the picture go; made when missing.")
    ] = Path("underweir-demo"),
    pages: Annotated[
        bool, typer.Option("--pages", help="Afterwards show the plant on pages, to this machine only, until Ctrl-C.")
    ] = False,
) -> None:
    """Show the job: an invented two-tank plant on a storm night, at high speed.

    Files are really dropped and taken in, a drifting sensor is put right by hand cores, the blanket is believed, and mail
    really goes to a mail server on this machine (and nowhere else). A picture of the night is written at the end.
    """
    # Only this command needs the simulator and the drawing library; loading them would slow down every other.
    from service.demo.night import show

    show(folder.absolute(), say, pages=pages)
