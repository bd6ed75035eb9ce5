"""Alarm mails as a phone shows them: nothing wider than 360 px, and what counts on the first screen."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Browser

from service.calls.routing import MessageKind
from service.domain.diagnosis.diagnosis import diagnose
from service.notify.messages.render import render
from tests.unit.notify.cases import LINKED, every_kind
from tests.unit.notify.messages.test_render import LOST

pytestmark = [pytest.mark.browser]

WIDTH = 360
#: What a mail program leaves of a screen of 740 px under its own bars.
SCREEN = 560


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_mail_fits_a_phone(browser: Browser, tmp_path: Path, scheme: Literal["light", "dark"]) -> None:
    wrong = []
    context = browser.new_context(viewport={"width": WIDTH, "height": SCREEN}, color_scheme=scheme)
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    page = context.new_page()
    for name, facts in every_kind(LINKED).items():
        rendered = render(replace(facts, diagnosis=None if facts.tank_kind is None else diagnose(LOST)), "us")
        page.set_content(rendered.html)
        page.screenshot(path=tmp_path / f"{scheme} {name}.png".replace("/", " "))
        if (width := page.evaluate("document.documentElement.scrollWidth")) > WIDTH:
            wrong.append(f"{name}: {width} px wide")
        first = ["h1"]
        if facts.kind is MessageKind.ALARM:
            first.append("a.press")
        if facts.tank_kind is not None:
            first.append("table")
        for part in first:
            box = page.locator(part).first.bounding_box()
            if box is None or box["y"] + box["height"] > SCREEN or box["x"] + box["width"] > WIDTH:
                wrong.append(f"{name}: {part} is at {box}")
        page.set_content("<pre style='white-space:pre-wrap;overflow-wrap:anywhere;font-size:14px'></pre>")
        page.evaluate("text => { document.querySelector('pre').textContent = text }", rendered.text)
        if (width := page.evaluate("document.documentElement.scrollWidth")) > WIDTH:
            wrong.append(f"{name}: its text is {width} px wide")
    context.close()
    assert wrong == []
    assert asked == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_and_button_stand_out_in_light_and_dark(browser: Browser, scheme: Literal["light", "dark"]) -> None:
    """WCAG 2.2 success criterion 1.4.3: contrast of at least 4.5 to 1."""
    context = browser.new_context(viewport={"width": WIDTH, "height": SCREEN}, color_scheme=scheme)
    page = context.new_page()
    for facts in (each for each in every_kind(LINKED).values() if each.kind is MessageKind.ALARM):
        page.set_content(render(facts, "us").html)
        assert page.evaluate(CONTRAST) >= 4.5
    context.close()


CONTRAST = """() => {
    const light = (color) => { const [r, g, b] = color.match(/[0-9.]+/g).slice(0, 3).map((v) => v / 255)
        .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    const behind = (e) => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
        if (c !== "rgba(0, 0, 0, 0)") return c; } return "rgb(255, 255, 255)"; };
    return Math.min(...[...document.querySelectorAll("h1, h2, p, li, a, span, code")].map((e) => {
        const [a, b] = [light(getComputedStyle(e).color), light(behind(e))].sort((x, y) => y - x);
        return (a + 0.05) / (b + 0.05);
    }));
}"""
