"""``underweir watch-over``: external watchdog that calls people when a service stops answering."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

import typer

from service import logs
from service.bootstrap import mail_notifier, make_notifiers, settings_from_environment, wall_clock
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, usage_error
from service.cli.base.stopping import StopSignal
from service.jobs.operations.external_watchdog import ExternalWatchdog, Recipient
from service.notify.channels.base import Notifier
from service.notify.health_check import redacted_url
from service.site.site import load_site


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("watch-over")(_watch_over)


def _watch_over(
    urls: Annotated[list[str], typer.Argument(help="Addresses of the services' pages.", show_default=False)],
    to: Annotated[
        list[str], typer.Option("--to", help="Who is told: an e-mail address or a +number.", show_default=False)
    ],
    after: Annotated[float, typer.Option(help="Minutes of silence before somebody is told.", min=0, max=1440)] = 5.0,
    every: Annotated[float, typer.Option(help="Seconds between looks.", min=1, max=3600)] = 30.0,
    gateway: Annotated[
        Path | None,
        typer.Option(help="A site file whose [[gateway]] or [[modem]] carries text messages.", show_default=False),
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Look once and end: 1 when a service is silent.")] = False,
) -> None:
    """Watch over services from another machine, and tell people when one falls silent; until SIGTERM or Ctrl-C."""
    for url in urls:
        if urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).hostname:
            usage_error(f"{url!r} is no web address; write such as https://underweir.example.org")
    settings = settings_from_environment()
    mail = mail_notifier(settings)
    notifiers: dict[str, Notifier] = {} if mail is None else {"email": mail}
    if gateway is not None:
        notifiers.update(make_notifiers(settings, load_site(gateway)))
    recipients = [Recipient(channel="sms" if name.startswith("+") else "email", address=name) for name in to]
    for recipient in recipients:
        if recipient.channel not in notifiers:
            needed = "--gateway FILE" if recipient.channel == "sms" else "UNDERWEIR_SMTP_HOST and UNDERWEIR_SMTP_FROM"
            usage_error(f"nothing carries a message to {recipient.address}: set {needed}")
    overseer = ExternalWatchdog(
        urls=urls,
        recipients=recipients,
        notifiers=notifiers,
        after=timedelta(minutes=0 if once else after),
    )
    if once:
        silent = overseer.check(wall_clock())
        for url in urls:
            say(f"{redacted_url(url)}: {'silent, ' + overseer.presences[url].why if url in silent else 'answers'}")
        exit_with(PROBLEMS if silent else DONE)
    logs.configure(settings.log_level.upper())
    logs.register_secrets(settings.secrets())
    asked = StopSignal()
    while not asked:
        overseer.check(wall_clock())
        asked.wait(every)
