"""What a customer would not take at a drop, unit by unit or case by case."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import invalid
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.states import Fate
from rimekeep.loading.tables import DeckPlace, DropRefusal, Trip, Vehicle
from rimekeep.loading.usecases.telling import way_facts
from rimekeep.picking.usecases import refuse_allocations
from rimekeep.stock import queries as stock_queries
from rimekeep.stock import usecases as stock
from rimekeep.stock.core.records import ContentView
from rimekeep.stock.tables import Unit
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Refusal:
    """What was refused of a unit: all of it, or some cases, of one lot where it carries several."""

    sscc: str
    reason: str
    cases: int | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Whole:
    """A unit refused as it stands."""

    place: PlaceView
    cases: int
    reason: str


@dataclass(frozen=True, slots=True)
class Part:
    """Some cases of one lot on a unit, refused; ``where`` is the field that says so."""

    place: PlaceView
    content: ContentView
    cases: int
    reason: str
    where: str


@dataclass(frozen=True, slots=True)
class Ridden:
    """A part that rides along on a unit of its own."""

    part: Part
    unit: Unit
    mass_kg: float


def read_refusals(
    session: Session, here: Sequence[PlaceView], ssccs: Sequence[str], refusals: Sequence[Refusal]
) -> tuple[list[Whole], list[Part]]:
    """Return what is refused of a drop's units, whole and in part; raise Invalid where it cannot be meant."""
    by_sscc = {place.sscc: place for place in here}
    site_id = queries.site_of_trip(session, here[0].trip_id)
    on_unit: dict[int, list[ContentView]] = {}
    for content in stock_queries.contents(session, site_id, unit_ids=[place.unit_id for place in here]):
        on_unit.setdefault(content.unit_id, []).append(content)
    asked = [(Refusal(sscc, ""), f"refused[{k}]", f"refused[{k}]") for k, sscc in enumerate(ssccs)]
    asked += [(one, f"refusals[{k}].sscc", f"refusals[{k}]") for k, one in enumerate(refusals)]
    whole: dict[int, Whole] = {}
    parts: list[Part] = []
    for one, field, where in asked:
        place = by_sscc.get(one.sscc)
        if place is None:
            raise invalid(
                field,
                say("No unit {sscc} was to be unloaded at drop {drop}.", sscc=one.sscc, drop=here[0].drop),
                say("Give one of {choices}.", choices=", ".join(sorted(by_sscc))),
            )
        contents = on_unit.get(place.unit_id, [])
        total = sum(content.cases for content in contents)
        if one.cases is None:
            whole[place.unit_id] = Whole(place, total, one.reason)
            continue
        content = _content_of(one, contents, where)
        if any(part.content.id == content.id for part in parts):
            raise invalid(
                f"{where}.lot", say("This lot of the unit is refused twice."), say("Add the cases up.")
            )
        if one.cases > content.cases:
            raise invalid(
                f"{where}.cases",
                say(
                    "Unit {sscc} carries {cases} cases of lot {lot_code}.",
                    sscc=one.sscc,
                    cases=content.cases,
                    lot_code=content.lot_code,
                ),
                say("Give at most {cases}.", cases=content.cases),
            )
        parts.append(Part(place, content, one.cases, one.reason, f"{where}.cases"))
    for part in parts:
        if part.place.unit_id in whole:
            raise invalid(
                part.where,
                say("Unit {sscc} is refused whole already.", sscc=part.place.sscc),
                say("Leave this out."),
            )
    for unit_id in {part.place.unit_id for part in parts}:
        own = [part for part in parts if part.place.unit_id == unit_id]
        if sum(part.cases for part in own) == sum(content.cases for content in on_unit[unit_id]):
            whole[unit_id] = Whole(own[0].place, sum(part.cases for part in own), own[0].reason)
    return list(whole.values()), [part for part in parts if part.place.unit_id not in whole]


def _content_of(one: Refusal, contents: Sequence[ContentView], where: str) -> ContentView:
    found = [content for content in contents if one.lot in (None, content.lot_code)]
    if len(found) == 1:
        return found[0]
    lots = ", ".join(sorted(content.lot_code for content in contents))
    fact = (
        say("Unit {sscc} carries lots {lots}.", sscc=one.sscc, lots=lots)
        if found
        else say("Unit {sscc} carries no lot {lot}.", sscc=one.sscc, lot=one.lot)
    )
    raise invalid(f"{where}.lot", fact, say("Give one of {lots}.", lots=lots))


def split_refused(
    session: Session,
    now: datetime,
    caller: Caller,
    trip: Trip,
    vehicle: Vehicle,
    parts: Sequence[Part],
    at: datetime,
) -> list[Ridden]:
    """Put refused cases onto units of their own, which serve the order no longer."""
    ridden: list[Ridden] = []
    onto: dict[int, Unit] = {}
    for part in parts:
        place = part.place
        cases = queries.cases_on(session, place.unit_id) + sum(
            one.part.cases for one in ridden if one.part.place.unit_id == place.unit_id
        )
        unit, moved = stock.refuse_cases(
            session,
            caller,
            content_id=part.content.id,
            cases=part.cases,
            at=at,
            facts={**way_facts(trip, vehicle, place), "reason": part.reason},
            where=part.where,
            onto=onto.get(place.unit_id),
        )
        onto[place.unit_id] = unit
        refuse_allocations(
            session,
            now,
            caller.site_id,
            order_id=place.order_id,
            content_id=part.content.id,
            to_content_id=moved.id,
            cases=part.cases,
        )
        ridden.append(Ridden(part, unit, place.mass_kg * part.cases / cases))
    return ridden


def place_refused(session: Session, trip: Trip, ridden: Sequence[Ridden], at: datetime) -> None:
    """Let what was refused of a unit stand where the unit stood, which has left."""
    masses: dict[int, float] = {}
    for one in ridden:
        masses[one.unit.id] = masses.get(one.unit.id, 0.0) + one.mass_kg
    placed = {one.unit.id: one.part.place for one in ridden}
    session.add_all(
        DeckPlace(
            site_id=trip.site_id,
            trip_id=trip.id,
            unit_id=unit_id,
            order_id=place.order_id,
            row_no=place.row,
            lane_no=place.lane,
            part_no=place.part,
            tier_no=place.tier,
            is_turned=place.is_turned,
            drop_no=place.drop,
            mass_kg=round(masses[unit_id], 3),
            loaded_at=at,
            fate=Fate.REFUSED,
        )
        for unit_id, place in placed.items()
    )
    session.flush()


def set_down(session: Session, trip: Trip) -> None:
    """Let what stood on a unit that has left stand on the deck."""
    aboard = [place for place in queries.places(session, [trip.id]) if place.is_aboard]
    for place in aboard:
        if place.tier and not any(one.spot.is_under(place.spot) for one in aboard):
            queries.deck_place(session, trip.id, place.unit_id).tier_no = 0
    session.flush()


def note_refusals(session: Session, trip: Trip, whole: Sequence[Whole], ridden: Sequence[Ridden]) -> None:
    """Keep what was refused, and why."""
    rows = [(one.place, one.place.unit_id, one.cases, one.reason) for one in whole]
    rows += [(one.part.place, one.unit.id, one.part.cases, one.part.reason) for one in ridden]
    session.add_all(
        DropRefusal(
            site_id=trip.site_id,
            trip_id=trip.id,
            drop_no=place.drop,
            unit_id=place.unit_id,
            refused_unit_id=refused_unit_id,
            cases=cases,
            reason=reason,
        )
        for place, refused_unit_id, cases, reason in rows
    )
    session.flush()
