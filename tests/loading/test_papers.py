"""The papers are rendered by another library than the one that draws them, and read back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import combinations
from typing import Any

import html5lib
import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.loads import DAY, few, instance, make_day, register_fleet
from builders.sheets import make_paper
from rimekeep.loading.core.papers import Announced
from rimekeep.loading.core.sheet import sheet_text
from rimekeep.loading.papers import notes_page, notes_pdf, sheet_page, sheet_pdf
from rimekeep.platform.printing import printable

DECK = few(instance("deck_s1_basic"))
MM = 72 / 25.4
# What printers leave free at the edges of a sheet; common practice, no source.
EDGE = 6 * MM
LONG = "Hotel and Brewhouse at the Old Harbour of Lower Sandbank on the Tidal River, Cellar Entrance"
AWKWARD = (
    LONG,
    "W" * 120,
    "Žižkov & Łódź <b>Söhne</b> „Zum Krug“",
    "Ταβέρνα του λιμανιού",
    "a\tb\nc",
)


@contextmanager
def opened(pdf: bytes) -> Iterator[Any]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        yield document
    finally:
        document.close()


def pages_of(pdf: bytes) -> list[str]:
    with opened(pdf) as document:
        return [
            re.sub(r"\s+", " ", page.get_textpage().get_text_range().replace("\ufffe", "-"))
            for page in document
        ]


def faults(pdf: bytes) -> list[str]:
    """What leaves the sheet, and what is printed over something else."""
    found = []
    with opened(pdf) as document:
        for number, page in enumerate(document, 1):
            width, height = page.get_size()
            words = page.get_textpage()
            boxes = [words.get_rect(k) for k in range(words.count_rects())]
            for left, bottom, right, top in boxes:
                if left < EDGE or bottom < EDGE or right > width - EDGE or top > height - EDGE:
                    found.append(
                        f"page {number}: {words.get_text_bounded(left, bottom, right, top)!r} leaves it"
                    )
            for one, other in combinations(boxes, 2):
                across = min(one[2], other[2]) - max(one[0], other[0])
                up = min(one[3], other[3]) - max(one[1], other[1])
                if across > 0.5 and up > 1.0:
                    found.append(
                        f"page {number}: {words.get_text_bounded(*one)!r} over {words.get_text_bounded(*other)!r}"
                    )
            ink = np.asarray(page.render(scale=1).to_pil().convert("L")) < 200
            edge = round(EDGE)
            inner = ink[edge:-edge, edge:-edge].sum()
            if inner != ink.sum():
                found.append(f"page {number}: lines in the margin")
    return found


def test_the_loading_sheet_says_all_a_loader_needs():
    paper = make_paper()
    pages = pages_of(sheet_pdf(paper))
    text = " ".join(pages)
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        for mark in ("Trip 7, plan 3", "Invented tavern store", "2026-03-17"):
            assert mark in page
    assert "Reefer: setpoint 4 °C (everything on board may travel at 2 to 6 °C)" in text
    assert "Pre-cool" in text
    assert all(caution in text for caution in paper.cautions)
    turns = re.findall(r"\b(\d+) (\d+) (\d+) (3\d{17}) (\d+) (C\d\d) (\d+) ____", pages[0])
    assert [tuple(map(int, (n, row, lane, drop))) for n, row, lane, _, drop, _, _ in turns] == [
        (one.number, one.row, one.lane, one.drop) for one in paper.order
    ]
    assert len(turns) == 33
    (deck,) = [page for page in pages if "FRONT WALL" in page]
    assert deck.index("FRONT WALL") < deck.index("DOORS (rear)")
    for one in paper.order:
        assert f"no. {one.number} {one.mass_kg:.0f} kg" in deck
    for row in paper.deck:
        assert f"{row.number} {row.mass_kg:.0f} {row.securing}" in deck or row.securing in deck
    assert "at departure 24000" in text
    assert "after drop 12, C12 12000" in text
    # Of each of four axles the departure is tightest here, and no other state is said to be.
    assert text.count(", tightest") == 4
    assert "DRAFT" not in text


def test_heads_stay_whole_beside_the_times_that_are_expected():
    paper = make_paper()
    drops = tuple(replace(note, expected="08:12 on 2026-03-17") for note in paper.drops)
    sheet = " ".join(pages_of(sheet_pdf(replace(paper, drops=drops))))
    assert "drop expected customer address units cases kg" in sheet


@pytest.mark.parametrize("expected", ["", "08:12 on 2026-03-17"])
def test_empties_announced_stand_at_their_drop_on_every_paper(expected):
    """Each paper says kind, pieces and mass where the customer gives some back, and nothing elsewhere."""
    back = (Announced("keg", 12, 150.4), Announced("tier-sheet", 1, 2.0), Announced("crate", 240, 480))
    words = "12 kegs, 150 kg; 1 tier sheet, 2 kg; 240 crates, 480 kg"
    paper = make_paper(code="VERYLONGCODEWITHOUTANYBREAKS-")
    drops = tuple(
        replace(note, expected=expected, empties=back if note.drop in (2, 5) else ()) for note in paper.drops
    )
    paper = replace(paper, drops=drops)
    made = sheet_pdf(paper), notes_pdf(paper.head, drops)
    assert [faults(one) for one in made] == [[], []]
    sheet, notes = (pages_of(one) for one in made)
    assert "kg empties announced" in " ".join(sheet)
    assert " ".join(sheet).count("240 crates") == 2
    named = [f"Empties announced: {words}" in page for page in notes]
    assert [k for k, is_named in enumerate(named, 1) if is_named] == [2, 5]
    assert sheet_page(paper).count(f"<td>{words}</td>") == 2
    assert notes_page(paper.head, drops).count(f"Empties announced: {words}") == 2
    parts = sheet_text(paper, "").split("DROP ")
    told = [part for part in parts if f"empties announced: {words}" in part]
    assert [part.split()[0] for part in told] == ["2", "5"]
    assert "announced" not in sheet_page(make_paper())


def test_each_drop_has_a_note_of_its_own_with_lots_ssccs_and_lines_to_sign():
    paper = make_paper()
    pages = pages_of(notes_pdf(paper.head, paper.drops))
    assert len(pages) == 12
    for note, page in zip(paper.drops, pages, strict=True):
        assert f"Delivery note, drop {note.drop}" in page
        assert "page 1 of 1" in page
        assert f"To {note.customer_name} ({note.customer_code})" in page
        assert note.customer_address in page
        for unit in note.units:
            assert unit.sscc in page
            for line in unit.lines:
                assert f"{line.lot} {line.best_before_on.isoformat()} {line.cases}" in page
        assert f"{len(note.units)} units, {note.cases} cases" in page
        for words in ("Empties taken back", "signature", "Handed over by (driver)", "Received by (customer)"):
            assert words in page
        others = {unit.sscc for other in paper.drops if other is not note for unit in other.units}
        assert not any(sscc in page for sscc in others)


def test_a_long_note_numbers_its_own_pages_and_repeats_the_heads():
    paper = make_paper(pallets=66, lanes=2, drops=1, name=LONG)
    pages = pages_of(notes_pdf(paper.head, paper.drops))
    assert len(pages) > 2
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert "Delivery note, drop 1" in page
    assert all("best before" in page for page in pages[:-1])
    assert sum(page.count("Received by (customer)") for page in pages) == 1


@pytest.mark.parametrize("name", AWKWARD)
def test_awkward_names_stay_on_the_sheet_and_apart(name):
    paper = make_paper(name=name, code="VERYLONGCODEWITHOUTANYBREAKS-", is_confirmed=False)
    sheet, notes = sheet_pdf(paper), notes_pdf(paper.head, paper.drops)
    assert faults(sheet) == []
    assert faults(notes) == []
    assert "DRAFT: the plan is not confirmed" in pages_of(sheet)[0]
    assert all("DRAFT" in page for page in pages_of(notes))


@pytest.mark.parametrize(
    ("pallets", "lanes", "drops"), [(1, 1, 1), (33, 3, 12), (26, 2, 26), (600, 10, 100), (120, 2, 40)]
)
def test_a_deck_of_any_size_is_drawn_whole(pallets, lanes, drops):
    paper = make_paper(
        pallets=pallets, lanes=lanes, drops=drops,
        axles=("kingpin", "front", "drive", "tag", "lift", "dolly", "bogie"),
    )  # fmt: skip
    made = sheet_pdf(paper)
    assert faults(made) == []
    drawn = " ".join(page for page in pages_of(made) if "kg in row" in page)
    assert all(re.search(rf"\bno\. {one.number}\b", drawn) for one in paper.order)
    assert (drawn.count("FRONT WALL"), drawn.count("DOORS (rear)")) == (1, 1)


@settings(max_examples=15)
@given(st.text(max_size=150), st.text(max_size=60))
def test_whatever_a_name_is_made_of_papers_are_made(name, code):
    paper = make_paper(pallets=4, lanes=2, drops=2, name=name, code=code)
    for made in (sheet_pdf(paper), notes_pdf(paper.head, paper.drops)):
        assert faults(made) == []


def test_the_same_facts_give_the_same_bytes():
    assert sheet_pdf(make_paper()) == sheet_pdf(make_paper())


def test_letters_the_fonts_lack_lose_their_marks_only():
    assert printable("Łódź, Žižkov") == "Lódz, Žižkov"
    assert printable("Ř, ő, 水") == "R, o, ?"


@pytest.mark.parametrize("name", AWKWARD[:4])
def test_pages_parse_strictly_and_say_what_the_pdf_says(name):
    paper = make_paper(name=name)
    for page in (sheet_page(paper), notes_page(paper.head, paper.drops)):
        # HTML Living Standard's parser, as html5lib has it: any parse error raises.
        tree = html5lib.HTMLParser(strict=True).parse(page)
        text = re.sub(r"\s+", " ", "".join(tree.itertext()))
        assert re.sub(r"\s+", " ", name) in text
        assert all(one.sscc in text for one in paper.order)
        assert not list(tree.iter("{http://www.w3.org/1999/xhtml}script"))
    assert notes_page(paper.head, paper.drops).count("Received by (customer)") == 12


def confirmed_trip(api, database, clock):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    return plan, day


GROUNDS = {"trip": confirmed_trip}


@pytest.fixture
def trip(ground):
    return ground


def test_papers_are_served_and_say_whether_the_plan_binds(api, trip):
    plan, day = trip
    (shown,) = plan["trips"]
    address = f"/v1/trips/{shown['id']}"
    draft = api.as_("picker").get(f"{address}/sheet.pdf")
    assert draft.headers["content-type"] == "application/pdf"
    assert "DRAFT" in pages_of(draft.content)[0]
    api.as_("dispatcher").made(f"/v1/load-plans/{plan['id']}/confirm")
    sheet = " ".join(pages_of(api.as_("picker").get(f"{address}/sheet.pdf").content))
    assert "DRAFT" not in sheet
    for place in shown["places"]:
        assert place["sscc"] in sheet
    for state in shown["axle_table"]:
        for axle in state["axles"]:
            assert f"{axle['load_kg']:.0f} / {axle['max_kg']:.0f}" in sheet
    notes = pages_of(api.get(f"{address}/delivery-notes.pdf").content)
    assert [f"({stop})" in page for stop, page in zip(day.orders, notes, strict=True)] == [True, True]
    for stop, page in zip(day.orders, notes, strict=True):
        assert all(sscc in page for sscc in day.ssccs[stop])
    for name in ("sheet.html", "delivery-notes.html"):
        page = api.get(f"{address}/{name}")
        assert page.headers["content-type"] == "text/html; charset=utf-8"
        assert page.headers["content-security-policy"].startswith("default-src 'none'")
        html5lib.HTMLParser(strict=True).parse(page.text)
    missing = api.get("/v1/trips/999/sheet.pdf")
    assert missing.status_code == 404


def test_papers_are_printed_in_the_language_of_whoever_prints_them(api, trip):
    plan, _ = trip
    address = f"/v1/trips/{plan['trips'][0]['id']}"
    german = {"Accept-Language": "de"}
    answer = api.request("GET", f"{address}/sheet.pdf", headers=german)
    assert answer.headers["content-language"] == "de-DE"
    sheet = " ".join(pages_of(answer.content))
    for words in (
        "Ladeliste",
        "ENTWURF: Der Plan ist nicht bestätigt; nicht nach diesem Blatt laden.",
        "Kühlaggregat: Sollwert 4 °C (alles Geladene darf bei 2 bis 6 °C fahren)",
        "STIRNWAND (Fahrerhaus)",
        "Räder verkeilen",
        "bei Abfahrt",
        "am knappsten",
        "Seite 1 von",
    ):
        assert words in sheet, words
    notes = pages_of(api.request("GET", f"{address}/delivery-notes.pdf", headers=german).content)
    assert all("Angenommen von (Kunde)" in page and "Charge" in page for page in notes)
    page = api.request("GET", f"{address}/sheet.html", headers=german).text
    assert '<html lang="de">' in page
    english = (
        "Loading sheet",
        "Load in this order",
        "Drops in",
        "lane",
        "tightest",
        "Nobody stands",
        "held by",
    )
    for words in english:
        assert words not in page, words
        assert words not in sheet, words
