"""Pages on paper: printed to PDF by the browser, read back and rendered by a library that shares no code with it."""

import pytest
from playwright.sync_api import Browser
from pypdfium2 import PdfDocument

from builders.browser import visiting
from builders.demo import Demo
from builders.server import Process

# The darkest and the lightest a dot may be on paper that can be read, of 255.
INK, PAPER = 90, 240


@pytest.mark.parametrize(
    ("address", "says", "leaves_out"),
    [
        (
            "/loads/trips/1",
            ["The deck from above", "At departure", "After drop 5"],
            ["Sign out", "Loading sheet"],
        ),
        ("/cold/zones/1", ["Temperature", "Before anybody goes in"], ["Sign out", "Wider"]),
        ("/trace/lots/17", ["Balance, in cases", "Where it went"], ["Sign out"]),
    ],
)
def test_a_page_prints_dark_on_white_whatever_the_screen_shows(
    shown_server: Process, demo: Demo, browser: Browser, address: str, says: list[str], leaves_out: list[str]
) -> None:
    with visiting(browser, shown_server.url, color_scheme="dark") as visit:
        visit.sign_in(demo.tokens["lead"])
        printed = visit.open(address).pdf(format="A4", print_background=True)
    document = PdfDocument(printed)
    text = "\n".join(page.get_textpage().get_text_range() for page in document)
    assert [word for word in says if word not in text] == []
    assert [word for word in leaves_out if word in text] == []
    shades = sorted(document[0].render(scale=1).to_pil().convert("L").get_flattened_data())
    assert shades[len(shades) // 1000] < INK
    assert shades[len(shades) // 2] > PAPER
