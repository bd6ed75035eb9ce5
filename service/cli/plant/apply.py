"""``underweir apply``: brings a site file into force, after showing what changes and what is no longer monitored."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from service.bootstrap import Configuration, apply_site, database, database_if_any, load_configuration, wall_clock
from service.cli.base.options import Json
from service.cli.base.output import say, say_json, warn
from service.domain.operations.lease import EVALUATE
from service.errors import ConfigError
from service.site.difference import Difference, difference
from service.site.site import Site, parse_site
from service.storage.alarms.alarms import alarms
from service.storage.database.session import transaction
from service.storage.operations.leases import active_node
from service.storage.plant.site_tables import SiteVersion, version_in_force


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("apply")(_apply)


def _apply(
    site: Annotated[
        Path | None,
        typer.Option(
            "--site",
            metavar="FILE",
            help="The site file to bring into force; UNDERWEIR_SITE_FILE otherwise.",
            show_default=False,
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Bring it into force; without, nothing is changed.")] = False,
    json: Json = False,
) -> None:
    """Show what a site file would change, and with --yes bring it into force; a running service uses it within seconds.

    What would no longer be monitored is listed first. A file with mistakes is refused, and the one in force stays.
    """
    known = load_configuration(site)
    known.prepare()
    shown, before, standing, unmatched = _preview(known)
    if not json:
        _say(shown, before, standing, known.site)
        for place, why in unmatched.items():
            say(f"{place}: {why}")
    applied = None
    if yes:
        with database(known.settings) as engine:
            applied = apply_site(engine, known.site, by=getpass.getuser(), now=wall_clock())
            with transaction(engine) as conn:
                node = active_node(conn, EVALUATE)
    if json:
        say_json(
            {
                "applied": applied is not None,
                "hash": known.site.content_hash,
                "before": None if before is None else before.content_hash,
                "stops": [{"kind": kind, "key": key} for kind, key in shown.unmonitored],
                "alarms_standing": sorted(standing),
                "changes": [
                    {"kind": c.kind, "added": c.added, "removed": c.removed, "changed": c.changed}
                    for c in shown.changes
                ],
                "diff": list(shown.lines),
                "unmatched": unmatched,
            }
        )
    elif applied is None:
        say("\nNothing was changed. To bring it into force: underweir apply --yes")
    else:
        goes = (
            f"the service on {node} uses it within seconds"
            if node
            else "no service is running; start it: underweir run"
        )
        say(f"\nIn force: version {applied.short_hash}, since now, by {applied.applied_by}; {goes}")


def _preview(known: Configuration) -> tuple[Difference, SiteVersion | None, set[str], dict[str, str]]:
    """What would change, from what, which of the alarms that would go stand now, and rows that do not fit this very file."""
    with database_if_any(known.settings) as engine:
        if engine is None:
            return difference(None, known.site), None, set(), {}
        with transaction(engine) as conn:
            version, records = version_in_force(conn), alarms(conn)
    before: Site | None = None
    if version is not None:
        try:
            before = parse_site(version.content)
        except ConfigError as error:
            warn(f"note: this version of the program does not understand the site file in force: {error}")
    shown = difference(before, known.site)
    gone = {key for kind, key in shown.unmonitored if kind == "alarm"}
    same = version is not None and version.content_hash == known.site.content_hash
    unmatched = known.alarms.unmatched({r.key: r.tank for r in records}) if same else {}
    return shown, version, {r.key for r in records if r.key in gone and r.machine.active}, unmatched


def _say(shown: Difference, before: SiteVersion | None, standing: set[str], site: Site) -> None:
    if before is None:
        say("no site file is in force yet; all of this is new")
    elif before.content_hash == site.content_hash:
        say(f"this is the site file in force: version {before.short_hash}")
        return
    else:
        say(
            f"in force is version {before.short_hash}, by {before.applied_by}; this is version {site.content_hash[:12]}"
        )
    if shown.unmonitored:
        say("\nNO LONGER MONITORED OR CALLED:")
        for kind, key in shown.unmonitored:
            say(f"  !! {kind} {key}" + (" (ACTIVE NOW)" if kind == "alarm" and key in standing else ""))
    for change in shown.changes:
        for word, keys in (("new", change.added), ("changed", change.changed), ("gone", change.removed)):
            if keys:
                say(f"{change.kind}, {word}: {', '.join(keys)}")
    if before is not None:
        say()
        for line in shown.lines:
            say(line)
