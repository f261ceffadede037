"""Whatever is done to orders in whatever sequence, reservations, allocations, picks and stock agree to the case."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.orders import make_customer, make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.errors import RimekeepError
from rimekeep.orders.core.records import LineChange, OrderChange
from rimekeep.orders.tables import OrderLine, SalesOrder
from rimekeep.picking import usecases
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.picking.tables import Allocated, Pick, PickList
from rimekeep.picking.usecases import Chosen
from rimekeep.platform.database import Database
from rimekeep.stock.queries import stays_that_disagree
from rimekeep.stock.tables import Bay, Product, Unit, UnitContent

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TODAY = NOW.date()
WHY = "as it goes (invented)"
MAY = ("open", "allocated", "picked")


def machine(database: Database, office: Caller, picker: Caller) -> type[RuleBasedStateMachine]:
    """Return a machine that works on this database; every example opens products and orders of its own."""

    class Orders(RuleBasedStateMachine):
        def __init__(self) -> None:
            super().__init__()
            self.orders: list[int] = []
            self.total = 0

        def act(self, work: Callable[[Session], Any]) -> Any:
            """Do something in a transaction of its own; a rule of the trade may refuse it, and then nothing is done."""
            try:
                with database.transaction() as session:
                    return work(session)
            except RimekeepError:
                return None

        @initialize(
            pallets=st.lists(st.tuples(st.integers(20, 120), st.integers(3, 30)), min_size=2, max_size=4)
        )
        def stock(self, pallets: list[tuple[int, int]]) -> None:
            with database.transaction() as session:
                # What an earlier example left on lists is not handed out in this one.
                unfinished = select(PickList.order_id).where(PickList.state != "done").distinct()
                for order_id in session.scalars(unfinished).all():
                    usecases.cancel_order(session, NOW, office, order_id=order_id, reason=WHY)
                self.products = [make_product(session, NOW, office).id for _ in range(2)]
                zone = make_zone(session, NOW, office)
                for number, (days, cases) in enumerate(pallets):
                    product = session.get_one(Product, self.products[number % 2])
                    lot = make_lot(
                        session, NOW, office, product, packaged_at=NOW - timedelta(days=30),
                        best_before_on=TODAY + timedelta(days=days),
                    )  # fmt: skip
                    bay = make_bay(session, NOW, office, zone)
                    make_unit(session, NOW, office, lot, bay=bay, cases=cases)
                self.total = session.scalar(select(func.sum(UnitContent.cases))) or 0

        @rule(
            cases=st.tuples(st.integers(1, 40), st.integers(0, 30)),
            days=st.sampled_from((0, 0, 10, 30)),
            careful=st.booleans(),
            how_far=st.integers(0, 4),
        )
        def place(self, cases: tuple[int, int], days: int, careful: bool, how_far: int) -> None:
            def work(session: Session) -> int:
                customer = make_customer(session, NOW, office, min_life_days=days, no_backward_date=careful)
                wanted = {product: some for product, some in zip(self.products, cases, strict=True) if some}
                return make_order(session, NOW, office, wanted, customer).id

            self.orders.append(self.act(work))
            if how_far:
                self.allocate(len(self.orders) - 1, how_far > 1)
            if how_far > 2:
                self.pick(how_far - 2)

        def one(self, number: int) -> int:
            return self.orders[number % len(self.orders)]

        @precondition(lambda self: self.orders)
        @rule(number=st.integers(0, 9), with_lists=st.booleans())
        def serve(self, number: int, with_lists: bool) -> None:
            self.allocate(number, with_lists)

        def allocate(self, number: int, with_lists: bool) -> None:
            order_id = self.one(number)
            self.act(
                lambda session: usecases.allocate_orders(session, NOW, office, Chosen(order_ids=[order_id]))
            )
            if with_lists:
                self.act(lambda session: usecases.make_pick_lists(session, NOW, office, order_ids=[order_id]))

        @precondition(lambda self: self.orders)
        @rule(stops=st.integers(0, 3))
        def pick_some(self, stops: int) -> None:
            self.pick(stops)

        def pick(self, stops: int) -> None:
            task = self.act(lambda session: usecases.take_next_list(session, NOW, picker, lease_s=600))
            for one in [pick for pick in task.picks if pick.state == "open"][:stops] if task else ():
                self.act(
                    lambda session, one=one: usecases.confirm_pick(
                        session, NOW, picker, pick_id=one.id, scan="00" + one.sscc, cases=one.cases, lease_s=600,
                        bay_check_code=session.scalar(select(Bay.check_code).where(Bay.code == one.bay_code)),
                    )
                )  # fmt: skip

        @precondition(lambda self: self.orders)
        @rule(
            number=st.integers(0, 9),
            line_no=st.integers(1, 3),
            cases=st.integers(0, 45),
            deliver=st.none() | st.integers(1, 70),
        )
        def amend(self, number: int, line_no: int, cases: int, deliver: int | None) -> None:
            order_id = self.one(number)

            def work(session: Session) -> None:
                known = session.scalar(
                    select(OrderLine.product_id).where(
                        OrderLine.order_id == order_id, OrderLine.line_no == line_no
                    )
                )
                head = {} if deliver is None else {"deliver_on": TODAY + timedelta(days=deliver)}
                change = LineChange(line_no, known or self.products[0], cases, told=frozenset({"cases"}))
                usecases.amend_order(
                    session, NOW, office, order_id=order_id, change=OrderChange(head, [change]), reason=WHY
                )

            self.act(work)

        @precondition(lambda self: self.orders)
        @rule(number=st.integers(0, 9), cases=st.integers(1, 30))
        def release(self, number: int, cases: int) -> None:
            def work(session: Session) -> None:
                line_id = session.scalar(
                    select(OrderLine.id).where(OrderLine.order_id == self.one(number)).limit(1)
                )
                usecases.release_cases(session, NOW, office, line_id, cases, WHY)

            self.act(work)

        @rule()
        def put_back(self) -> None:
            def work(session: Session) -> None:
                found = session.execute(
                    select(Allocated.id, Unit.sscc)
                    .join(UnitContent, UnitContent.id == Allocated.content_id)
                    .join(Unit, Unit.id == UnitContent.unit_id)
                    .where(Allocated.state == "surplus")
                ).first()
                if found is not None:
                    usecases.confirm_put_back(
                        session, NOW, picker, put_back_id=found[0], scan="00" + found[1]
                    )

            self.act(work)

        @precondition(lambda self: self.orders)
        @rule(number=st.integers(0, 9), is_meant=st.sampled_from((False, False, True)))
        def cancel(self, number: int, is_meant: bool) -> None:
            if not is_meant:
                return
            self.act(
                lambda session: usecases.cancel_order(
                    session, NOW, office, order_id=self.one(number), reason=WHY
                )
            )

        @invariant()
        def all_agree(self) -> None:
            with database.transaction(readonly=True) as session:
                assert list(reservations_that_disagree(session, office.site_id)) == []
                assert list(stays_that_disagree(session, office.site_id)) == []
                assert session.scalar(select(func.coalesce(func.sum(UnitContent.cases), 0))) == self.total
                promised, held = (
                    session.scalar(select(func.coalesce(func.sum(column), 0)).where(*where))
                    for column, where in (
                        (UnitContent.reserved_cases, ()),
                        (Allocated.cases, (Allocated.state != "returned",)),
                    )
                )
                assert promised == held
                for order in session.scalars(select(SalesOrder).where(SalesOrder.id.in_(self.orders))):
                    self.state_fits(session, order)

        @staticmethod
        def state_fits(session: Session, order: SalesOrder) -> None:
            """An open or cancelled order holds nothing, a picked one has nothing left to pick."""
            rows = session.execute(
                select(Allocated.state, func.sum(Allocated.cases))
                .join(OrderLine, OrderLine.id == Allocated.line_id)
                .where(OrderLine.order_id == order.id, Allocated.state != "returned")
                .group_by(Allocated.state)
            )
            held = {row[0]: row[1] for row in rows}
            if order.state == "cancelled":
                assert not held
            elif order.state == "open":
                assert not held.keys() & {"reserved", "picked"}
            elif order.state == "picked":
                assert "reserved" not in held
                assert "picked" in held
            else:
                assert "reserved" in held
            assert order.state in {"cancelled", *MAY}
            asked = session.scalar(
                select(func.count()).select_from(Pick).join(PickList, PickList.id == Pick.list_id)
                .where(PickList.order_id == order.id, Pick.state == "open")
            )  # fmt: skip
            assert asked == 0 or order.state == "allocated"

    return Orders


def run(api: Api, database: Database, examples: int, steps: int) -> None:
    run_state_machine_as_test(
        machine(database, api.callers["lead"], api.callers["picker"]),
        settings=settings(
            max_examples=examples, stateful_step_count=steps, deadline=None, database=None, derandomize=True,
            phases=(Phase.explicit, Phase.generate, Phase.shrink), suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_stock_is_right_to_the_case_after_any_sequence(api: Api, database: Database) -> None:
    run(api, database, examples=4, steps=15)


@pytest.mark.slow
def test_stock_is_right_to_the_case_after_very_many_sequences(api: Api, database: Database) -> None:
    run(api, database, examples=25, steps=40)
