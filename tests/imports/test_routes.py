"""Files taken in over HTTP: looked at first, then all or nothing, by whoever may add such things one by one."""

from datetime import date

import pytest
from httpx2 import Response

from builders.api import Api
from builders.grounds import Clock
from builders.rows import table_counts
from builders.store import furnish, imported, product_body
from rimekeep.imports.routes import ROLES
from rimekeep.imports.usecases import KINDS
from rimekeep.platform.database import Database
from rimekeep.web.setup.samples import SAMPLES, sample

CUSTOMERS = (
    "code;name;min_life_days;min_life_fraction\nINN;The inn (invented);30;0,5\nSHOP;The shop (invented);;\n"
)
BAD = "code;name;min_life_days\nINN;The inn (invented);soon\nSHOP;The shop (invented);3\n;Nobody;4\n"


def sent(api: Api, kind: str, text: str, query: str = "", key: str | None = None) -> Response:
    return api.request("POST", f"/v1/imports/{kind}{query}", content=text.encode(), key=key)


def test_every_kind_has_its_roles_and_a_sample() -> None:
    assert set(KINDS) == set(ROLES) == set(SAMPLES)


def test_a_look_stores_nothing_and_shows_how_the_file_was_read(api: Api, database: Database) -> None:
    before = table_counts(database)
    told = sent(api.as_("dispatcher"), "customers", CUSTOMERS, "?dry_run=true").json()
    assert (told["is_stored"], told["rows"], told["good_rows"], told["created"]) == (False, 2, 2, 2)
    assert told["first_rows"][0] == {
        "line": 2,
        "values": {
            **dict.fromkeys(("contact", "phone", "mail", "address"), ""),
            "code": "INN", "name": "The inn (invented)", "min_life_days": "30", "min_life_fraction": "0.5",
            "no_backward_date": "no", "max_lots_per_line": None,
        },
    }  # fmt: skip
    there = {one["name"]: (one["is_required"], one["is_there"]) for one in told["columns"]}
    assert (there["code"], there["min_life_days"], there["phone"]) == (
        (True, True),
        (False, True),
        (False, False),
    )
    assert table_counts(database) == before


def test_with_any_fault_nothing_is_stored_and_every_one_is_named(api: Api, database: Database) -> None:
    before = table_counts(database)
    told = sent(api, "customers", BAD, "?dry_run=true").json()
    assert [(one["line"], one["column"]) for one in told["faults"]] == [(2, "min_life_days"), (4, "code")]
    assert all(one["detail"] and one["mend"] for one in told["faults"])
    assert (told["rows"], told["good_rows"], told["created"]) == (3, 1, 0)
    refused = sent(api, "customers", BAD)
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/import-refused")
    assert [one["field"] for one in refused.json()["errors"]] == ["line 2, min_life_days", "line 4, code"]
    # Half a file that cannot be read at all is told as such.
    assert sent(api, "customers", "nonsense;x\n1;2\n").json()["errors"][0]["field"] == "line 1"
    assert table_counts(database) == before


def test_what_a_use_case_refuses_half_way_is_undone_too(api: Api, database: Database) -> None:
    api.as_("lead").made("/v1/products", product_body("X"))
    before = table_counts(database)
    orders = "order,customer,ship_on,deliver_on,line,sku,cases\nSO-1,GONE,2026-03-17,2026-03-18,1,X-LAGER,4\n"
    for query in ("?dry_run=true", ""):
        assert "GONE" in sent(api, "orders", orders, query).text
    assert table_counts(database) == before


def test_a_file_is_stored_once_and_told_again_under_its_key(api: Api) -> None:
    first = sent(api, "customers", CUSTOMERS, key="the file")
    assert (first.status_code, first.json()["created"], first.json()["is_stored"]) == (200, 2, True)
    again = sent(api, "customers", CUSTOMERS, key="the file")
    assert (again.json(), again.headers["idempotency-replayed"]) == (first.json(), "true")
    assert sent(api, "customers", CUSTOMERS).json()["unchanged"] == 2
    other = CUSTOMERS.replace("30", "20")
    assert sent(api, "customers", other).status_code == 422
    assert sent(api, "customers", other, "?amend=true").json()["amended"] == 1
    assert (
        sent(api, "zones", "code,name,kind,planned_c\n", "?amend=true").json()["errors"][0]["field"]
        == "amend"
    )
    # Another encoding must be named; a JSON file needs none.
    old = CUSTOMERS.replace("The inn", "Der Krüger").replace("INN", "ALT").encode("cp1252")
    assert api.request("POST", "/v1/imports/customers", content=old).status_code == 422
    taken = api.request("POST", "/v1/imports/customers?encoding=cp1252&dry_run=true", content=old).json()
    assert taken["first_rows"][0]["values"]["name"] == "Der Krüger (invented)"
    json_file = api.post("/v1/imports/customers?dry_run=true", [{"code": "NEW", "name": "New (invented)"}])
    assert json_file.json()["created"] == 1


def test_only_qa_releases_by_a_file(api: Api) -> None:
    api.as_("lead").made("/v1/products", product_body("X"))
    lots = "sku,lot,packaged_at,best_before_on,cases_made,released\nX-LAGER,L1,2026-03-01T06:00:00Z,2026-09-01,10,yes\n"
    refused = sent(api.as_("lead"), "lots", lots)
    assert refused.json()["errors"][0]["field"] == "line 2, released"
    assert sent(api.as_("lead"), "lots", lots.replace("yes", "no"), "?dry_run=true").json()["created"] == 1
    assert sent(api.as_("qa"), "lots", lots).json()["created"] == 1


def test_a_file_in_json_of_one_row_is_good_for_every_kind(api: Api, clock: Clock) -> None:
    """What the tests of roles and of odd input send, too."""
    furnish(api, clock.now, "X", "9521234")
    for kind, row in imported("X", clock.now).items():
        told = api.post(f"/v1/imports/{kind}?dry_run=true", row).json()
        assert told.get("faults") == [], (kind, told)
        assert told["rows"] == told["good_rows"] == 1, kind


def test_the_samples_fill_an_empty_store_in_their_order(api: Api, clock: Clock) -> None:
    today: date = clock.now.date()
    for kind in SAMPLES:
        told = sent(api, kind, sample(kind, today))
        assert told.status_code == 200, (kind, told.text)
        assert told.json()["created"] == told.json()["rows"] > 0, kind
    ids = [one["id"] for one in api.ok("GET", "/v1/orders")["items"]]
    served = api.made("/v1/allocations", {"order_ids": ids})
    assert all(line["short"] is None for line in served["lines"])
    assert api.made("/v1/pick-lists", {"order_ids": ids})


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_ten_thousand_rows_with_a_fault_in_each_are_told_in_one_answer(api: Api) -> None:
    rows = "".join(f"P{number},Product {number},keg\n" for number in range(10_000))
    told = sent(api, "products", f"sku,name,package\n{rows}", "?dry_run=true")
    assert told.status_code == 422  # columns that are needed are missing: said once, not row by row
    assert len(told.json()["errors"]) == 1
    orders = "".join(f"SO-{n},GONE,2026-03-17,2026-03-18,1,NONE,4\n" for n in range(10_000))
    told = sent(
        api, "orders", f"order,customer,ship_on,deliver_on,line,sku,cases\n{orders}", "?dry_run=true"
    ).json()
    assert (told["rows"], told["good_rows"]) == (10_000, 0)
    assert {one["line"] for one in told["faults"]} == set(range(2, 10_002))
