"""Requests and responses of handhelds."""

from datetime import date
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from rimekeep.picking.core.outcomes import Call, Outcome
from rimekeep.picking.schemas import CheckCode, DeviceTime, Scan
from rimekeep.platform.language import Worded, told_all
from rimekeep.platform.schemas import Body, Cases, Code, Id, Instant, Reason, Text, View

MaybeCases = Annotated[int, Field(ge=0, le=100_000, strict=True)]


class ConfirmIn(Body):
    """What the picker did."""

    scan: Scan
    bay_check_code: CheckCode | None = Field(
        None, description="Not needed where the pallet stands in no bay."
    )
    cases: Cases
    device_at: DeviceTime = None


class ShortIn(Body):
    """What the picker found instead of what was asked for."""

    cases_found: Annotated[int, Field(ge=0, le=100_000, strict=True)] = Field(
        description="Taken of the pick."
    )
    reason: Reason
    scan: Scan | None = Field(None, description="Needed when cases were taken.")
    bay_check_code: CheckCode | None = None
    device_at: DeviceTime = None


class AddedStopOut(View):
    """A stop that came in place of what another did not give."""

    list_id: int = Field(description="The same list, or one in another room.")
    stop: int
    pick_id: int
    cases: int
    sscc: str
    bay_code: str | None


class PickedOut(View):
    """What a confirmation did."""

    pick_id: int
    state: str
    picked_cases: int
    to_unit_id: int | None
    to_sscc: str | None = Field(description="Unit the cases are on now; a new one gets its label.")
    picks_left: int = Field(description="Stops left on the list.")
    is_list_done: bool
    is_order_picked: bool
    outcome: Outcome = Field(description="Stable word for programs.")
    line: Worded = Field(description="The same in one line for the picker.")
    added: list[AddedStopOut] = Field(description="Stops that came in place of what this one did not give.")
    order: list[int] = Field(
        description="Where stops were added: the list's open picks in the order of work they have now."
    )


class CheckIn(Body):
    """What is at hand so far."""

    bay_check_code: CheckCode | None = None
    scan: Scan | None = None
    cases: Cases | None = None


class LineOut(View):
    """One line for the picker."""

    line: Worded


class NotFoundIn(Body):
    """That the pallet is not at its bay."""

    bay_check_code: CheckCode | None = Field(
        None, description="Shows that the picker stands there; not needed where the pallet stands in no bay."
    )
    reason: Reason
    device_at: DeviceTime = None


class DamagedIn(Body):
    """What is broken, and how many good cases were taken."""

    scan: Scan
    bay_check_code: CheckCode | None = None
    cases_taken: MaybeCases = Field(description="Good cases taken of the pick.")
    cases_damaged: Cases = Field(description="Broken cases, set aside on hold.")
    reason: Reason
    device_at: DeviceTime = None


class SubstituteIn(Body):
    """What was taken in place of the stop's own pallet, and why."""

    scan: Scan
    bay_check_code: CheckCode | None = Field(None, description="Of the bay the other pallet stands in.")
    cases: Cases
    reason: Reason
    device_at: DeviceTime = None


class OfferOut(View):
    """Cases that may be taken in place of a stop's own."""

    unit_id: int
    sscc: str
    zone_id: int
    bay_code: str | None
    lot_code: str
    best_before_on: date
    expires_on: date
    promised_on: date
    cases: int
    how: str


class BringIn(Body):
    """Where it was put down."""

    bay: Code
    bay_check_code: CheckCode
    device_at: DeviceTime = None


class BroughtOut(View):
    """Where the pallets of a list stand now."""

    list_id: int
    bay_code: str
    zone_code: str
    ssccs: list[str]
    outcome: Outcome
    line: Worded


class TakeOverIn(Body):
    """Who gets the list, and why."""

    device_id: Id | None = Field(None, description="Null: whoever asks next.")
    reason: Reason


class QueuedIn(Body):
    """
    One call made while there was no network, with what the request of its own would say.

    Calls of a list need `list_id`, the others `pick_id`; what else is needed is what the request of its own
    needs. What is missing is told in the call's outcome, so that one bad call does not stop the others.
    """

    key: Annotated[Text, Field(min_length=1, max_length=200)] = Field(
        description="The call's own Idempotency-Key, the same wherever and however often it is sent."
    )
    at: Instant = Field(description="By the device's clock, however wrong that is.")
    call: Call
    list_id: Id | None = None
    pick_id: Id | None = None
    scan: Annotated[Text, Field(max_length=200)] | None = None
    bay: Annotated[Text, Field(max_length=40)] | None = None
    bay_check_code: CheckCode | None = None
    cases: MaybeCases | None = Field(None, description="Taken, or found.")
    cases_damaged: Cases | None = None
    reason: Text | None = None


class QueueIn(Body):
    """A whole queue, in any order."""

    calls: Annotated[list[QueuedIn], Field(min_length=1, max_length=1000)]
    sent_at: Instant | None = Field(
        None, description="The device's clock as the queue is sent: shows how wrong it is."
    )


class AnsweredOut(View):
    """What one call came to."""

    key: str
    call: Call
    outcome: Outcome = Field(
        description="`repeated`, `over` and `refused` changed nothing; only `refused` is worth sending again."
    )
    line: Worded = Field(description="For the picker.")
    code: str | None = Field(description="Stable word for what stood against it.")
    first: Outcome | None = Field(description="Outcome of the first time, for one that is repeated.")
    result: Annotated[dict[str, Any] | None, BeforeValidator(told_all)] = Field(
        description="What the request of its own would have been answered."
    )


class QueueOut(View):
    """What a queue came to, call by call, in the order they were sent."""

    calls: list[AnsweredOut]
    clock_off_s: float | None = Field(description="The service's clock less the device's. [s]")
    clock_line: Worded | None = Field(
        description="For the picker, where the clock is wrong by minutes or more."
    )
