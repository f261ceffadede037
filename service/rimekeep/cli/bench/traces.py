"""
The trace of one lot, and of one unit, in ledgers ever larger: it should grow with the answer only.

The ledger is filled by the writer's own chain, two lots at a time that are picked onto the same pallets, ten
such pairs side by side so that a lot's events lie among those of others as they would. Each answer is looked
at. The chain and every lot's cases are checked at the end of each size, which takes time with the ledger.
"""

import random
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from itertools import islice
from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session

from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.cli.bench.stocked import PREFIX, put_rows
from rimekeep.cli.output import err
from rimekeep.platform.journal import Event, broken_links, links, record
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.queries import lot
from rimekeep.stock.usecases import register_zone
from rimekeep.tracing import queries
from rimekeep.tracing.core.departures import departures
from rimekeep.tracing.core.flows import Kind, Place, read_story
from rimekeep.tracing.core.graph import contents_on, downstream, graph_of, origins, upstream

SMALLEST = 100_000
PALLETS, PALLET_CASES = 24, 48
# Per lot: each pallet is picked empty, a quarter at a time; a built pallet holds two of each lot of a pair.
PICKS_A_PALLET, BUILT, CUSTOMERS = 4, 48, 40
SIDE_BY_SIDE = 10
ASKED = 60
# The best of them counts: whatever else runs on the machine is not what is measured.
REPEATS = 5
EVENT = "site_id seq event_id kind at actor_id lot_id unit_id cases reason data hash"


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured ratio."""

    work: str
    ratio: float
    aim: str
    detail: str


@dataclass(frozen=True, slots=True)
class Spent:
    """What answers took at one size. [s]"""

    events: int
    lots: int
    filled_s: float
    lot_s: float
    unit_s: float
    event_s: float
    chain_s: float
    cases_s: float


@dataclass
class Filler:
    """Writes lots and all that happens to them, and knows where the ledger stands."""

    place: Ground
    product_id: int
    zone_id: int
    seq: int
    link: str
    lots: int = 0
    units: int = 0
    contents: int = 0
    rows: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)
    on: dict[int, list[int]] = field(default_factory=dict)

    def batch(self, session: Session) -> None:
        """Write a few pairs of lots, what happens to them in turns."""
        site = self.place.caller.site_id
        self.rows = {name: [] for name in ("lot", "unit", "unit_content")}
        pairs = [self._pair() for _ in range(SIDE_BY_SIDE)]
        events: list[Event] = []
        while pairs:
            for pair in list(pairs):
                told = list(islice(pair, 40))
                events += told
                if not told:
                    pairs.remove(pair)
        made = list(links(self.link, site, self.seq, events))
        self.seq, self.link = made[-1]["seq"], made[-1]["hash"]
        names = {
            "lot": "id site_id product_id code packaged_at best_before_on cases_made qa_state qa_reason",
            "unit": "id site_id sscc zone_id state qa_state qa_reason is_opened received_at",
            "unit_content": "id site_id unit_id lot_id cases reserved_cases parent_id split_at",
        }
        for name, columns in names.items():
            put_rows(session, name, columns, self.rows[name])
        put_rows(session, "ledger_event", EVENT, [tuple(row[name] for name in EVENT.split()) for row in made])
        session.execute(
            text("UPDATE site_head SET event_seq = :seq, event_hash = :link WHERE site_id = :site"),
            {"seq": self.seq, "link": self.link, "site": site},
        )

    def _pair(self) -> Iterator[Event]:
        """Two lots that are received, picked onto the same pallets and delivered."""
        at = self.place.now - timedelta(days=400) + timedelta(seconds=self.lots)
        pair = [self._lot(at), self._lot(at)]
        stock = [(lot_id, self._unit(at, "empty")) for lot_id in pair for _ in range(PALLETS)]
        built = [self._unit(at, "departed") for _ in range(BUILT)]
        yield from (Event("lot.registered", at, lot_id=one, cases=PALLETS * PALLET_CASES) for one in pair)
        content_of = {}
        for lot_id, (unit_id, code) in stock:
            content_of[unit_id] = self._content(unit_id, lot_id, 0, None, None)
            data = {"sscc": code, "content_id": content_of[unit_id], "zone_id": self.zone_id, "is_new": False}
            yield Event("unit.received", at, 1, lot_id=lot_id, unit_id=unit_id, cases=PALLET_CASES, data=data)
            yield Event("unit.moved", at, 1, unit_id=unit_id, data={"sscc": code, "zone_id": self.zone_id})
        yield from self._picked(at, stock, built, content_of)
        for number, (unit_id, code) in enumerate(built):
            customer = (self.lots + number) % CUSTOMERS + 1
            facts = {
                "customer_id": customer,
                "customer": f"C{customer}",
                "order": f"SO-{unit_id}",
                "trip_id": unit_id,
            }
            yield Event("unit.loaded", at, 1, unit_id=unit_id, data={"sscc": code})
            for kind in ("unit.departed", "unit.delivered"):
                for content_id, lot_id, cases in self._on_it(unit_id):
                    data = {"sscc": code, "content_id": content_id, **facts}
                    yield Event(kind, at, 1, lot_id=lot_id, unit_id=unit_id, cases=cases, data=data)

    def _picked(
        self,
        at: datetime,
        stock: list[tuple[int, tuple[int, str]]],
        built: list[tuple[int, str]],
        content_of: dict[int, int],
    ) -> Iterator[Event]:
        share = PALLET_CASES // PICKS_A_PALLET
        for step in range(PICKS_A_PALLET):
            for number, (lot_id, (from_id, from_code)) in enumerate(stock):
                unit_id, code = built[(number + step // 2 * 5 + step % 2 * PALLETS) % BUILT]
                content_id = self._content(unit_id, lot_id, share, content_of[from_id], at)
                data = {
                    "from_unit_id": from_id,
                    "from_sscc": from_code,
                    "from_content_id": content_of[from_id],
                    "cases_left": PALLET_CASES - (step + 1) * share,
                    "sscc": code,
                    "content_id": content_id,
                }
                yield Event("cases.picked", at, 1, lot_id=lot_id, unit_id=unit_id, cases=share, data=data)
                yield Event("pick.confirmed", at, 1, cases=share, data={"id": content_id})

    def _lot(self, at: datetime) -> int:
        self.lots += 1
        row = (
            self.lots, self.place.caller.site_id, self.product_id, f"T{self.lots}", at,
            (at + timedelta(days=300)).date(), PALLETS * PALLET_CASES, "released", "",
        )  # fmt: skip
        self.rows["lot"].append(row)
        return self.lots

    def _unit(self, at: datetime, state: str) -> tuple[int, str]:
        self.units += 1
        code = sscc(4, PREFIX, self.units)
        self.rows["unit"].append(
            (self.units, self.place.caller.site_id, code, self.zone_id, state, "released", "", True, at)
        )
        return self.units, code

    def _content(
        self, unit_id: int, lot_id: int, cases: int, parent_id: int | None, split_at: datetime | None
    ) -> int:
        self.contents += 1
        self.rows["unit_content"].append(
            (
                self.contents, self.place.caller.site_id, unit_id, lot_id, cases, 0, parent_id, split_at,
            )
        )  # fmt: skip
        if cases:
            self.on.setdefault(unit_id, []).append(len(self.rows["unit_content"]) - 1)
        return self.contents

    def _on_it(self, unit_id: int) -> list[tuple[int, int, int]]:
        rows = self.rows["unit_content"]
        return [(rows[place][0], rows[place][3], rows[place][4]) for place in self.on[unit_id]]


def measure(place: Ground, *, events: int) -> list[Figure]:
    """Return how much longer traces take in the larger ledgers than in the smallest."""
    filler = _begin(place)
    found: list[Spent] = []
    size = SMALLEST
    while size <= max(events, SMALLEST):
        begun = time.perf_counter()
        while filler.seq < size:
            with place.database.transaction() as session:
                filler.batch(session)
        filler.on.clear()
        place.settle()
        found.append(_measured(place, filler, filled_s=time.perf_counter() - begun))
        # The largest takes long; whoever stops waiting has what was found before.
        err.print(f"  {found[-1]}", markup=False)
        size *= 10
    first = found[0]
    return [
        figure
        for one in found[1:]
        for figure in (
            Figure(
                f"trace of one lot in {one.events:,} events, against {first.events:,}",
                one.lot_s / first.lot_s,
                "≤ 1.5",
                f"median of {ASKED} lots, each the best of {REPEATS}: {first.lot_s * 1e3:.1f} "
                f"and {one.lot_s * 1e3:.1f} ms; "
                f"chain verified in {one.chain_s:.1f} s, "
                f"cases of all {one.lots:,} lots in {one.cases_s:.1f} s",
            ),
            Figure(
                f"trace of one unit in {one.events:,} events, against {first.events:,}",
                one.unit_s / first.unit_s,
                "≤ 1.5",
                f"median of {ASKED} mixed pallets: {first.unit_s * 1e3:.1f} and {one.unit_s * 1e3:.1f} ms; "
                f"filled in {one.filled_s:.0f} s",
            ),
            Figure(
                f"one event more, committed, in {one.events:,} events, against {first.events:,}",
                one.event_s / first.event_s,
                "≤ 1.5",
                f"median of {ASKED} commits: {first.event_s * 1e3:.1f} and {one.event_s * 1e3:.1f} ms",
            ),
        )
    ]


def _begin(place: Ground) -> Filler:
    with place.database.transaction() as session:
        zone = register_zone(
            session, place.now, place.caller, code="COLD", name="Cold", kind="store", planned_c=4.0
        )
        product_id = bench_product(session, place, place.now, sku="T")
        zone_id = zone.id
    return Filler(place, product_id, zone_id, *_head(place))


def _head(place: Ground) -> tuple[int, str]:
    with place.database.transaction(readonly=True) as session:
        seq, link = session.execute(text("SELECT event_seq, event_hash FROM site_head")).one()
    return seq, link


def _measured(place: Ground, filler: Filler, *, filled_s: float) -> Spent:
    chosen = random.Random(7)  # noqa: S311 - which ones are asked for is no secret
    lots = chosen.sample(range(1, filler.lots + 1), ASKED)
    # Of every pair's units the built ones come after the pallets.
    a_pair = 2 * PALLETS + BUILT
    units = [
        a_pair * chosen.randrange(filler.units // a_pair) + 2 * PALLETS + 1 + chosen.randrange(BUILT)
        for _ in range(ASKED)
    ]
    lot_s, unit_s = (
        statistics.median(
            min(_timed(place, partial(work, place, one)) for _ in range(REPEATS)) for one in asked
        )
        for work, asked in ((_lot_trace, lots), (_unit_trace, units))
    )
    events = filler.seq
    event_s = statistics.median(_one_more(place) for _ in range(ASKED))
    filler.seq, filler.link = _head(place)
    site = place.caller.site_id
    chain_s = _timed(place, lambda session: _nothing(list(broken_links(session, site))))
    cases_s = _timed(place, lambda session: _nothing(list(queries.lots_that_disagree(session, site))))
    return Spent(events, filler.lots, filled_s, lot_s, unit_s, event_s, chain_s, cases_s)


def _one_more(place: Ground) -> float:
    begun = time.perf_counter()
    with place.database.transaction() as session:
        record(session, place.caller.site_id, Event("pick.confirmed", place.now, cases=1))
    return time.perf_counter() - begun


def _timed(place: Ground, work: Callable[[Session], None]) -> float:
    begun = time.perf_counter()
    with place.database.transaction(readonly=True) as session:
        work(session)
    return time.perf_counter() - begun


def _nothing(told: list[str]) -> None:
    if told:
        raise RuntimeError(f"the ledger disagrees: {told[0]}")


def _lot_trace(place: Ground, lot_id: int, session: Session) -> None:
    """Do all that an answer holds, but for writing it as JSON."""
    site = place.caller.site_id
    facts = queries.lot_facts(session, site, lot_id)
    story = read_story(facts)
    graph = graph_of(story.flows, story.names)
    balance = queries.lot_balance(session, site, lot(session, site, lot_id))
    parted = queries.lot_partings(session, site, lot_id, facts)
    made = PALLETS * PALLET_CASES
    sent = sum(one.cases for one in departures(facts))
    at_customers = sum(node.cases for node in graph.nodes if node.place.kind == Kind.CUSTOMER)
    if parted or balance.difference or (sent, at_customers) != (made, made):
        raise RuntimeError(f"lot {lot_id}: {sent} of {made} cases were sent, {balance}")


def _unit_trace(place: Ground, unit_id: int, session: Session) -> None:
    site, at = place.caller.site_id, Place(Kind.UNIT, str(unit_id))
    story = read_story(queries.unit_facts(session, site, queries.family(session, [unit_id])))
    contents = contents_on(story, {at})
    flows = {flow.seq: flow for flow in (*upstream(story, contents), *downstream(story, contents))}
    graph = graph_of(flows.values(), story.names)
    lots = {one.lot_id for one in origins(story, {at})}
    if len(lots) != 2 or not any(node.place.kind == Kind.CUSTOMER for node in graph.nodes):
        raise RuntimeError(f"unit {unit_id} carries lots {lots}")
