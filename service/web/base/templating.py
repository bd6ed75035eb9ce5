"""Renders templates with what every page needs."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib import resources
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from service import __version__
from service.domain.plant.role import Role
from service.web.base.access import Principal, signer_of
from service.web.base.formatters import Words
from service.web.base.plant import WebPlant

_ENVIRONMENT = Environment(
    loader=PackageLoader("service.web", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


@cache
def static(name: str) -> str:
    """The address of a static file; it changes with the content, so that browsers may keep it for good."""
    content = resources.files("service.web").joinpath("static", name).read_bytes()
    return f"/static/{name}?v={hashlib.sha256(content).hexdigest()[:10]}"


_ENVIRONMENT.globals.update(static=static, Role=Role, version=__version__)


def words_of(plant: WebPlant) -> Words:
    """How the site says things, now."""
    return Words(units=plant.units, zone=plant.zone, now=plant.clock())


def fragment(template: str, plant: WebPlant, **given: Any) -> str:
    """A part of a page."""
    return _ENVIRONMENT.get_template(template).render(plant=plant, say=words_of(plant), **given)


def page(
    request: Request, plant: WebPlant, visitor: Principal, template: str, *, status: int = 200, **given: Any
) -> HTMLResponse:
    """A whole page for that visitor."""
    token = signer_of(request).form_token(visitor.visit) if visitor.visit else ""
    text = _ENVIRONMENT.get_template(template).render(
        plant=plant, say=words_of(plant), visitor=visitor, form_token=token, path=request.url.path, **given
    )
    return HTMLResponse(text, status_code=status)
