"""What is to be different about an order, and what becomes of the stock that served it."""

from typing import Annotated

from pydantic import Field, model_validator

from rimekeep.orders.schemas import Day, LifeDays, LifeFraction, Priority, Reference
from rimekeep.platform.schemas import Body, Id, Reason, View, wrong
from rimekeep.wording import say


class LineChangeIn(Body):
    """What is to be different about one line; a number the order does not have yet adds a line."""

    line_no: Annotated[int, Field(ge=1, le=1000, strict=True)]
    product_id: Id | None = Field(None, description="Of a new line; a line there keeps its product.")
    cases: Annotated[int, Field(ge=0, le=100_000, strict=True)] | None = Field(
        None, description="How many it wants now; 0 takes the line off the order."
    )
    min_life_days: LifeDays | None = Field(None, description="null: the customer's own rule.")
    min_life_fraction: LifeFraction | None = Field(None, description="null: the customer's own rule.")


class OrderChangeIn(Body):
    """What is to be different about an order; what is left out stays."""

    reason: Reason
    ship_on: Day | None = None
    deliver_on: Day | None = None
    priority: Priority | None = None
    drop_id: Id | None = Field(None, description="One of the customer's places; null: their own address.")
    external_reference: Reference | None = None
    lines: list[LineChangeIn] = Field([], max_length=1000)

    @model_validator(mode="after")
    def change_something(self) -> "OrderChangeIn":
        """Ask for one fact at least, and for facts where null means nothing."""
        said = self.model_fields_set - {"reason"}
        if not said or (said == {"lines"} and not self.lines):
            raise wrong("nothing is to be changed", "Give the fields that are to be different.")
        for name in ("ship_on", "deliver_on", "priority", "external_reference"):
            if name in said and getattr(self, name) is None:
                raise wrong(say("{name} cannot be null", name=name), "Give it, or leave it out to keep it.")
        return self


class GivenBackOut(View):
    """Cases that serve a line no longer, or no longer within its rules."""

    line_no: int
    cases: int
    was: str = Field(description="reserved or picked.")
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    reason: str
    is_free: bool = Field(description="false: they are still on the order's unit.")
    is_picker_told: bool = Field(description="A picker had them on a list, and is told on the pick.")


class PutBackTaskOut(View):
    """Picked cases nobody wants any more: somebody takes them off the order's unit."""

    id: int
    order_id: int
    order_code: str
    line_no: int
    unit_id: int
    sscc: str = Field(description="The unit to take them off.")
    zone_id: int
    lot_code: str
    sku: str
    cases: int


class PutBackOut(View):
    """Where the cases are now, free for anybody."""

    id: int
    cases: int
    from_sscc: str
    to_unit_id: int
    to_sscc: str = Field(description="The unit of their own; it gets its label.")
