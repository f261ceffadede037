"""Weight rules of jurisdictions: the law's figures, and plans held to them in every state."""

import json
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from builders.api import Api
from builders.fleets import CENTRE_AXLE, FULL_TRAILER, RIGID, SEMI, TANDEM, load, pallets
from builders.loads import DAY, few, instance, make_day, truck_of
from rimekeep.cli.plan_load import plan_load
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.gear import Law
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.profile_form import profiles_from
from rimekeep.loading.core.request import load_request
from rimekeep.platform.database import Database

POUND_KG = 0.45359237
INCH_MM, FOOT_MM = 25.4, 304.8
FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"
RECORDS = json.loads((FIXTURES / "laws_and_statics.json").read_text("utf-8"))["records"]
BRIDGE = [record for record in RECORDS if record["topic"] == "US bridge formula"]
# A truck of five axles: 52 in between the axles of both tandems, 51 ft from first to last axle.
FIVE_AXLES: dict[str, Any] = {
    "name": "five axles (invented)",
    "d_k_mm": 900,
    "L_s_mm": 51 * FOOT_MM - 26 * INCH_MM - 5000,
    "WB_mm": 5200,
    "e_mm": 200,
    "F0_kg": 5000,
    "D0_kg": 4800,
    "B0_kg": 4500,
    "drive_axles": 2,
    "drive_spacing_in": 52,
    "bogie_axles": 2,
    "bogie_spacing_in": 52,
    "front_max_kg": 9500,
    "drive_max_kg": 20_000,
    "bogie_max_kg": 20_000,
    "K_max_kg": 20_000,
    "payload_max_kg": 30_000,
    "gross_max_kg": 50_000,
    "rows": [{"x_mm": 600 + 1200 * r, "lanes": 2} for r in range(12)],
}


def _request(truck: dict[str, Any], goods: list[dict[str, Any]], profile: str | None) -> Any:
    return load_request(load([truck], goods, weight_profile=profile))


@pytest.mark.parametrize("record", BRIDGE, ids=lambda record: record["id"])
def test_bridge_limit_of_a_run_is_the_tables(record: dict[str, Any]) -> None:
    """23 U.S.C. 127(a)(2): the run of N axles over L feet, placed as one vehicle's axles."""
    from rimekeep.loading.core.highway import run_max_lb

    axles, feet = record["given"]["axles"], record["given"]["feet"]
    if record["given"].get("two_tandems"):
        x_ft = [0, 4, feet - 4, feet]
    else:
        x_ft = [feet * k / (axles - 1) for k in range(axles)]
    assert run_max_lb([x * FOOT_MM for x in x_ft]) == record["expected"]
    # Up to the next foot it is the same row of the table.
    longer = [*x_ft[:-1], feet + 0.9]
    if not record["given"].get("two_tandems"):
        assert run_max_lb([x * FOOT_MM for x in longer]) == record["expected"]


@pytest.mark.parametrize(("inches", "pounds"), [(40, 20_000), (41, 34_000), (96, 34_000), (97, 38_000)])
def test_two_axles_are_a_single_a_tandem_or_a_bridge_by_their_distance(inches: float, pounds: int) -> None:
    """23 CFR 658.5 (from memory): above 40 in and up to 96 in a tandem; above 8 ft the table says 38,000 lb."""
    from rimekeep.loading.core.highway import run_max_lb

    assert run_max_lb([0, inches * INCH_MM]) == pounds


def _over(truck: dict[str, Any], axle_lb: list[float]) -> bool:
    """Judge five axles by the law's formula, run by run, with tandems and the exception for two of them."""
    base = truck["WB_mm"] / FOOT_MM
    last = base + (truck["L_s_mm"] - truck["e_mm"]) / FOOT_MM
    half = 26 / 12
    x = [0, base - half, base + half, last - half, last + half]
    for i, j in combinations(range(5), 2):
        n, feet = j - i + 1, int(x[j] - x[i] + 1e-9)
        limit = 500 * -(-(feet * n / (n - 1) + 12 * n + 36 - 0.5) // 1)
        if (i, j) in ((1, 2), (3, 4)):
            limit = 34_000
        if (i, j) == (1, 4) and feet >= 36:
            limit = max(limit, 68_000)
        if sum(axle_lb[i : j + 1]) > min(limit, 80_000) + 1e-6:
            return True
    return any(one > 20_000 for one in axle_lb)


@pytest.mark.parametrize("length_ft", [38, 44, 51])
@pytest.mark.parametrize("kg", [700, 900, 950, 1000, 1100])
def test_plan_under_the_bridge_formula_is_legal_run_by_run(length_ft: int, kg: float) -> None:
    """Every state's axle loads are put to the formula by hand; what the checker passes is legal, and back."""
    truck = FIVE_AXLES | {"L_s_mm": length_ft * FOOT_MM - 26 * INCH_MM - 5000}
    truck["rows"] = truck["rows"][: 9 if length_ft < 44 else 12]
    goods = [*pallets("A", 8, kg), *pallets("B", 8, kg)]
    request = _request(truck, goods, "us-interstate")
    placed = [(f"P{k}", 7 - k // 2, k % 2) for k in range(16)]
    vehicle = vehicle_plan(request, [Placement(*one) for one in placed])
    is_over = False
    for state in vehicle.states:
        front, drive, bogie = (state.load_kg(name) / POUND_KG for name in ("front", "drive", "bogie"))
        loads = [front, drive / 2, drive / 2, bogie / 2, bogie / 2]
        is_over = is_over or _over(truck, loads) or sum(loads) > 80_000
    found = {one.kind for one in check_plan(request, [placed])}
    assert bool(found) == is_over, found
    plan = plan_loads(request)
    if plan.status != "infeasible":
        assert check_plan(request, plan.placed) == []


def test_five_axles_51_feet_apart_may_weigh_80_000_lb() -> None:
    request = _request(FIVE_AXLES, pallets("A", 1, 300), "us-interstate")
    assert request.truck.gross_max_kg == pytest.approx(80_000 * POUND_KG, abs=0.001)


@pytest.mark.parametrize(
    ("truck", "gross_kg", "limits"),
    [
        (RIGID | {"rear_axles": 1}, 18_000, {}),
        (RIGID | {"rear_axles": 1, "rear_max_kg": 13_000}, 18_000, {"rear": 11_500}),
        (TANDEM | {"gross_max_kg": 30_000, "rear_max_kg": 20_000}, 25_000, {"rear": 18_000}),
        (
            TANDEM | {"gross_max_kg": 30_000, "rear_max_kg": 20_000, "is_road_friendly": True},
            26_000,
            {"rear": 19_000},
        ),
        (TANDEM | {"rear_spacing_mm": 1299, "gross_max_kg": 30_000}, 25_000, {"rear": 16_000}),
        (SEMI | {"drive_axles": 1, "bogie_axles": 1, "gross_max_kg": 44_000}, 28_000, {}),
        (
            SEMI
            | {
                "drive_axles": 1, "bogie_axles": 3, "bogie_spacing_mm": 1310, "gross_max_kg": 44_000,
                "bogie_max_kg": 27_000, "drive_max_kg": 13_000,
            },
            40_000,
            {"drive": 11_500, "bogie": 24_000},
        ),
        (
            SEMI
            | {
                "drive_axles": 1, "bogie_axles": 3, "bogie_spacing_mm": 1300, "gross_max_kg": 44_000,
                "bogie_max_kg": 27_000,
            },
            40_000,
            {"bogie": 21_000},
        ),
        (
            SEMI
            | {
                "drive_axles": 1, "bogie_axles": 2, "bogie_spacing_mm": 1810, "gross_max_kg": 44_000,
                "bogie_max_kg": 22_000, "is_road_friendly": True,
            },
            38_000,
            {"bogie": 20_000},
        ),
        (
            SEMI | {"drive_axles": 1, "bogie_axles": 2, "bogie_spacing_mm": 1310, "gross_max_kg": 44_000},
            36_000,
            {},
        ),
        (CENTRE_AXLE | {"rear_axles": 1, "gross_max_kg": 44_000}, 36_000, {}),
        (FULL_TRAILER | {"rear_axles": 1, "gross_max_kg": 44_000}, 36_000, {}),
    ],
)  # fmt: skip
def test_directive_bounds_gross_weight_and_axle_groups(
    truck: dict[str, Any], gross_kg: float, limits: dict[str, float]
) -> None:
    """Directive 96/53/EC, Annex I; see fixtures/checks/loads for which values were read where."""
    held = _request(truck, pallets("A", 1, 300), "eu").truck
    assert held.gross_max_kg == gross_kg
    assert {limit.name.removesuffix(" (eu)"): limit.max_kg for limit in held.limits} == limits
    assert held.drive_min_share_pct == 25


def test_profile_never_raises_what_the_plate_allows() -> None:
    held = _request(RIGID | {"rear_axles": 1, "gross_max_kg": 12_000}, pallets("A", 1, 300), "nl").truck
    assert held.gross_max_kg == 12_000
    assert held.limits == ()


def test_national_rules_differ_where_the_table_does() -> None:
    truck = RIGID | {"rear_axles": 1, "gross_max_kg": 30_000, "rear_max_kg": 14_000}
    found = {
        country: _request(truck, pallets("A", 1, 300), country).truck for country in ("at", "be", "de", "nl")
    }
    assert {country: held.gross_max_kg for country, held in found.items()} == {
        "at": 18_000, "be": 19_000, "de": 18_000, "nl": 21_500,
    }  # fmt: skip
    assert found["be"].limits[0].max_kg == 12_000
    assert found["de"].limits[0].max_kg == 11_500


def test_axle_over_the_roads_limit_after_a_drop_is_found_and_planned_around() -> None:
    """
    Instance s4: one truck is legal at departure and not after the first drop, by a drive axle of 7000 kg.

    Here the plate allows 9500 kg and the road's law 7000.
    """
    deck = json.loads((FIXTURES / "deck_s4_axle_after_drop.json").read_text("utf-8"))
    rules = {
        "id": "place", "title": "A place", "source": "invented",
        "gross": [{"vehicle": "any", "axles": [2, 9], "max_kg": 40_000}],
        "groups": [
            {"role": "drive", "axles": 1, "max_kg": 7000}, {"role": "steer", "axles": 1, "max_kg": 10_000},
            {"role": "trailer", "axles": 1, "max_kg": 10_000},
        ],
    }  # fmt: skip
    deck["truck"] |= {"drive_max_kg": 9500, "drive_axles": 1, "bogie_axles": 1}
    front_first = sorted(deck["pallets"], key=lambda p: p["id"], reverse=True)
    plan = [[(pallet["id"], k // 2, k % 2) for k, pallet in enumerate(front_first)]]
    assert check_plan(load_request(deck), plan) == []
    deck["rules"]["weight_profile"] = "place"
    request = load_request(deck | {"weight_profiles": [rules]})
    found = check_plan(request, plan)
    assert {(one.kind, one.after_stop) for one in found} == {("drive (place)", "A")}
    planned = plan_loads(request)
    assert (planned.status, len(planned.vehicles)) == ("optimal", deck["expected"]["trucks"])
    assert check_plan(request, planned.placed) == []


@pytest.mark.parametrize(
    ("truck", "field"),
    [
        (RIGID, "trucks[0].rear_axles"),
        (SEMI | {"bogie_axles": 1}, "trucks[0].drive_axles"),
        (SEMI | {"drive_axles": 1}, "trucks[0].bogie_axles"),
        (SEMI | {"drive_axles": 1, "bogie_axles": 2}, "trucks[0].bogie_spacing_mm"),
        (SEMI | {"drive_axles": 1, "bogie_axles": 3, "bogie_spacing_mm": 1500}, "trucks[0]"),
    ],
)
def test_vehicle_without_what_the_rules_go_by_is_told_what_is_missing(
    truck: dict[str, Any], field: str
) -> None:
    with pytest.raises(Invalid) as caught:
        _request(truck, pallets("A", 1, 300), "eu")
    assert field in [fault.field for fault in caught.value.faults]


def test_unknown_rules_are_refused_with_those_there_are() -> None:
    with pytest.raises(Invalid, match="Give one of at, be, de, eu, nl, us-interstate"):
        _request(RIGID, pallets("A", 1, 300), "moon")


PLACE: dict[str, Any] = {
    "id": "island",
    "title": "An island (invented)",
    "source": "invented",
    "gross": [{"vehicle": "any", "axles": [2, 9], "max_lb": 30_000}],
    "groups": [{"role": "any", "axles": 1, "max_lb": 20_000}],
}


def test_two_files_that_clash_are_refused_by_name() -> None:
    other = PLACE | {"groups": [{"role": "any", "axles": 1, "max_lb": 21_000}]}
    with pytest.raises(Invalid, match=r"two\.json: profiles\[0\]\.id: .*'island'.*said in one\.json too"):
        profiles_from([("one.json", PLACE), ("two.json", other)])
    with pytest.raises(Invalid, match="the built-in ones too"):
        profiles_from([("one.json", PLACE | {"id": "eu"})])
    same = profiles_from([("one.json", PLACE), ("two.json", {"profiles": [PLACE]})])
    assert same["island"].gross[0].max_kg == pytest.approx(30_000 * POUND_KG, abs=0.001)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"gross": []}, "gross"),
        ({"source": ""}, "source"),
        ({"gross": [{"vehicle": "bus", "axles": 2, "max_kg": 1}]}, "gross[0].vehicle"),
        ({"gross": [{"vehicle": "any", "axles": [3, 2], "max_kg": 1}]}, "gross[0].axles"),
        ({"gross": [{"vehicle": "any", "axles": 2, "max": 1}]}, "gross[0].max"),
        ({"groups": [{"role": "any", "axles": 1, "max_kg": 1, "max_lb": 2}]}, "groups[0].max_lb"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_rules_that_cannot_be_meant_are_refused_by_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        profiles_from([("file", PLACE | change)])
    assert f"file: profiles[0].{field}" in [fault.field for fault in caught.value.faults]


def test_command_takes_rules_from_files_and_refuses_a_clash(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nine tonnes of goods on 7.5 t of truck are over the island's 30,000 lb (13,608 kg)."""
    truck = RIGID | {"payload_max_kg": 10_000, "front_max_kg": 10_000, "rear_axles": 1}
    files = {
        "load": load([truck], pallets("A", 6, 1500), weight_profile="island"),
        "free": load([truck], pallets("A", 6, 1500)),
        "rules": PLACE,
        "clash": PLACE | {"title": "Another"},
    }
    paths = {name: tmp_path / f"{name}.json" for name in files}
    for name, data in files.items():
        paths[name].write_text(json.dumps(data), "utf-8")
    plan_load(paths["load"], as_json=True, rules=[paths["rules"]])
    assert json.loads(capsys.readouterr().out)["trucks"] == 2
    plan_load(paths["free"], as_json=True)
    assert json.loads(capsys.readouterr().out)["trucks"] == 1
    with pytest.raises(Invalid, match=r"clash\.json: profiles\[0\]\.id"):
        plan_load(paths["load"], rules=[paths["rules"], paths["clash"]])


def test_loads_are_secured_by_the_rules_of_the_place_the_plan_is_for() -> None:
    """49 CFR 393 where 23 U.S.C. 127 holds, EN 12195-1 under the Directive and where nobody said."""
    own = {
        "id": "island", "title": "An island", "source": "invented", "securing": "us",
        "gross": [{"vehicle": "any", "axles": [2, 9], "max_kg": 40_000}],
        "groups": [{"role": "any", "axles": 1, "max_kg": 10_000}],
    }  # fmt: skip
    goods, truck = pallets("A", 2, 900), RIGID | {"rear_axles": 1}
    laws = {name: _request(truck, goods, name).rules.law for name in (None, "eu", "de", "us-interstate")}
    assert laws == {None: Law.EU, "eu": Law.EU, "de": Law.EU, "us-interstate": Law.US}
    asked = load([truck], goods, weight_profile="island")
    assert load_request(asked | {"weight_profiles": [own]}).rules.law == Law.US
    with pytest.raises(Invalid) as refusal:
        load_request(asked | {"weight_profiles": [own | {"securing": "rope"}]})
    assert [fault.field for fault in refusal.value.faults] == ["weight_profiles: profiles[0].securing"]


def test_the_loading_sheet_and_the_trip_say_that_law(api: Api, database: Database, clock: Any) -> None:
    deck = few(instance("deck_s1_basic"))
    truck = truck_of(deck) | {"drive_axles": 1, "bogie_axles": 1}
    day = make_day(api, database, clock.now, deck)
    api.made("/v1/vehicles", {"code": "T1", "name": "Truck 1 (invented)", "truck": truck})
    desk = api.as_("dispatcher")
    asked = {"ship_on": DAY.isoformat(), "drops": day.drops}
    told = {}
    for profile in ("eu", "us-interstate"):
        made = desk.made("/v1/load-plans", asked | {"weight_profile": profile})
        path = f"/v1/trips/{made['trips'][0]['id']}"
        held = desk.ok("GET", f"{path}/securing")
        told[profile] = (held["law"], held["edition"], desk.get(f"{path}/sheet").text)
    for profile, law, title, gear in (
        ("eu", "eu", "EN 12195-1", "300 daN standard tension"),
        ("us-interstate", "us", "49 CFR 393", "3,333 lb working load limit"),
    ):
        assert told[profile][0] == law
        for words in (title, gear):
            assert words in told[profile][2]
        assert told[profile][1] in told[profile][2]
