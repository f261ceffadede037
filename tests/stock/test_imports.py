"""Files of stock: read as meant, all or nothing, and safe to read again."""

from __future__ import annotations

from typing import Any

import pytest

from builders.stock import new_sscc
from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.usecases import open_new_site
from rimekeep.platform.csvfile import ImportReport, read_rows
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries, usecases
from rimekeep.stock.tables import Bay, Lot, Product, Unit, Zone

COLUMNS = {
    "products": usecases.PRODUCT_COLUMNS,
    "zones": usecases.ZONE_COLUMNS,
    "bays": usecases.BAY_COLUMNS,
    "lots": usecases.LOT_COLUMNS,
    "units": usecases.UNIT_COLUMNS,
}
HEADING = (
    "sku,name,gtin,package,abv_pct,original_extract_p,alcohol_mass_pct,case_mass_kg,cases_per_layer,"
    "layers_per_pallet,pallet_tare_kg,footprint,carry_min_c,carry_max_c\n"
)
PRODUCTS = (
    HEADING
    + "MAE-50,Märzen (invented),9521234000013,bottle,5.6,13.2,4.4,18.5,8,6,25,800x1200,1,12\n"
    + "KEG-30,Keg 30 l (invented),,keg,5.0,,,41.5,8,1,25,800x1200,1,8\n"
)
ZONES = "code,name,kind,planned_c,slot_pitch_m,aisle_pitch_m,cross_aisle_offset_m\nBRIGHT,Bright beer,store,2,1,4,1.5\nDOCK,Dock,dock,12,,,\n"
BAYS = "zone,code,aisle,slot,level,check_code\nBRIGHT,B-1,1,1,0,417\nBRIGHT,B-2,1,2,,418\n"
LOTS = (
    "sku,lot,packaged_at,best_before_on,cases_made,released\n"
    "MAE-50,L1,2026-03-01T06:00:00Z,2026-09-01,480,yes\n"
    "KEG-30,L1,2026-03-02T06:00:00Z,2026-09-02,16,no\n"
)
FIRST, SECOND = new_sscc(), new_sscc()
UNITS = (
    "sscc,lot,sku,cases,zone,bay,received_at,start_core_c\n"
    f"{FIRST},L1,MAE-50,40,BRIGHT,B-1,2026-03-03T06:00:00Z,9.5\n"
    f"{FIRST},L1,KEG-30,2,BRIGHT,B-1,2026-03-03T06:00:00Z,9.5\n"
    f"{SECOND},L1,MAE-50,48,BRIGHT,,,\n"
)
FILES = {"products": PRODUCTS, "zones": ZONES, "bays": BAYS, "lots": LOTS, "units": UNITS}
TABLES = {"products": Product, "zones": Zone, "bays": Bay, "lots": Lot, "units": Unit}


def load(store: Any, kind: str, content: str | bytes, encoding: str | None = None) -> ImportReport:
    data = content.encode() if isinstance(content, str) else content
    rows = read_rows(data, COLUMNS[kind], encoding=encoding)
    seen: list[tuple[int, int]] = []
    with store.database.transaction() as session:
        report: ImportReport = getattr(usecases, f"import_{kind}")(
            session, store.now, store.caller, rows, lambda done, total: seen.append((done, total))
        )
    assert seen[-1] == (len(rows.rows), len(rows.rows))
    return report


def load_all(store: Any) -> None:
    for kind, content in FILES.items():
        report = load(store, kind, content)
        assert (report.faults, report.created, report.rows) == ([], report.rows, content.count("\n") - 1), (
            kind
        )


def load_before(store: Any, kind: str) -> None:
    for earlier in FILES:
        if earlier == kind:
            return
        load(store, earlier, FILES[earlier])


def places(report: ImportReport) -> list[tuple[int, str]]:
    return [(fault.line, fault.column) for fault in report.faults]


def count(store: Any, table: Any) -> int:
    with store.database.transaction(readonly=True) as session:
        return session.query(table).count()


def test_a_store_comes_in_from_five_files(store: Any) -> None:
    load_all(store)
    unit = store.read(queries.unit_by_sscc, FIRST)
    view = store.unit(unit.id)
    assert [(on.sku, on.lot_code, on.cases, on.lot_qa_state) for on in view.contents] == [
        ("MAE-50", "L1", 40, "released"),
        ("KEG-30", "L1", 2, "held"),
    ]
    assert (view.zone_code, view.bay_code, view.start_core_c, view.state) == (
        "BRIGHT",
        "B-1",
        9.5,
        "in_store",
    )
    assert view.contents[0].product_name == "Märzen (invented)"
    product = store.read(queries.product_by_gtin, "9521234000013")
    assert (
        store.read(queries.lot_by_code, product.id, "L1").cases_made == 480
    )  # said by the lots' file, not added to
    assert store.disagreements() == []


def test_one_gtin_written_in_two_lengths_is_found_out(store: Any) -> None:
    other = PRODUCTS.splitlines()[1].replace("MAE-50", "MAE-51").replace("9521234000013", "09521234000013")
    report = load(store, "products", PRODUCTS + other + "\n")
    assert places(report) == [(4, "gtin")]
    assert "line 2" in report.faults[0].detail
    assert count(store, Product) == 1  # the store's own


def test_reading_a_file_again_changes_nothing_even_after_work_has_gone_on(store: Any) -> None:
    load_all(store)
    unit = store.read(queries.unit_by_sscc, SECOND)
    content = store.contents(unit.id)[0]
    store.act("move_unit", unit_id=unit.id, zone_id=store.zones["other"])
    store.bare("reserve_cases", content.id, 10)
    built = store.act("build_unit", zone_id=store.zones["staging"]).id
    store.act("take_cases", content_id=content.id, cases=10, to_unit_id=built)
    store.act("hold_lot", lot_id=content.lot_id, reason="under test")
    before = store.unit(unit.id), count(store, LedgerEvent)
    for kind, text in FILES.items():
        report = load(store, kind, text)
        assert (report.faults, report.created, report.unchanged) == ([], 0, report.rows), kind
    assert (store.unit(unit.id), count(store, LedgerEvent)) == before


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_a_file_reads_the_same_in_every_encoding(store: Any, encoding: str) -> None:
    assert (
        load(store, "products", PRODUCTS.encode(encoding), "cp1252" if encoding == "cp1252" else None).created
        == 2
    )
    assert store.read(queries.product_by_sku, "MAE-50").name == "Märzen (invented)"


def test_semicolons_with_decimal_commas_mean_the_same(store: Any) -> None:
    load(store, "products", PRODUCTS)
    european = PRODUCTS.replace(",", ";").replace(".", ",")
    report = load(store, "products", european)
    assert (report.faults, report.unchanged) == ([], 2)


def test_a_number_that_may_be_a_thousand_stops_the_file(store: Any) -> None:
    european = PRODUCTS.replace(",", ";").replace("18.5", "1.234,5")
    report = load(store, "products", european)
    assert places(report) == [(2, "case_mass_kg")]
    assert "two ways" in report.faults[0].detail
    assert count(store, Product) == 1  # the store's own


def test_one_wrong_cell_is_named_and_nothing_of_the_file_is_stored(store: Any) -> None:
    tried = set()
    for kind, old, new, place in (
        ("products", "MAE-50", "KEG-30", (3, "sku")),
        ("products", "9521234000013", "9521234000014", (2, "gtin")),
        ("products", "bottle", "barrel", (2, "package")),
        ("products", "5.6", "560", (2, "abv_pct")),
        ("products", "1,12\n", "13,12\n", (2, "carry_max_c")),
        ("products", ",1,12\n", ",1\n", (2, "")),
        ("zones", "store", "vehicle", (2, "kind")),
        ("zones", "2,1,4,1.5", "2,1,,1.5", (2, "aisle_pitch_m")),
        ("bays", "BRIGHT,B-2", "DARK,B-2", (3, "zone")),
        ("bays", "417", "4 17", (2, "check_code")),
        ("bays", "1,1,0", "1,0,0", (2, "slot")),
        ("lots", "KEG-30", "KEG-50", (3, "sku")),
        ("lots", "2026-09-01", "2026-03-01", (2, "best_before_on")),
        ("lots", "2026-09-01", "01.09.2026", (2, "best_before_on")),
        ("lots", "2026-03-01T06:00:00Z", "2026-03-01T06:00:00", (2, "packaged_at")),
        ("lots", "480", "-480", (2, "cases_made")),
        ("lots", "MAE-50,L1", "MAE-50,L 1", (2, "lot")),
        ("units", f"{SECOND},", f"{int(SECOND) + 1},", (4, "sscc")),
        ("units", f"{SECOND},", f"{SECOND[:17]},", (4, "sscc")),
        ("units", f"{SECOND},L1", f"{SECOND},L9", (4, "lot")),
        ("units", f"{SECOND},L1,MAE-50", f"{SECOND},L1,MAE-51", (4, "sku")),
        ("units", "48,BRIGHT", "0,BRIGHT", (4, "cases")),
        ("units", "48,BRIGHT", "48,DARK", (4, "zone")),
        ("units", "48,BRIGHT,,", "48,BRIGHT,B-9,", (4, "bay")),
        ("units", "48,BRIGHT,,", "48,DOCK,B-2,", (4, "bay")),
        ("units", "48,BRIGHT,,", "48,BRIGHT,,2026-03-17T06:00:00Z", (4, "received_at")),
        ("units", "48,BRIGHT,,", "48,BRIGHT,,2026-02-17T06:00:00Z", (4, "received_at")),
        ("units", "2,BRIGHT,B-1", "2,BRIGHT,B-2", (3, "bay")),
        ("units", "L1,KEG-30", "L1,MAE-50", (3, "lot")),
    ):
        if kind not in tried:  # what the file refers to is there, the file itself not yet
            load_before(store, kind)
            tried.add(kind)
        before = count(store, TABLES[kind]), count(store, LedgerEvent)
        assert old in FILES[kind]
        report = load(store, kind, FILES[kind].replace(old, new))
        assert places(report) == [place], (kind, old, new)
        assert report.faults[0].detail
        assert report.faults[0].mend
        assert (report.created, count(store, TABLES[kind]), count(store, LedgerEvent)) == (0, *before)


def test_the_same_key_with_other_facts_is_refused_and_says_what_is_stored(store: Any) -> None:
    load_all(store)
    for kind, old, new, place, stored in (
        ("products", "18.5", "19.5", (2, "case_mass_kg"), "18.5"),
        ("products", "9521234000013", "", (2, "gtin"), "09521234000013"),
        ("products", "MAE-50,", "MAE-51,", (2, "gtin"), "MAE-50"),
        ("zones", "dock,12", "dock,8", (3, "planned_c"), "12"),
        ("bays", "BRIGHT,B-2", "DOCK,B-2", (3, "zone"), "BRIGHT"),
        ("lots", "2026-09-01", "2026-10-01", (2, "best_before_on"), "2026-09-01"),
        ("lots", "480,yes", "481,yes", (2, "cases_made"), "480"),
        ("lots", "480,yes", "480,no", (2, "released"), "True"),
        ("units", "48,BRIGHT", "47,BRIGHT", (4, "cases"), "48"),
        ("units", f"{SECOND},L1,MAE-50", f"{SECOND},L1,KEG-30", (4, "lot"), "stored"),
        ("units", "48,BRIGHT,,,", "48,BRIGHT,B-2,,", (4, "bay"), "an empty cell"),
        ("units", "48,BRIGHT,,,", "48,BRIGHT,,,8", (4, "start_core_c"), "an empty cell"),
        ("units", f"{FIRST},L1,KEG-30,2,BRIGHT,B-1,2026-03-03T06:00:00Z,9.5\n", "", (2, "sscc"), "More lots"),
    ):
        report = load(store, kind, FILES[kind].replace(old, new))
        assert place in places(report), (kind, old, new)
        assert stored in next(
            fault.detail for fault in report.faults if (fault.line, fault.column) == place
        ), (kind, new)
        assert report.created == 0
    assert store.disagreements() == []


def test_a_file_adds_what_is_new_beside_what_is_there(store: Any) -> None:
    load_all(store)
    third = new_sscc()
    report = load(store, "units", UNITS + f"{third},L1,MAE-50,12,DOCK,,,\n")
    assert (report.created, report.unchanged) == (1, 3)
    assert store.read(queries.unit_by_sscc, third).received_at == store.now


def test_a_file_says_what_bays_are_for_and_one_that_does_not_contradicts_nothing(store: Any) -> None:
    load_all(store)
    lanes = "zone,code,aisle,slot,check_code,role,depth,capacity_units\nBRIGHT,P-1,3,1,501,pick,,\nBRIGHT,D-1,3,2,502,,5,10\n"
    assert load(store, "bays", lanes).created == 2
    found = {code: store.read(queries.bay_by_code, code) for code in ("B-1", "P-1", "D-1")}
    assert {code: (bay.role, bay.depth, bay.capacity_units) for code, bay in found.items()} == {
        "B-1": ("bulk", 1, None), "P-1": ("pick", 1, None), "D-1": ("bulk", 5, 10),
    }  # fmt: skip
    plain = "zone,code,aisle,slot,check_code\nBRIGHT,P-1,3,1,501\nBRIGHT,D-1,3,2,502\n"
    assert load(store, "bays", plain).unchanged == 2
    assert places(load(store, "bays", lanes.replace(",5,10", ",5,0"))) == [(3, "capacity_units")]
    assert places(load(store, "bays", lanes.replace("pick", "front"))) == [(2, "role")]


def test_another_sites_stock_is_not_known_here(store: Any) -> None:
    load_all(store)
    with store.database.transaction() as session:
        site, _ = open_new_site(session, store.now, code="SOUTH", name="South (invented)")
    store.caller = Caller(1, site.id, "stranger", frozenset(Role))
    assert places(load(store, "bays", BAYS)) == [(2, "zone"), (3, "zone")]
    assert load(store, "products", PRODUCTS).created == 2
