"""Checks delivery channels and live sources: connects to each, and sends nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime

from service.calls.retry import Failure
from service.examination.verdict import ExaminationResult, fine, look, wrong
from service.notify.channels.base import Notifier, Receipt
from service.notify.channels.http_gateway import HttpNotifier
from service.notify.channels.sms_modem import ModemNotifier
from service.notify.channels.smtp import SmtpNotifier
from service.settings import Settings
from service.site.site import Site
from service.sources import probe_points

_REMEDY = {
    Failure.SIGN_IN: "check UNDERWEIR_SMTP_USER and the password's file",
    Failure.TLS: "check the port and the protection asked for; is the server's certificate valid for its name?",
}


def out(notifiers: Mapping[str, Notifier], settings: Settings) -> Iterator[ExaminationResult]:
    """Every way by which people are told."""
    if not notifiers:
        yield wrong(
            "calling people",
            "no mail server, gateway or modem is set: alarms are journalled, and nobody is told",
            "set UNDERWEIR_SMTP_HOST and UNDERWEIR_SMTP_FROM, or describe a gateway in the site file",
        )
    for channel, notifier in notifiers.items():
        match notifier:
            case SmtpNotifier():
                about = f"mail server {settings.smtp_host}:{settings.mail_port}"
                yield _said(about, notifier.greet(), "check UNDERWEIR_SMTP_HOST, the port, and the firewall between")
            case HttpNotifier():
                yield _said(
                    f"gateway for {channel}",
                    notifier.greet(),
                    "check its url in the site file, and the firewall between",
                )
            case ModemNotifier():
                yield _said(
                    f"modem for {channel}",
                    notifier.greet(),
                    "check its port in the site file, and this account's right to it (group dialout)",
                )
    if notifiers and settings.public_url is None:
        yield look("links in messages", "there are none", "set UNDERWEIR_PUBLIC_URL to the pages' address")
    elif settings.public_url is not None and settings.public_url.startswith("http://"):
        yield look(
            "links in messages",
            f"{settings.public_url} is not protected on its way",
            "serve the pages through a reverse proxy with TLS; deploy/INSTALL.md says how",
        )


def _said(about: str, receipt: Receipt, remedy: str) -> ExaminationResult:
    if receipt.failure is None:
        return fine(about, receipt.answer)
    return wrong(about, f"{receipt.failure.value}: {receipt.answer}", _REMEDY.get(receipt.failure, remedy))


def sources(site: Site, clock: Callable[[], datetime]) -> Iterator[ExaminationResult]:
    """Every live source, read once."""
    for source in probe_points(site, None, clock):
        about, remedy = f"source {source.key}", f"underweir probe {source.key} shows every point"
        if source.problem:
            yield wrong(about, source.problem, "check its address in the site file, its power, and the network between")
            continue
        doubtful = [point.address for point in source.points if point.quality != "good" or point.remark]
        if doubtful:
            shown = ", ".join(doubtful[:5]) + (", …" if len(doubtful) > 5 else "")
            yield look(
                about, f"it answers, but {len(doubtful)} of {len(source.points)} points look wrong: {shown}", remedy
            )
        else:
            yield fine(about, f"it answers; {len(source.points)} points read")
