"""``underweir probe`` and ``client-certificate``: commissioning of live sources."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from service.bootstrap import settings_from_environment, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json, say_table, usage_error, warn
from service.errors import InputError
from service.site import load_site
from service.sources import ProbedPoint, probe_points


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("probe")(_probe)
    app.command("client-certificate")(_client_certificate)


def _probe(
    connector: Annotated[
        str | None, typer.Argument(help="Only this connector of the site file.", show_default=False)
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Read every configured point of the live sources once and show address, raw, scaled, quality and age.

    Nothing is stored, and nothing is ever written to the plant. Exit status 1 when a source did not answer, or a point
    is bad or looks wrong (a byte order that makes no sense is named, with the one that would).
    """
    path = site or settings_from_environment().site_file
    found = load_site(path)
    sources = probe_points(found, connector, wall_clock)
    if not sources:
        usage_error(
            f"no live source {connector!r} in {path}" if connector else f"{path} has no live source (modbus or opcua)"
        )
    clean = all(not source.problem and all(_fine(point) for point in source.points) for source in sources)
    if json:
        say_json(
            [{"connector": s.key, "problem": s.problem, "points": [_row(point) for point in s.points]} for s in sources]
        )
        exit_with(DONE if clean else PROBLEMS)
    for source in sources:
        if source.problem:
            warn(source.problem)
        if source.points:
            say_table(
                ("address", "place", "raw", "value", "quality", "age", "remark"),
                [_line(point) for point in source.points],
            )
    exit_with(DONE if clean else PROBLEMS)


def _client_certificate(
    folder: Annotated[
        Path, typer.Argument(help="Where to put client.der and client.pem (the key).", show_default=False)
    ],
    json: Json = False,
) -> None:
    """Make a key and a self-signed certificate with which the service shows itself to OPC UA servers.

    Compare the thumbprint by eye with what the server shows before it is trusted there.
    """
    from service.sources.opcua import client_certificate

    try:
        certificate, key, thumbprint = client_certificate(folder, wall_clock())
    except FileExistsError as error:
        raise InputError(str(error)) from error
    if json:
        say_json({"certificate": str(certificate), "private_key": str(key), "thumbprint": thumbprint})
    else:
        say(f"{certificate}\n{key}\nthumbprint {thumbprint}")


def _fine(point: ProbedPoint) -> bool:
    return point.quality == "good" and not point.remark


def _row(point: ProbedPoint) -> dict[str, object]:
    return {
        "address": point.address,
        "place": point.place,
        "raw": point.raw,
        "value": point.value if math.isfinite(point.value) else None,
        "quality": point.quality,
        "reason": point.reason,
        "age_s": point.age,
        "remark": point.remark,
    }


def _line(point: ProbedPoint) -> tuple[str, ...]:
    quality = point.quality if not point.reason else f"{point.quality}: {point.reason}"
    return (
        point.address,
        point.place,
        point.raw,
        f"{point.value:.6g}" if math.isfinite(point.value) else "–",
        quality,
        "" if point.age is None else f"{point.age:.1f} s",
        point.remark,
    )
