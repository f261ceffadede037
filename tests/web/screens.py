"""
Takes the pictures in fixtures/screens: every kind of page in phone and desk size, bright and dark.

``make screens`` does it on the invented demo. They are there to be looked at after a change of the look; a test
holds that none is missing, not that each dot is the same, as every machine draws letters its own way.
"""

from __future__ import annotations

import sys
from io import BytesIO
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image
from playwright.sync_api import Browser

sys.path.insert(0, str(Path(__file__).parents[1]))

from builders.browser import DESK, PHONE, Visit, running_browser, visiting
from builders.crawl import every_page, kind_of, make_the_missing
from builders.demo import Demo, told_demo
from builders.server import Process, serving
from web.test_pick import a_list_to_pick

FOLDER = Path(__file__).parents[2] / "fixtures" / "screens"
SIZES = {"phone": PHONE, "desk": DESK}
SCHEMES = {"bright": "light", "dark": "dark"}
STARTS = ("/trace?q=L",)
PICKING = "pick-list"
# Enough of a long page to see how it looks, in screens.
MOST_HIGH = 3
COLOURS = 64


def name_of(path: str) -> str:
    """Return what a page's pictures are called by."""
    return kind_of(path).strip("/").replace("/", "-").lower() or "today"


def _keep(visit: Visit, name: str) -> None:
    page = visit.page
    page.wait_for_load_state("load")
    for (size, viewport), (scheme, colours) in product(SIZES.items(), SCHEMES.items()):
        page.set_viewport_size(viewport)
        page.emulate_media(color_scheme=colours)
        high = min(page.evaluate("document.documentElement.scrollHeight"), MOST_HIGH * viewport["height"])
        clip = {"x": 0, "y": 0, "width": viewport["width"], "height": high}
        taken = page.screenshot(full_page=True, clip=clip, animations="disabled", caret="hide")
        picture = Image.open(BytesIO(taken)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        picture.save(FOLDER / f"{name}-{size}-{scheme}.png", optimize=True)


def _take(server: Process, demo: Demo, browser: Browser) -> None:
    with visiting(browser, server.url, expect_wrong=True) as visit:
        for path in ("/sign-in", "/invitation"):
            visit.open(path)
            _keep(visit, name_of(path))
        visit.sign_in(demo.tokens["admin"])
        for path in every_page(visit, *STARTS).values():
            if not (FOLDER / f"{name_of(path)}-desk-dark.png").exists():
                visit.open(path)
                _keep(visit, name_of(path))
    with visiting(browser, server.url, expect_wrong=True) as visit:
        visit.sign_in(demo.tokens["picker"])
        page = visit.open("/pick")
        page.get_by_role("button", name="Take the next list").click()
        page.locator(".bay strong").wait_for()
        _keep(visit, PICKING)


def main() -> None:
    """Take them all anew."""
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("*.png"):
        old.unlink()
    with TemporaryDirectory() as place, running_browser() as browser:
        folder = Path(place)
        served = folder / "served"
        served.mkdir()
        demo = told_demo(folder)
        with serving(demo.copied_to(served), served) as server:
            make_the_missing(server, demo)
            with server.client(demo.tokens["lead"]) as lead:
                a_list_to_pick(lead)
            _take(server, demo, browser)
    print(f"{len(list(FOLDER.glob('*.png')))} pictures in {FOLDER.name}")


if __name__ == "__main__":
    main()
