"""QA's calibrations in a real browser: samples from a file, the fit, a signed approval; a sensor put right."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from builders.browser import visiting
from builders.demo import Demo
from builders.server import Process

SAMPLES = Path(__file__).parents[2] / "fixtures" / "demo" / "forced-ageing.csv"
WHY = "replicates agree (invented)"


@pytest.mark.slow
def test_samples_are_uploaded_fitted_and_approved_by_signature(
    browser: Browser, demo: Demo, demo_server: Process, tmp_path: Path
) -> None:
    with SAMPLES.open(encoding="utf-8") as rows:
        own = [row for row in csv.DictReader(rows) if row["sku"] == "LAGER-B24"]
    # As a spreadsheet set to decimal commas writes it, with a column nobody asked for.
    file = tmp_path / "samples.csv"
    lines = [";".join((row["score"], row["series"], row["temp_c"], row["day"])) for row in own]
    file.write_text("score;series;temp_c;day\n" + "\n".join(lines).replace(".", ","), encoding="utf-8")
    with (
        demo_server.client(demo.tokens["qa"]) as qa,
        visiting(browser, demo_server.url, expect_wrong=True) as visit,
    ):
        product = next(one for one in qa.get("/v1/products?limit=200")["items"] if one["sku"] == "LAGER-B24")
        before = qa.get(f"/v1/products/{product['id']}/profiles")["items"]
        visit.sign_in(demo.tokens["qa"])
        page = visit.open("/cold/calibrations")
        page.get_by_text("Upload samples of forced ageing").click()
        page.get_by_label("Product").select_option(str(product["id"]))
        page.get_by_label("Way of going off, in your words").fill("flavour staling")
        page.get_by_label("File with columns").set_input_files(file)
        expect(page.locator("#samples")).to_have_value(
            re.compile(re.escape(f"{lines[0].split(';')[2].replace('.', ',')}; "))
        )
        page.get_by_label("Score at which the beer is spent").fill("5,0")
        page.get_by_label("Where the data are from").fill("an invented trial")
        page.get_by_role("button", name="Fit", exact=True).click()
        page.wait_for_url(re.compile(r"/cold/calibrations/\d+$"))
        visit.assert_accessible()
        made = qa.get(f"/v1/calibrations/{page.url.rsplit('/', 1)[1]}")
        assert len(made["fit"]["points"]) == len(own)
        approve = page.locator("form", has=page.get_by_role("heading", name="Approve"))
        approve.get_by_label("Reason").fill(WHY)
        approve.get_by_label("Your password or token").fill("not mine")
        approve.get_by_role("button").click()
        expect(page.get_by_role("alert")).to_contain_text("nothing was decided")
        assert approve.get_by_label("Reason").input_value() == WHY
        approve.get_by_label("Your password or token").fill(demo.tokens["qa"])
        approve.get_by_role("button").click()
        expect(page.get_by_role("heading", name="Approve")).to_have_count(0)
        after = qa.get(f"/v1/products/{product['id']}/profiles")["items"]
        assert len(after) == len(before) + 1

        page = visit.open("/cold/calibrations")
        page.get_by_text("Put a sensor's calibration on record").click()
        sensor = page.get_by_label("Sensor", exact=True).input_value()
        page.get_by_label("Add to its readings").fill("−0,2".replace("−", "-"))
        page.get_by_label("Readings since then are corrected").fill("2026-11-01T08:00")
        page.get_by_label("Calibrated on").fill("2026-11-01")
        page.get_by_label("Reason, certificate").fill("certificate 7 (invented)")
        page.get_by_role("button", name="Put on record").click()
        expect(page.locator("table").first).to_contain_text("-0.20 K")
        kept = qa.get(f"/v1/sensors/{sensor}/calibrations")["items"]
        assert [one["offset_c"] for one in kept] == [-0.2]
