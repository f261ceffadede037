"""Requests and responses about load plans and trips."""

from datetime import date
from typing import Annotated

from pydantic import Field, StringConstraints

from rimekeep.loading.core.moves import DeckChange, Verdict
from rimekeep.loading.core.states import Empty
from rimekeep.loading.schemas.day import DriveOut
from rimekeep.loading.schemas.road import ColdDropOut, ColdSummaryOut, Scan, said
from rimekeep.loading.usecases.judged import MoveResult
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Id, Instant, Reason, View

Row = Annotated[int, Field(ge=0, le=1000, strict=True, description="From 0 at the front wall.")]
Lane = Annotated[int, Field(ge=0, le=100, strict=True, description="From 0 at the left.")]


class AxleOut(View):
    """What one axle, group or the kingpin carries."""

    name: str
    load_kg: float
    max_kg: float


class LoadStateOut(View):
    """Weights at departure (``after_stop`` null) or after one drop."""

    after_seq: int
    after_stop: str | None
    payload_kg: float
    gross_kg: float
    axles: list[AxleOut]


class PlaceOut(View):
    """A unit on its place."""

    unit_id: int
    sscc: str
    order_id: int
    order_code: str
    customer_id: int
    customer_code: str
    row: int = Field(description="From 0 at the front wall.")
    lane: int = Field(description="From 0 at the left.")
    drop: int = Field(description="1 is this trip's first delivery.")
    mass_kg: float
    loaded_at: Instant | None
    fate: str | None = Field(
        description="delivered, refused, returned, sent-back; null while it is on board."
    )
    off_at: Instant | None = Field(description="When it left the vehicle; refused goods ride along.")
    is_pinned: bool = Field(description="It stays where it is until it is unpinned.")
    is_turned: bool = Field(description="By 90° against the way its row has its units.")
    tier: int = Field(description="0 on the deck, 1 on top of the unit that stands there.")


class DeliveryOut(View):
    """One drop, delivered."""

    drop: int
    delivered_at: Instant
    note: str
    recorded_at: Instant
    recorded_by: int
    cautions: list[Worded] = said("deliver")


class StowedOut(View):
    """Places for empties announced at a stop, along the right wall."""

    stop: str
    kind: Empty
    row: int = Field(description="From 0 at the front wall.")
    places: int


class CompartmentOut(View):
    """Part of a divided body; behind the last row of every one but the last stands a bulkhead."""

    first_row: int = Field(description="From 0 at the front wall.")
    last_row: int
    setpoint_min_c: float
    setpoint_max_c: float
    setpoint_c: float = Field(description="The set point advised.")


class TripOut(View):
    """One trip of a vehicle by a plan."""

    id: int
    plan_id: int
    vehicle_id: int
    vehicle_code: str
    vehicle_name: str
    trip_no: int = Field(description="Which of the vehicle's trips, from 1.")
    trips: int = Field(description="How many trips the vehicle makes by this plan.")
    leaves_at: Instant | None = Field(
        description="When it can leave at the soonest, after the trip before; null: no shift was said."
    )
    back_at: Instant | None
    setpoint_min_c: float = Field(description="Of a divided body, of all compartments together.")
    setpoint_max_c: float
    compartments: list[CompartmentOut] = Field(
        description="Front first; empty where the body is not divided and has one air."
    )
    departed_at: Instant | None
    ended_at: Instant | None
    axle_table: list[LoadStateOut] = Field(
        description="Computed from stated masses; the weighbridge decides."
    )
    drawing: str = Field(description="The deck from above in plain text, the weights below it.")
    places: list[PlaceOut]
    stowed: list[StowedOut] = Field(description="Where announced empties go when they come on board.")
    deliveries: list[DeliveryOut]
    cold: ColdSummaryOut | None = Field(description="What the road ahead does to its cold, as reckoned last.")
    drive: DriveOut | None = Field(description="What it drives; null where the plan says nothing of roads.")


class PlanSummaryOut(View):
    """A plan in a list."""

    id: int
    ship_on: date
    state: str
    status: str = Field(
        description="optimal: proven; feasible: legal, fewer vehicles not ruled out; infeasible: see reasons."
    )
    lower_bound: int = Field(
        description="No plan needs fewer vehicles; where they leave several times, fewer trips."
    )
    visits: int
    reasons: list[Worded] = Field(description="Why not, what is not proven, and which orders are left out.")
    made_at: Instant
    confirmed_at: Instant | None


class PlanOut(PlanSummaryOut):
    """A plan with its trips."""

    trips: list[TripOut]
    vehicles: int = Field(description="How many vehicles make the trips.")
    cautions: list[Worded] = said("dock")


class SpotOut(View):
    """A unit and where it goes."""

    sscc: str
    row: int
    lane: int
    drop: int
    tier: int = Field(description="0 on the deck, 1 on top of the unit that stands there.")


class LoadIn(Body):
    """A unit put on board."""

    scan: Scan
    row: Row | None = Field(
        None, description="Where it was put, if known; refused when the plan says otherwise."
    )
    lane: Lane | None = None
    overrule: Reason | None = Field(
        None,
        description="Why it goes on board out of turn or elsewhere than planned: the dispatcher's or lead's "
        "word, kept on record. Axles, drop order, QA's word and temperature are never overruled.",
    )


class DeviationOut(View):
    """What was loaded otherwise than planned, by whose word, and why."""

    id: int
    trip_id: int
    unit_id: int
    kind: str
    detail: str
    reason: str
    at: Instant
    by: int


class UnloadIn(Body):
    """A unit taken off again."""

    scan: Scan
    zone_id: Id = Field(description="Where it goes.")


class NextOut(View):
    """What may come next."""

    next: list[SpotOut] = Field(description="Any of these; empty when nothing is left.")
    cautions: list[Worded] = said("loading")


Sscc = Annotated[str, StringConstraints(pattern=r"^[0-9]{18}$")]


class MoveIn(Body):
    """
    A unit to be put on another place, turned, or both; a unit that stands there changes places with it.

    With `tier` 1 it goes on top of the unit that stands there. What another unit stands on is not moved.

    It stands against the front edge of its row, turned or not; what is longer then pushes the rows behind it
    towards the doors.
    """

    sscc: Sscc
    row: Row | None = Field(None, description="From 0 at the front wall; null with `turn`: where it stands.")
    lane: Lane | None = Field(None, description="From 0 at the left; null with `turn`: where it stands.")
    tier: Annotated[int, Field(ge=0, le=1, strict=True)] = Field(
        0, description="0: onto the deck, or where the unit stands it changes places with; 1: on top of it."
    )
    turn: bool = Field(
        False, description="Turn it by 90°; turned once more it stands as the others of its row do."
    )
    to_trip_id: Id | None = Field(None, description="Another trip of the same plan; null: this trip's deck.")
    only_preview: bool = Field(False, description="Judge the move; nothing is written.")


class PinIn(Body):
    """Units to be pinned to their places, or let go."""

    ssccs: list[Sscc] = Field(min_length=1, max_length=1000)
    is_pinned: bool


class ViolationOut(View):
    """A rule that would be broken."""

    kind: str
    after_stop: str | None
    figure: float
    limit: float
    text: Worded


class MarginOut(View):
    """What a limit leaves in its tightest state."""

    kg: float = Field(description="Below zero the limit is broken.")
    after_stop: str | None = Field(description="The tightest state: after this drop; null: at departure.")


class LimitChangeOut(View):
    """A weight limit before and after the move."""

    limit: str
    words: Worded
    before: MarginOut | None = Field(description="Null where the vehicle is empty and it does not bind.")
    after: MarginOut | None
    verdict: Verdict


class DeckChangeOut(View):
    """One vehicle before and after the move."""

    trip_id: int
    limits: list[LimitChangeOut]
    order_verdict: Verdict
    blocked_before: list[str] = Field(description="Pallets that could not come out at their drop.")
    blocked_after: list[str]
    temperature_verdict: Verdict
    range_before_c: tuple[float, float] | None = Field(
        description="Air everything on board may travel in; the first is higher where there is none."
    )
    range_after_c: tuple[float, float] | None
    bulkheads_before: list[int] = Field(description="Rows they stand behind, from 0; empty: one air.")
    bulkheads_after: list[int]

    @classmethod
    def of(cls, trip_id: int, change: DeckChange, *, only_moved: bool = False) -> "DeckChangeOut":
        """Return what changes on one trip's vehicle, with every limit or only those that move."""
        shown = [one for one in change.limits if not only_moved or one.verdict != "same"]
        return cls(
            trip_id=trip_id,
            limits=[LimitChangeOut.model_validate(one) for one in shown],
            order_verdict=change.order_verdict,
            blocked_before=list(change.blocked_before),
            blocked_after=list(change.blocked_after),
            temperature_verdict=change.temperature_verdict,
            range_before_c=change.range_before_c,
            range_after_c=change.range_after_c,
            bulkheads_before=list(change.bulkheads_before),
            bulkheads_after=list(change.bulkheads_after),
        )


class MoveOut(View):
    """What a move came to."""

    is_made: bool
    swapped_with: str | None
    violations: list[ViolationOut] = Field(description="All that would be broken; such a move is not made.")
    mended: list[ViolationOut] = Field(description="What was broken before and no longer is.")
    changes: list[DeckChangeOut] = Field(description="What gets better or worse, for each trip it touches.")

    @classmethod
    def of(cls, result: MoveResult, *, only_moved: bool = False) -> "MoveOut":
        """Return what a move came to, with every weight limit or only those that move."""
        return cls(
            is_made=result.is_made,
            swapped_with=result.swapped_with,
            violations=[ViolationOut.model_validate(one) for one in result.violations],
            mended=[ViolationOut.model_validate(one) for one in result.mended],
            changes=[
                DeckChangeOut.of(key, change, only_moved=only_moved) for key, change in result.changes.items()
            ],
        )


class PlaceJudgedOut(View):
    """One place of a deck, and what moving the unit there would come to."""

    row: int = Field(description="From 0 at the front wall.")
    lane: int = Field(description="From 0 at the left.")
    move: MoveOut | None = Field(
        description="Of the weight limits only those that get better or worse. Null: see `refused`."
    )
    refused: Worded | None = Field(description="Why it cannot go there whatever the rules say.")


class PlacesJudgedOut(View):
    """Where on its deck a unit could stand; a move itself is judged once more."""

    sscc: str
    places: list[PlaceJudgedOut]


class DepartIn(Body):
    """What is said of a departure."""

    despite: Reason | None = Field(
        None, description="Why it leaves although the cold would not do; kept with the caller's name."
    )


class DepartedColdOut(View):
    """What the cold came to, reckoned as the trip left."""

    is_reckoned: bool = Field(
        description="False: no data of the vehicle or of the weather; the text says which."
    )
    verdict: str = Field(description="yes, no (it left despite that), or unknown.")
    text: Worded
    hottest_leg: int | None
    reasons: list[Worded] = Field(description="What spoke against leaving.")
    despite: str | None = Field(description="Why it left all the same; null: nothing spoke against it.")
    drops: list[ColdDropOut]


class DepartedOut(View):
    """A trip on its way."""

    id: int
    departed_at: Instant
    cold: DepartedColdOut
    cautions: list[Worded] = said("depart")
