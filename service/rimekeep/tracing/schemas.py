"""Responses about where a lot went."""

from collections.abc import Mapping
from typing import Any, Self

from pydantic import Field

from rimekeep.platform.schemas import Instant, View
from rimekeep.tracing.core.flows import Kind, Place, Story, Way
from rimekeep.tracing.core.graph import Got, Graph, Origin
from rimekeep.tracing.core.picture import picture_size
from rimekeep.tracing.core.walk import Parting


class EventOut(View):
    """One fact of the ledger."""

    seq: int
    event_id: str
    kind: str
    at: Instant
    actor_id: int | None
    unit_id: int | None
    cases: int | None
    reason: str | None
    data: dict[str, Any]
    hash: str = Field(description="Link to the event before: SHA-256.")


class NodeOut(View):
    """A lot, a unit, a customer, or how cases were lost."""

    key: str = Field(examples=["unit:17"])
    kind: Kind
    name: str
    first_at: Instant
    cases_in: int
    cases_out: int


class EdgeOut(View):
    """Cases of one lot that went from one place to another; on the road, on one trip."""

    source: str
    target: str
    way: Way
    lot_id: int
    lot: str
    cases: int
    trip_id: int | None
    order: str | None
    first_at: Instant
    last_at: Instant


class PictureOut(View):
    """How large the flow's picture (SVG) is, so that a page can keep its place."""

    width: int
    height: int


class FlowOut(View):
    """Where cases went: what goes into a place and does not come out of it is there."""

    nodes: list[NodeOut]
    edges: list[EdgeOut]
    picture: PictureOut

    @classmethod
    def of(cls, graph: Graph, lots: Mapping[int, str]) -> Self:
        """Return a graph as it is shown."""
        width, height = picture_size(graph)
        return cls(
            nodes=[
                NodeOut(
                    key=key(node.place),
                    kind=node.place.kind,
                    name=node.name,
                    first_at=node.first_at,
                    cases_in=node.cases_in,
                    cases_out=node.cases_out,
                )
                for node in graph.nodes
            ],
            edges=[
                EdgeOut(
                    source=key(edge.source),
                    target=key(edge.target),
                    way=edge.way,
                    lot_id=edge.lot_id,
                    lot=lots.get(edge.lot_id, ""),
                    cases=edge.cases,
                    trip_id=edge.trip_id,
                    order=edge.order,
                    first_at=edge.first_at,
                    last_at=edge.last_at,
                )
                for edge in graph.edges
            ],
            picture=PictureOut(width=width, height=height),
        )


class BalanceOut(View):
    """Where a lot's cases are."""

    made: int
    at_site: int
    departed: int = Field(description="Left on trucks and not back.")
    handed_over: int = Field(description="Of those departed, told to be with the customer.")
    on_the_road: int = Field(description="Of those departed, not told to be handed over.")
    adjusted: int = Field(description="Adjustments with a reason; negative for broken or missing.")
    destroyed: int = Field(description="Destroyed on QA's word.")
    not_received: int = Field(description="Of those made, not come in on any unit so far.")
    difference: int = Field(description="Cases nobody can account for, those not received among them.")


class SeenOut(View):
    """An event that saw how many cases there were."""

    seq: int
    kind: str
    at: Instant
    actor_id: int | None


class PartingOut(View):
    """A unit of which the ledger adds up to another number of cases than the record says, and since when."""

    sscc: str
    content_id: int
    ledger_cases: int
    record_cases: int
    last_good: SeenOut | None = Field(description="The last event that found what the ledger adds up to.")
    first_bad: SeenOut | None = Field(
        description="The first event after it that found something else; null: none has looked since."
    )

    @classmethod
    def of(cls, one: Parting) -> Self:
        """Return a parting as it is shown."""
        seen = [
            None if fact is None else SeenOut.model_validate(fact) for fact in (one.last_good, one.first_bad)
        ]
        return cls(
            sscc=one.sscc,
            content_id=one.content_id,
            ledger_cases=one.ledger_cases,
            record_cases=one.record_cases,
            last_good=seen[0],
            first_bad=seen[1],
        )


class DepartureOut(View):
    """Cases of the lot that left."""

    at: Instant
    cases: int
    sscc: str
    customer: str | None
    order: str | None
    trip_id: int | None
    came_back: bool = Field(description="Refused or not delivered: it is in the store again.")
    refused_cases: int = Field(description="Of the cases, those refused one by one: they rode back.")
    returned_cases: int = Field(
        description="Of the cases, those the customer sent back after they were handed over."
    )
    off_at: Instant | None = Field(
        description="When it was handed over or was back; null as long as nobody has told."
    )


class GotOut(View):
    """Cases of a lot that a customer got and that did not come back."""

    customer: str
    lot_id: int
    lot: str
    cases: int


class TraceOut(View):
    """Where a lot went."""

    lot_id: int
    lot_code: str
    balance: BalanceOut
    partings: list[PartingOut] = Field(description="Where a difference arose, unit by unit.")
    customers: list[GotOut]
    departures: list[DepartureOut]
    nodes: list[NodeOut]
    edges: list[EdgeOut]
    picture: PictureOut


class OriginOut(View):
    """Cases of a lot, and the unit they came into the store on."""

    lot_id: int
    lot: str
    cases: int
    came_on_sscc: str
    came_at: Instant

    @classmethod
    def of(cls, one: Origin | Got, story: Story, lots: Mapping[int, str]) -> Self:
        """Return an origin as it is shown."""
        return cls(
            lot_id=one.lot_id,
            lot=lots.get(one.lot_id, ""),
            cases=one.cases,
            came_on_sscc=story.names.get(one.came_on, ""),
            came_at=one.came_at,
        )


class UnitTraceOut(View):
    """Where what was put onto a unit came from, and where it went."""

    sscc: str
    origins: list[OriginOut]
    customers: list[GotOut]
    nodes: list[NodeOut]
    edges: list[EdgeOut]
    picture: PictureOut


class CustomerTraceOut(View):
    """What a customer got, and where it came from."""

    customer_id: int
    customer: str
    origins: list[OriginOut] = Field(description="What did not come back, by the unit it came in on.")
    nodes: list[NodeOut]
    edges: list[EdgeOut]
    picture: PictureOut


def key(place: Place) -> str:
    """Return a place's key in the answer."""
    return f"{place.kind.value}:{place.key}"
