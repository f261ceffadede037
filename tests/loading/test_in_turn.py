"""Who binds vehicles and orders keeps others from changing them meanwhile."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import text

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, Day, few, instance, make_day, register_fleet
from rimekeep.loading import usecases
from rimekeep.platform.database import Database

DECK = few(instance("deck_s1_basic"), stops=3, each=2)


def three_orders(api: Api, database: Database, clock: Clock) -> tuple[Day, list[int]]:
    return make_day(api, database, clock.now, DECK), register_fleet(api, DECK, 1)


GROUNDS = {"made": three_orders}


@pytest.fixture
def made(database: Database, ground: Any) -> tuple[Day, list[int]]:
    if database.engine.dialect.name == "sqlite":
        pytest.skip("writers take turns there anyway")
    return ground  # type: ignore[no-any-return]


def draft(api: Api, day: Day) -> int:
    body = {"ship_on": DAY.isoformat(), "drops": day.drops[:2]}
    return int(api.as_("dispatcher").made("/v1/load-plans", body)["id"])


def is_free(database: Database, table: str, row_id: int) -> bool:
    """Tell whether another transaction could change a row now."""
    with database.transaction() as session:
        asked = text(f"SELECT id FROM {table} WHERE id = :id FOR NO KEY UPDATE SKIP LOCKED")
        return session.execute(asked, {"id": row_id}).first() is not None


def test_a_vehicle_is_not_corrected_while_a_plan_with_it_is_confirmed(
    api: Api, database: Database, clock: Clock, made: tuple[Day, list[int]]
) -> None:
    day, (vehicle,) = made
    plan_id = draft(api, day)
    with database.transaction() as session:
        usecases.confirm_plan(session, clock.now, api.callers["dispatcher"], plan_id)
        assert not is_free(database, "vehicle", vehicle)
    assert is_free(database, "vehicle", vehicle)


def test_a_plan_is_not_confirmed_while_its_vehicle_is_taken_out_of_use(
    api: Api, database: Database, clock: Clock, made: tuple[Day, list[int]]
) -> None:
    _, (vehicle,) = made
    with database.transaction() as session:
        usecases.deactivate_vehicle(session, clock.now, api.callers["dispatcher"], vehicle)
        session.flush()
        assert not is_free(database, "vehicle", vehicle)
    with database.transaction() as session:
        # Out of use already: nothing is written, and the answer holds as long as it is asked.
        usecases.deactivate_vehicle(session, clock.now, api.callers["dispatcher"], vehicle)
        assert not is_free(database, "vehicle", vehicle)


def test_orders_are_not_picked_for_or_cancelled_while_they_join_a_plan(
    api: Api, database: Database, clock: Clock, made: tuple[Day, list[int]]
) -> None:
    day, _ = made
    plan_id = draft(api, day)
    caller, compute = api.callers["dispatcher"], api.app.state.compute
    with database.transaction() as session:
        usecases.amend_plan(session, clock.now, caller, compute, plan_id=plan_id, orders=day.drops[2:])
        assert not any(is_free(database, "sales_order", order_id) for order_id in day.drops)
    assert all(is_free(database, "sales_order", order_id) for order_id in day.drops)
    with database.transaction(readonly=True) as session:
        usecases.amend_plan(session, clock.now, caller, compute, plan_id=plan_id, only_preview=True)
        assert all(is_free(database, "sales_order", order_id) for order_id in day.drops)
