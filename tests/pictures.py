"""The README's pictures, made anew: the demo's night, and its tank on a phone.

python -m tests.pictures        writes deploy/pictures/night.png and tank.png; needs a browser
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import ViewportSize, sync_playwright

from tests.conftest import BROWSER_FLAGS, chromium
from tests.support.plant_servers import free_port

PICTURES = Path(__file__).parents[1] / "deploy" / "pictures"
#: As wide as it is shown [pixel], and how many colors are enough for it.
NIGHT_WIDTH, COLORS = 1100, 64
PHONE: ViewportSize = {"width": 360, "height": 740}


def main() -> None:
    """Live the demo's night, and look at its pages."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="underweir-pictures-") as made:
        folder = Path(made)
        folder.chmod(0o711)
        demo = subprocess.Popen(
            [sys.executable, "-u", "-m", "service", "demo", "--pages", "--folder", made],
            env=os.environ | {"UNDERWEIR_HTTP_PORT": str(free_port())},
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert demo.stdout is not None
            pages = re.compile(r"The pages, .* (http://\S+) ")
            _look(next(found[1] for line in demo.stdout if (found := pages.search(line))))
        finally:
            demo.terminate()
            demo.communicate(timeout=60)
        with Image.open(folder / "night.png") as night:
            height = round(night.height * NIGHT_WIDTH / night.width)
            smaller = night.convert("RGB").resize((NIGHT_WIDTH, height), Image.Resampling.LANCZOS)
        _keep(smaller, PICTURES / "night.png")


def _look(address: str) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=list(BROWSER_FLAGS))
        page = browser.new_page(viewport=PHONE)
        page.goto(f"{address}/")
        page.locator("main a[href*='/tanks/']").first.click()
        page.wait_for_load_state("networkidle")
        page.screenshot(path=PICTURES / "tank.png")
        browser.close()
    with Image.open(PICTURES / "tank.png") as tank:
        _keep(tank.convert("RGB"), PICTURES / "tank.png")


def _keep(picture: Image.Image, path: Path) -> None:
    picture.quantize(COLORS, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    main()
