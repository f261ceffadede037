"""Requests and responses about what customers want of single products, and where they are delivered."""

from datetime import time
from typing import Annotated

from pydantic import AfterValidator, Field, PlainSerializer, model_validator

from rimekeep.orders.schemas import FRACTION_WORDS, LifeDays, LifeFraction, LotCap
from rimekeep.platform.schemas import Body, Code, Id, Name, Reason, Text, View, wrong
from rimekeep.wording import say


def _to_minutes(value: time) -> time:
    if value.tzinfo is not None or value.second or value.microsecond:
        raise wrong("it is no plain time of day", "Write hours:minutes of the place's own clock: 06:30.")
    return value


Clock = Annotated[
    time,
    AfterValidator(_to_minutes),
    PlainSerializer(lambda value: f"{value:%H:%M}", return_type=str, when_used="json"),
    Field(examples=["06:30"]),
]
Latitude = Annotated[float, Field(ge=-90, le=90, description="Degrees north, WGS 84.", examples=[49.7475])]
Longitude = Annotated[float, Field(ge=-180, le=180, description="Degrees east, WGS 84.", examples=[13.3776])]


class _Change(Body):
    reason: Reason

    @model_validator(mode="after")
    def change_something(self) -> "_Change":
        """Ask for one fact at least, and for facts where null means nothing."""
        said = self.model_fields_set - {"reason"}
        if not said:
            raise wrong("nothing is to be changed", "Give the fields that are to be different.")
        for name in sorted(said & self.needed()):
            if getattr(self, name) is None:
                raise wrong(say("{name} cannot be null", name=name), "Give it, or leave it out to keep it.")
        return self

    @classmethod
    def needed(cls) -> set[str]:
        """Return the fields that are left out or given, never null."""
        return set()


class CustomerChangeIn(_Change):
    """
    What is to be different about a customer; what is left out stays.

    Reserved stock that is too old by stricter rules is served anew within seconds; a lower lot cap counts for
    what is reserved from now on.
    """

    name: Name | None = None
    contact: Text | None = None
    phone: Text | None = None
    mail: Text | None = None
    address: Text | None = None
    min_life_days: LifeDays | None = None
    min_life_fraction: LifeFraction | None = Field(None, description=FRACTION_WORDS)
    no_backward_date: bool | None = None
    max_lots_per_line: LotCap | None = Field(None, description="null: any number.")

    @classmethod
    def needed(cls) -> set[str]:
        """Return the fields that are left out or given, never null."""
        return {"name", "contact", "phone", "mail", "address", "min_life_days", "no_backward_date"}


class RuleIn(Body):
    """What a customer wants of one product; null: what they want of all."""

    product_id: Id
    min_life_days: LifeDays | None = None
    min_life_fraction: LifeFraction | None = Field(None, description=FRACTION_WORDS)
    no_backward_date: bool | None = None
    max_lots_per_line: LotCap | None = None


class RuleChangeIn(_Change):
    """What is to be different about a rule; what is left out stays, null: what the customer wants of all."""

    min_life_days: LifeDays | None = None
    min_life_fraction: LifeFraction | None = Field(None, description=FRACTION_WORDS)
    no_backward_date: bool | None = None
    max_lots_per_line: LotCap | None = None


class RuleOut(View):
    """What a customer wants of one product; null: what they want of all."""

    id: int
    customer_id: int
    product_id: int
    min_life_days: int | None
    min_life_fraction: float | None
    no_backward_date: bool | None
    max_lots_per_line: int | None


class DropIn(Body):
    """A place a customer is delivered to."""

    code: Code
    name: Name
    address: Text = ""
    contact: Text = Field("", description="Whom to call at the place.")
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    opens_at: Clock | None = Field(None, description="Goods are taken in from here, by the place's clock,")
    closes_at: Clock | None = Field(None, description="to here, on the same day.")


class DropChangeIn(_Change):
    """What is to be different about a place; what is left out stays."""

    name: Name | None = None
    address: Text | None = None
    contact: Text | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    opens_at: Clock | None = None
    closes_at: Clock | None = None

    @classmethod
    def needed(cls) -> set[str]:
        """Return the fields that are left out or given, never null."""
        return {"name", "address", "contact"}


class DropOut(View):
    """A place a customer is delivered to."""

    id: int
    customer_id: int
    code: str
    name: str
    address: str
    contact: str
    latitude: float | None
    longitude: float | None
    opens_at: Clock | None
    closes_at: Clock | None
