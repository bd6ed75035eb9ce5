"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
SiteFile = Annotated[
    Path | None,
    typer.Option(
        "--site",
        metavar="FILE",
        help="The site file on disk, UNDERWEIR_SITE_FILE otherwise; the version in force is used, with a note where they differ.",
        show_default=False,
    ),
]
