"""The figures of a recall: how many cases stand where, how many customers have how many."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from rimekeep.tracing.recall.core.reconcile import Accounted
from rimekeep.tracing.recall.core.records import Delivery, Source, Stopped
from rimekeep.tracing.recall.core.states import Place

# Lots and customers a notice names; it counts them all.
NEWS = 200


def figures(
    source: Source, there: Sequence[Stopped], gone: Sequence[Delivery], counted: Accounted
) -> dict[str, Any]:
    """Return the figures in plain JSON."""
    by_place: Counter[str] = Counter()
    for one in there:
        by_place[one.place] += one.cases
    return {
        "lots": len(source.lot_ids),
        "cases_by_place": {str(place): by_place[place] for place in Place},
        "units_here": len({one.unit_id for one in there}),
        "customers": len({one.customer_id for one in gone}),
        "deliveries": len(gone),
        "delivered_cases": sum(one.cases for one in gone if one.off_at is not None),
        "on_the_way_cases": sum(one.cases for one in gone if one.off_at is None),
        "made_cases": counted.made,
        "adjusted_cases": counted.adjusted,
        "missing_cases": counted.missing,
        "accounted_share": counted.share,
    }


def trips_to_call(there: Sequence[Stopped], gone: Sequence[Delivery]) -> list[dict[str, Any]]:
    """Return the trucks on the road with recalled cases on board: their drivers have to be called."""
    found: dict[int, dict[str, Any]] = {}
    aboard = [
        (one.trip_id, one.vehicle, one.sscc, one.cases, one.drop_no) for one in gone if one.off_at is None
    ]
    aboard += [
        (one.trip_id or 0, one.vehicle or "", one.sscc, one.cases, 0)
        for one in there
        if one.place == Place.ON_THE_ROAD
    ]
    for trip_id, vehicle, sscc, cases, drop in aboard:
        trip = found.setdefault(
            trip_id, {"trip_id": trip_id, "vehicle": vehicle, "cases": 0, "ssccs": set(), "drops": set()}
        )
        trip["cases"] += cases
        trip["ssccs"].add(sscc)
        trip["drops"] |= {drop} - {0}
    return [
        {**trip, "ssccs": sorted(trip["ssccs"]), "drops": sorted(trip["drops"])}
        for _, trip in sorted(found.items())
    ]


def trips_to_unload(there: Sequence[Stopped]) -> list[dict[str, Any]]:
    """Return the trucks at the dock with recalled units on board, which cannot depart with them."""
    found: dict[int, dict[str, Any]] = {}
    for one in there:
        if one.place == Place.LOADED and one.trip_id is not None:
            trip = found.setdefault(
                one.trip_id,
                {"trip_id": one.trip_id, "vehicle": one.vehicle or "", "cases": 0, "ssccs": set()},
            )
            trip["cases"] += one.cases
            trip["ssccs"].add(one.sscc)
    return [{**trip, "ssccs": sorted(trip["ssccs"]), "drops": []} for _, trip in sorted(found.items())]


def by_customer(gone: Sequence[Delivery], codes: dict[int, str]) -> list[dict[str, Any]]:
    """Return how much of which lots each customer has; whom to call stays out of what is sent around."""
    cases: Counter[int] = Counter()
    lots: dict[int, set[str]] = {}
    for one in gone:
        cases[one.customer_id] += one.cases
        lots.setdefault(one.customer_id, set()).add(one.lot_code)
    return [
        {
            "customer_id": key,
            "customer": codes[key],
            "cases": cases[key],
            "lots": sorted(lots[key])[:NEWS],
        }
        for key in sorted(cases)[:NEWS]
    ]
