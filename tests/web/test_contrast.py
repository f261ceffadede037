"""
Contrast of the pages' own colours, computed from the style sheet.

W3C, Web Content Accessibility Guidelines 2.2: contrast ratio and relative luminance by its glossary; 4.5 to 1 for
text (1.4.3), 3 to 1 for what else tells something (1.4.11).
"""

import re
from itertools import product
from pathlib import Path

import pytest

import rimekeep.web

STYLE = (Path(rimekeep.web.__file__).parent / "static" / "style.css").read_text(encoding="utf-8")
GROUNDS = ("paper", "field")
WORDS = ("ink", "faint", "go", "wrong")
# Bars, decks and marks; the ring around what has the focus is l1; fields have a border of faint.
SHAPES = ("l0", "l1", "l2", "l3", "l4", "go", "wrong", "faint")


def colours() -> dict[str, dict[str, str]]:
    bright, dark = (dict(re.findall(r"--(\w+): (#\w{6});", block)) for block in STYLE.split("@media")[:2])
    return {"bright": bright, "dark": {**bright, **dark}}


def luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def ratio(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_ratio_is_the_guidelines() -> None:
    """From memory of their explanations: black on white 21, the lightest grey that passes on white is #767676."""
    assert ratio("#000000", "#ffffff") == pytest.approx(21)
    assert ratio("#767676", "#ffffff") > 4.5 > ratio("#777777", "#ffffff")


@pytest.mark.parametrize("scheme", ["bright", "dark"])
def test_words_and_shapes_stand_out(scheme: str) -> None:
    known = colours()[scheme]
    assert {*GROUNDS, *WORDS, *SHAPES} <= known.keys()
    pale = [
        (what, ground, round(ratio(known[what], known[ground]), 2), least)
        for least, names in ((4.5, WORDS), (3.0, SHAPES))
        for what, ground in product(names, GROUNDS)
        if ratio(known[what], known[ground]) < least
    ]
    assert not pale
    # Words on a button.
    assert ratio(known["paper"], known["go"]) >= 4.5


def test_no_colour_is_given_outside_the_table() -> None:
    """So that the ratios above speak for every page; print has white paper, a camera a black ground, a shadow no colour."""
    folder = Path(rimekeep.web.__file__).parent / "static"
    for file in sorted(folder.glob("*.css")):
        rules = file.read_text(encoding="utf-8")
        if file.name == "style.css":
            rules = rules.partition("* { box-sizing")[2]
        found = set(re.findall(r"#[0-9a-f]{3,8}\b(?=[^{}]*;)|\brgb[^)]*\)", rules))
        assert found <= {"#fff", "#000", "rgb(0 0 0 / 55%)"}, (file.name, found)
