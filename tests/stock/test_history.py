"""Where cases have been, followed through every split; and which cases were in a room when."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import update
from sqlmodel import col

from rimekeep.stock import queries
from rimekeep.stock.core.records import Leg
from rimekeep.stock.tables import Stay, Unit


def hours(store: Any, count: float) -> datetime:
    return store.start + timedelta(hours=count)


def at(store: Any, hour: float) -> Any:
    store.now = hours(store, hour)
    return store


def split_twice(store: Any) -> dict[str, Any]:
    """A warm pallet moves at hour 2; 20 cases leave it at 4, and 5 of those at 6 after a move at 5."""
    store.start = store.now
    zones = store.zones
    unit, root = store.pallet(48, received_at=store.now, start_core_c=9.5)
    at(store, 2).act("move_unit", unit_id=unit, zone_id=zones["other"])
    store.bare("reserve_cases", root, 20)
    first = at(store, 4).act("build_unit", zone_id=zones["staging"]).id
    child = store.act("take_cases", content_id=root, cases=20, to_unit_id=first).id
    at(store, 5).act("move_unit", unit_id=first, zone_id=zones["cold"])
    store.bare("return_cases", child, 20)
    store.act("put_back_units", unit_ids=[first])
    store.bare("reserve_cases", child, 5)
    second = at(store, 6).act("build_unit", zone_id=zones["cold"]).id
    grandchild = store.act("take_cases", content_id=child, cases=5, to_unit_id=second).id
    return {"root": root, "child": child, "grandchild": grandchild, "units": (unit, first, second)}


def test_split_cases_carry_their_history_on(store: Any) -> None:
    made = split_twice(store)
    cold, other, staging = (store.zones[name] for name in ("cold", "other", "staging"))
    paths = store.read(queries.paths, None)
    before_split = [Leg(cold, hours(store, 0), hours(store, 2)), Leg(other, hours(store, 2), hours(store, 4))]
    assert paths[made["root"]] == [before_split[0], Leg(other, hours(store, 2), None)]
    on_its_own = [Leg(staging, hours(store, 4), hours(store, 5)), Leg(cold, hours(store, 5), None)]
    assert paths[made["child"]] == [*before_split, *on_its_own]
    # Split within one room: one leg, because the air did not change.
    assert paths[made["grandchild"]] == paths[made["child"]]


def test_the_core_temperature_at_arrival_goes_with_every_split(store: Any) -> None:
    made = split_twice(store)
    keys = [made["root"], made["child"], made["grandchild"]]
    assert store.read(queries.start_core_c, keys) == dict.fromkeys(keys, 9.5)
    _, plain = store.pallet()
    assert store.read(queries.start_core_c, None) == {**dict.fromkeys(keys, 9.5), plain: None}


def test_only_what_is_here_is_followed_unless_asked_for_by_name(store: Any) -> None:
    _, content = store.pallet(10)
    store.act("adjust_cases", content_id=content, cases=0, reason="all broken")
    assert store.read(queries.paths, None) == {}
    assert store.read(queries.paths, []) == {}
    (leg,) = store.read(queries.paths, [content, 999])[content]
    assert leg.left_at == store.now


def test_each_case_is_counted_once_for_the_time_it_was_in_the_room(store: Any) -> None:
    made = split_twice(store)
    unit, first, second = made["units"]
    window = (hours(store, 1), hours(store, 8))

    def present(zone: str) -> list[tuple[int, int, int, float, float]]:
        found = store.read(queries.contents_present, store.zones[zone], *window)
        return [
            (
                row.content_id,
                row.unit_id,
                row.cases,
                *((each - store.start) / timedelta(hours=1) for each in (row.from_at, row.until_at)),
            )
            for row in found
        ]

    assert present("other") == [
        (made["root"], unit, 28, 2, 8),
        (made["child"], first, 15, 2, 4),
        (made["grandchild"], second, 5, 2, 4),
    ]
    assert present("staging") == [(made["child"], first, 15, 4, 5), (made["grandchild"], second, 5, 4, 5)]
    # Twice in the cold room: before and after, with the time between left out.
    spells = {
        row.content_id: row.spells
        for row in store.read(queries.contents_present, store.zones["cold"], *window)
    }
    early, late = (hours(store, 1), hours(store, 2)), (hours(store, 5), hours(store, 8))
    assert spells == {made["root"]: (early,), made["child"]: (early, late), made["grandchild"]: (early, late)}


def test_who_left_as_the_window_opened_or_came_as_it_closed_was_not_present(store: Any) -> None:
    store.start = store.now
    unit, _ = store.pallet(10, received_at=store.now)
    at(store, 2).act("move_unit", unit_id=unit, zone_id=store.zones["other"])
    cold, other = store.zones["cold"], store.zones["other"]
    assert store.read(queries.contents_present, cold, hours(store, 2), hours(store, 3)) == []
    assert store.read(queries.contents_present, other, hours(store, 1), hours(store, 2)) == []
    assert len(store.read(queries.contents_present, cold, hours(store, 1), hours(store, 3))) == 1


def test_contradictions_are_found(store: Any) -> None:
    (first, _), (second, _) = store.pallet(), store.pallet()
    assert store.disagreements() == []
    with store.database.transaction() as session:
        session.execute(update(Unit).where(col(Unit.id) == first).values(zone_id=store.zones["other"]))
        session.execute(update(Stay).where(col(Stay.unit_id) == second).values(left_at=store.now))
    found = store.disagreements()
    assert len(found) == 2
    assert "its stay in zone" in "".join(found)
    assert "stays nowhere" in "".join(found)
